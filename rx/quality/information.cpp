#include "rx/quality/information.h"

#include <algorithm>
#include <cmath>
#include <limits>
#include <optional>
#include <stdexcept>
#include <vector>

#include "rx/quality/point_labels.h"
#include "rx/rows/vectors.h"
#include "sim/signal/elementary_series.h"

namespace cohlink {
namespace {

using namespace vectors;

constexpr std::size_t kMostBits = 16;          // of a point's label
constexpr std::size_t kRun = 64 * kWidth;      // values whose losses are summed in single precision
constexpr std::size_t kCheckEvery = 8 * kRun;  // symbols
constexpr std::size_t kStretches = 16;

struct Loss {
  double symbol = 0.0, bit = 0.0;  // nats
};

// The same of sixteen places in a vector.
struct Losses {
  Floats symbol = {}, bit = {};
};

COHLINK_VECTOR_INLINE Floats exponential(const Floats& x) { return exp_single<Floats, Words>(x); }
COHLINK_VECTOR_INLINE Floats logarithm(const Floats& x) { return log_single<Floats, Words>(x); }

// Of values in white noise of 1 / per_noise. The likeliest point counts 1, so that not all underflow; where
// all that have a bit as sent do, the largest of them stands for their sum.
template <class Points>
COHLINK_VECTOR_INLINE Losses losses_of(const Points& points, const typename Points::Value& y,
                                       const typename Points::Value& sent, float per_noise) {
  const Words label = labels(points, sent);
  const auto likelihood = [&](std::size_t i) __attribute__((always_inline)) {
    return points.distance(y, i) * -per_noise + points.log_share[i];
  };
  Floats most = likelihood(0), of_sent = most;
  for (std::size_t i = 1; i < points.count; ++i) {
    const Floats here = likelihood(i);
    most = greater(here, most);
    of_sent = choose(label == static_cast<std::uint32_t>(i), here, of_sent);
  }
  Floats total = {}, as_sent[kMostBits] = {}, best[kMostBits];
  for (std::size_t b = 0; b < points.bits; ++b) best[b] = all(-std::numeric_limits<float>::max());
  for (std::size_t i = 0; i < points.count; ++i) {
    const Floats here = likelihood(i) - most, p = exponential(here);
    total += p;
    for (std::size_t b = 0; b < points.bits; ++b) {
      const auto same = ((label ^ static_cast<std::uint32_t>(i)) >> static_cast<std::uint32_t>(b) & 1u) == 0u;
      as_sent[b] += choose(same, p, Floats{});
      best[b] = choose(same, greater(here, best[b]), best[b]);
    }
  }
  const Floats log_total = logarithm(total);
  Losses losses{log_total + most - of_sent, {}};
  for (std::size_t b = 0; b < points.bits; ++b) {
    const Floats sum = greater(as_sent[b], all(std::numeric_limits<float>::min()));
    losses.bit += log_total - greater(logarithm(sum), best[b]);
  }
  return losses;
}

// Two levels: the logarithm of 1 and the likelihoods' ratio, of symbol and bit alike.
COHLINK_VECTOR_INLINE Losses losses_of(const AxisPoints<1>& axis, const Floats& y, const Floats& sent,
                                       float per_noise) {
  const float upper = axis.level[0] > 0.0f ? axis.level[0] : axis.level[1];
  const Words below = bits<Words>(sent) & 0x80000000u;
  const Floats x = bits<Floats>(bits<Words>(y * (-4.0f * per_noise * upper)) ^ below);
  const Floats loss = greater(x, Floats{}) + logarithm(1.0f + exponential(-magnitude(x)));
  return {loss, loss};
}

template <class Points>
COHLINK_VECTOR_INLINE Loss sum_losses(const Points& points, std::span<const std::complex<float>> received,
                                      std::span<const std::complex<float>> sent, float per_noise) {
  using Part = typename Points::Part;
  const auto* y = reinterpret_cast<const Part*>(received.data());
  const auto* a = reinterpret_cast<const Part*>(sent.data());
  const std::size_t count = received.size_bytes() / sizeof(Part);
  Loss loss;
  for (std::size_t start = 0; start < count; start += kRun) {
    Losses run;
    for (std::size_t k = start; k < std::min(count, start + kRun); k += kWidth) {
      const std::size_t left = count - k;
      const Losses here = losses_of(points, Points::take(y + k, left), Points::take(a + k, left), per_noise);
      const Floats counted = __builtin_convertvector(first_places(left), Floats);
      run.symbol += counted * here.symbol;
      run.bit += counted * here.bit;
    }
    const FourFloats of = sums(run.symbol, run.bit, run.symbol, run.bit);
    loss.symbol += static_cast<double>(of[0]);
    loss.bit += static_cast<double>(of[1]);
  }
  return loss;
}

COHLINK_VECTOR_CLONES
Loss sum_losses(const Constellation& c, std::span<const std::complex<float>> received,
                std::span<const std::complex<float>> sent, float per_noise) {
  return with_points(
      c, [&](const auto& points)
             __attribute__((always_inline)) { return sum_losses(points, received, sent, per_noise); });
}

// Losses of the stretches of a row, and how their means scatter.
class Stretches {
 public:
  void add(const Loss& loss, std::size_t symbols) {
    const auto n = static_cast<double>(symbols);
    sum_.symbol += loss.symbol;
    sum_.bit += loss.bit;
    squares_ += loss.bit * loss.bit / n;
    symbols_ += n;
    ++count_;
  }
  const Loss& sum() const { return sum_; }
  /// Standard error of the mean loss of bits; nothing of a single stretch.
  std::optional<double> deviation() const {
    if (count_ < 2) return std::nullopt;
    const double between = std::max(0.0, squares_ - sum_.bit * sum_.bit / symbols_);
    return std::sqrt(between / (count_ - 1.0) / symbols_);
  }

