#include "sim/signal/interpolate.h"

#include <algorithm>
#include <cmath>

#include "sim/signal/instruction_sets.h"
#include "sim/signal/units.h"
#include "sim/signal/vectors.h"

namespace cohlink {
namespace {

constexpr int kTaps = InterpolationWeights::kTaps, kHalf = kTaps / 2;
constexpr int kPhases =
    InterpolationWeights::kPhases;  // linear between: error (pi/kPhases)^2/8, below -140 dB

double kaiser(double x, double beta) {  // x in [-1, 1]
  return std::cyl_bessel_i(0.0, beta * std::sqrt(std::max(0.0, 1.0 - x * x))) / std::cyl_bessel_i(0.0, beta);
}

InterpolationWeights make_weights() {
  // The dense row is empty above a quarter of its rate, so the filter may fall from one at 1/4 to zero at
  // 3/4: a transition of half the rate. Kaiser's formula for 24 taps then allows 170 dB; beta = 0.1102 (A
  // - 8.7).
  constexpr double beta = 0.1102 * (165.0 - 8.7);
  InterpolationWeights weights;
  auto& table = weights.at;
  table.resize(kPhases + 1);
  for (int phase = 0; phase <= kPhases; ++phase) {
    double sum = 0.0;
    for (int tap = 0; tap < kTaps; ++tap) {
      const double distance = static_cast<double>(phase) / kPhases + kHalf - 1 - tap;
      const double sinc = distance == 0.0 ? 1.0 : std::sin(kPi * distance) / (kPi * distance);
      table[phase][tap] = sinc * kaiser(distance / kHalf, beta);
      sum += table[phase][tap];
    }
    for (double& weight : table[phase]) weight /= sum;
  }
  return weights;
}

// `row` holds `length` samples and the first kTaps - 1 of them again.
struct DenseRow {
  const double* row;
  std::size_t length;
};

// Where the weighing of a position begins in a dense row, and with which weights.
struct Place {
  std::size_t first, phase;
  double mix;
};

inline Place place_of(double position, std::size_t length) {
  const double dense = 2.0 * position;
  auto base = static_cast<long>(dense);
  base -= static_cast<double>(base) > dense;  // floor
  const double phase = (dense - static_cast<double>(base)) * kPhases;
  const auto low = std::min<std::size_t>(static_cast<std::size_t>(phase), kPhases - 1);
  const auto n = static_cast<long>(length);
  long first = base - kHalf + 1;
  if (first < 0 || first >= n) first = (first % n + n) % n;
  return {static_cast<std::size_t>(first), low, phase - static_cast<double>(low)};
}

template <int kLanes>
struct VectorOf {
  typedef double Type __attribute__((vector_size(8 * kLanes)));
};

// Written once over vectors of kLanes numbers, and inlined into a function for each instruction set.
template <int kLanes>
COHLINK_VECTOR_INLINE void weigh(const DenseRow& dense, const double* position, double* out,
                                 std::size_t count) {
  using R = typename VectorOf<kLanes>::Type;
  const auto& table = interpolation_weights().at;
  for (std::size_t i = 0; i < count; ++i) {
    const Place place = place_of(position[i], dense.length);
    const double *a = table[place.phase].data(), *b = table[place.phase + 1].data();
    R sum{};
    for (int tap = 0; tap < kTaps; tap += kLanes) {
      const R low = vectors::load<R>(a + tap), high = vectors::load<R>(b + tap);
      sum += (low + place.mix * (high - low)) * vectors::load<R>(dense.row + place.first + tap);
    }
    double total = 0.0;
    for (int lane = 0; lane < kLanes; ++lane) total += sum[lane];
    out[i] = total;
  }
}

using Weigh = void (*)(const DenseRow&, const double*, double*, std::size_t);

void weigh_portable(const DenseRow& dense, const double* position, double* out, std::size_t count) {
  weigh<2>(dense, position, out, count);
}
#if COHLINK_X86
COHLINK_AVX2 void weigh_avx2(const DenseRow& dense, const double* position, double* out, std::size_t count) {
  weigh<4>(dense, position, out, count);
}
COHLINK_AVX512 void weigh_avx512(const DenseRow& dense, const double* position, double* out,
                                 std::size_t count) {
  weigh<8>(dense, position, out, count);
}
#endif

Weigh best_weigh() {
#if COHLINK_X86
  static const Weigh best = has_avx512() ? weigh_avx512 : has_avx2() ? weigh_avx2 : weigh_portable;
  return best;
#else
  return weigh_portable;
#endif
}

}  // namespace

const InterpolationWeights& interpolation_weights() {
  static const InterpolationWeights weights = make_weights();
  return weights;
}

PeriodicInterpolator::PeriodicInterpolator(const ComplexRow<double>& spectrum, const FftCache& fft)
    : length_(2 * spectrum.size()) {
  const std::size_t n = spectrum.size();
  ComplexRow<double> dense(length_);
  for (std::size_t k = 0; k < n; ++k) dense[2 * k < n ? k : k + n] = spectrum[k];
  fft.get<double>(length_).inverse(dense);
  for (auto& part : parts_) part.resize(length_ + kTaps - 1);
  for (std::size_t i = 0; i < length_; ++i) {
    parts_[0][i] = dense[i].real();
    parts_[1][i] = dense[i].imag();
  }
  for (auto& part : parts_)
    for (std::size_t i = 0; i < kTaps - 1; ++i) part[length_ + i] = part[i % length_];
}

std::complex<double> PeriodicInterpolator::operator()(double position) const {
  double re = 0.0, im = 0.0;
  best_weigh()({parts_[0].data(), length_}, &position, &re, 1);
  best_weigh()({parts_[1].data(), length_}, &position, &im, 1);
  return {re, im};
}

void PeriodicInterpolator::operator()(Part part, std::span<const double> positions,
                                      std::span<double> out) const {
  const std::vector<double>& row = parts_[part == Part::kReal ? 0 : 1];
  best_weigh()({row.data(), length_}, positions.data(), out.data(), out.size());
}

}  // namespace cohlink
