#include "sim/signal/shaping.h"

#include <algorithm>
#include <boost/math/tools/toms748_solve.hpp>
#include <charconv>
#include <cmath>
#include <iterator>
#include <map>
#include <memory>
#include <mutex>
#include <numeric>
#include <stdexcept>
#include <tuple>

#include "sim/signal/matcher.h"

namespace cohlink {
namespace {

using Points = std::span<const std::complex<double>>;

std::vector<double> boltzmann(Points points, double nu) {
  double least = std::norm(points.front());
  for (const auto& a : points) least = std::min(least, std::norm(a));
  std::vector<double> p;
  for (const auto& a : points) p.push_back(std::exp(-nu * (std::norm(a) - least)));
  const double all = std::accumulate(p.begin(), p.end(), 0.0);
  for (double& share : p) share /= all;
  return p;
}

double entropy_of(const std::vector<double>& p) {
  double bits = 0.0;
  for (const double share : p) bits -= share > 0.0 ? share * std::log2(share) : 0.0;
  return bits;
}

// Amplitude k of an axis as its levels are numbered: the place of |level| among the positive ones.
std::size_t amplitude_of(const AxisLevels& axis, std::size_t level) {
  const auto& positive = axis.positive;
  return static_cast<std::size_t>(std::lround(std::abs(axis.level[level]) / positive.front() - 1.0) / 2);
}

// How often each amplitude of an axis is sent.
std::vector<double> amplitude_shares(const Constellation& c, const std::vector<double>& probability) {
  std::vector<double> shares(c.axis().positive.size());
  for (std::size_t i = 0; i < c.size(); ++i)
    shares[amplitude_of(c.axis(), i / c.axis().count())] += probability[i];
  return shares;
}

ConstantCompositionMatcher matcher_for(const std::vector<double>& shares, std::size_t block) {
  return ConstantCompositionMatcher(composition_of(shares, block));
}

Shaping shaping_of(const Constellation& plain, double entropy_bits, std::size_t block) {
  Shaping shaping{entropy_bits, block};
  shaping.nu = maxwell_boltzmann({&plain[0], plain.size()}, entropy_bits);
  shaping.probability = boltzmann({&plain[0], plain.size()}, shaping.nu);
  if (block == 0) return shaping;
  const std::vector<double> ideal = amplitude_shares(plain, shaping.probability);
  const auto times = composition_of(ideal, block);
  const auto share = [&](std::size_t level) {
    return 0.5 * static_cast<double>(times[amplitude_of(plain.axis(), level)]) / static_cast<double>(block);
  };
  const std::size_t count = plain.axis().count();
  for (std::size_t i = 0; i < plain.size(); ++i) shaping.probability[i] = share(i / count) * share(i % count);
  shaping.loss_bits = 2.0 * ConstantCompositionMatcher(times).loss();
  return shaping;
}

// One after the other, no word of the stream wasted.
class FairBits {
 public:
  explicit FairBits(RandomStream& random) : random_(random) {}
  std::uint8_t next() {
    if (used_ == 64) word_ = random_.bits(), used_ = 0;
    return static_cast<std::uint8_t>(word_ >> used_++ & 1u);
  }