 private:
  Loss sum_;
  double squares_ = 0.0, symbols_ = 0.0, count_ = 0.0;
};

// Symbols in whole vectors, but for the last stretch.
std::size_t stretch_of(std::size_t symbols) {
  const std::size_t equal = (symbols + kStretches - 1) / kStretches;
  return std::clamp((equal + kWidth - 1) / kWidth * kWidth, kWidth, kCheckEvery);
}

}  // namespace

Information achievable_information(std::span<const std::complex<float>> received,
                                   std::span<const std::complex<float>> sent, double noise,
                                   Modulation modulation, const Execution& execution) {
  if (received.size() != sent.size() || received.empty())
    throw std::invalid_argument("information needs as many sent as received symbols");
  if (!(noise > 0.0)) throw std::invalid_argument("information needs a noise power above zero");
  if (constellation(modulation).empty())
    throw std::invalid_argument("information of a constellation: Gaussian symbols have none");
  const Constellation& points = constellation(modulation);
  Stretches stretches;
  const std::size_t stretch = stretch_of(received.size());
  for (std::size_t from = 0; from < received.size(); from += stretch) {
    execution.check();
    const std::size_t count = std::min(stretch, received.size() - from);
    stretches.add(sum_losses(points, received.subspan(from, count), sent.subspan(from, count),
                             static_cast<float>(1.0 / noise)),
                  count);
  }
  const Loss loss = stretches.sum();
  const double bits = points.bits(), entropy = points.entropy(),
               nats = std::log(2.0) * static_cast<double>(received.size());
  Information information;
  information.mutual_bits = entropy - loss.symbol / nats;
  information.generalised_bits = entropy - loss.bit / nats;
  information.normalised = 1.0 - loss.bit / nats / bits;
  const std::optional<double> deviation = stretches.deviation();
  information.deviation = deviation ? *deviation / std::log(2.0) / bits : 1.0;
  return information;
}

Information achievable_information(std::span<const std::complex<float>> received,
                                   std::span<const std::complex<double>> sent, double noise,
                                   Modulation modulation, const Execution& execution) {
  const std::vector<std::complex<float>> single(sent.begin(), sent.end());
  return achievable_information(received, std::span<const std::complex<float>>(single), noise, modulation,
                                execution);
}

Information mean(const Information& x, const Information& y) {
  return {0.5 * (x.mutual_bits + y.mutual_bits), 0.5 * (x.generalised_bits + y.generalised_bits),
          0.5 * (x.normalised + y.normalised), 0.5 * std::hypot(x.deviation, y.deviation)};
}

}  // namespace cohlink