 private:
  RandomStream& random_;
  std::uint64_t word_ = 0;
  int used_ = 64;
};

// Amplitudes of one axis after the other, drawn one by one or a block at a time.
std::vector<unsigned> draw_amplitudes(const Constellation& c, std::size_t count, RandomStream& random) {
  const std::vector<double> shares = amplitude_shares(c, c.shaping().probability);
  std::vector<unsigned> out;
  out.reserve(count);
  if (c.shaping().matcher_block == 0) {
    std::vector<double> below(shares.size());
    std::partial_sum(shares.begin(), shares.end(), below.begin());
    below.back() = 1.0;
    for (std::size_t k = 0; k < count; ++k)
      out.push_back(static_cast<unsigned>(std::upper_bound(below.begin(), below.end(), random.uniform()) -
                                          below.begin()));
    return out;
  }
  const ConstantCompositionMatcher matcher = matcher_for(shares, c.shaping().matcher_block);
  if (count % matcher.block() != 0)
    throw std::invalid_argument("symbols do not fill whole blocks of the matcher");
  Bits bits(matcher.bits());
  FairBits fair(random);
  while (out.size() < count) {
    for (auto& bit : bits) bit = fair.next();
    const std::vector<unsigned> block = matcher.match(bits);
    out.insert(out.end(), block.begin(), block.end());
  }
  return out;
}

}  // namespace

bool can_be_shaped(Modulation modulation) { return constellation(modulation).axis().count() > 2; }

double maxwell_boltzmann(Points points, double entropy_bits) {
  const auto excess = [&](double nu) { return entropy_of(boltzmann(points, nu)) - entropy_bits; };
  double most = 1.0;
  for (int i = 0; i < 12 && excess(most) > 0.0; ++i) most *= 2.0;
  if (excess(0.0) < 0.0 || excess(most) > 0.0)
    throw std::invalid_argument("no shaping of these points has that entropy");
  std::uintmax_t steps = 100;
  const auto [low, high] = boost::math::tools::toms748_solve(
      excess, 0.0, most, boost::math::tools::eps_tolerance<double>(50), steps);
  return 0.5 * (low + high);
}

Modulation shaped(Modulation modulation, double entropy_bits, std::size_t matcher_block) {
  const Modulation base(modulation.row());
  if (!can_be_shaped(base))
    throw std::invalid_argument(std::string(modulation_name(base)) + " cannot be shaped");
  if (!(entropy_bits >= kLeastEntropy && entropy_bits <= bits_per_symbol(base)))
    throw std::invalid_argument("a shaped symbol has at least 2.1 bits and at most all of its own");
  if (matcher_block > kLongestBlock)
    throw std::invalid_argument("a matcher's block has at most 4096 amplitudes");
  if (entropy_bits == bits_per_symbol(base)) return base;
  static std::mutex mutex;
  static std::map<std::tuple<std::size_t, double, std::size_t>, std::unique_ptr<const Constellation>> kept;
  const std::scoped_lock lock(mutex);
  auto& there = kept[{base.row(), entropy_bits, matcher_block}];
  if (!there) {
    const Constellation& plain = constellation(base);
    there = std::make_unique<const Constellation>(
        plain.name(), std::vector<std::complex<double>>(plain.begin(), plain.end()),
        shaping_of(plain, entropy_bits, matcher_block));
  }
  return Modulation(base.row(), there.get());
}

std::string modulation_title(Modulation modulation) {
  const Constellation& c = constellation(modulation);
  if (!c.is_shaped()) return std::string(c.name());
  const std::size_t block = c.shaping().matcher_block;
  char bits[32];
  const auto end = std::to_chars(std::begin(bits), std::end(bits), c.shaping().entropy_bits);
  return std::string(c.name()) + " of " + std::string(bits, end.ptr) + " bits" +
         (block > 0 ? " in blocks of " + std::to_string(block) : "");
}

Bits shaped_bits(Modulation modulation, std::size_t count, RandomStream random) {
  const Constellation& c = constellation(modulation);
  if (!c.is_shaped()) throw std::invalid_argument("a format without shaping has no shaped bits");
  const AxisLevels& axis = c.axis();
  std::array<std::vector<std::size_t>, 2> label;  // [negative][amplitude]
  for (auto& side : label) side.resize(axis.positive.size());
  for (std::size_t level = 0; level < axis.count(); ++level)
    label[axis.level[level] < 0.0][amplitude_of(axis, level)] = level;
  const std::vector<unsigned> amplitudes = draw_amplitudes(c, 2 * count, random);
  const int each = c.bits() / 2;
  FairBits sign(random);
  Bits bits;
  bits.reserve(count * static_cast<std::size_t>(c.bits()));
  for (const unsigned amplitude : amplitudes) {
    const std::size_t of = label[sign.next()][amplitude];
    for (int b = each - 1; b >= 0; --b) bits.push_back(static_cast<std::uint8_t>(of >> b & 1u));
  }
  return bits;
}

}  // namespace cohlink
