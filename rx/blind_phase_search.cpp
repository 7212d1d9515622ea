#include "rx/blind_phase_search.h"

#include <algorithm>
#include <bit>
#include <cmath>
#include <cstdint>
#include <stdexcept>

#include "sim/signal/units.h"

namespace cohlink {
namespace {

constexpr std::size_t kVector = 8;   // floats that the loops below handle together
constexpr std::size_t kChunk = 512;  // symbols whose distances are kept at once
constexpr std::size_t kMostPhases = 1024;

// Squared distance of one coordinate to the nearest level. QPSK: +-1/sqrt 2. 16QAM: +-1, +-3 over
// sqrt 10, by folding at zero and again half way between the levels.
inline float qpsk_axis(float u) {
  const float d = std::fabs(u) - 0.70710678f;
  return d * d;
}
inline float qam16_axis(float u) {
  const float d = std::fabs(std::fabs(u) - 0.63245553f) - 0.31622777f;
  return d * d;
}

// Least of sums[0, phases): the index rides in the low bits of the (positive) float, so that a plain integer
// minimum, which vectorises, finds both. Costs the comparison its last ten bits at most.
unsigned least(const float* sums, std::size_t phases, std::uint32_t index_mask) {
  std::uint32_t best = 0xffffffffu;
  for (std::uint32_t b = 0; b < phases; ++b)
    best = std::min(best, (std::bit_cast<std::uint32_t>(sums[b]) & ~index_mask) | b);
  return best & index_mask;
}

}  // namespace

BlindPhaseSearch::BlindPhaseSearch(const BlindPhaseSearchParameters& parameters) : p_(parameters) {
  if (p_.modulation == Modulation::kGaussian)
    throw std::invalid_argument("blind phase search needs a constellation");
  if (p_.window < 1) throw std::invalid_argument("phase window below one symbol");
  if (p_.test_phases < 4 || p_.test_phases > static_cast<int>(kMostPhases))
    throw std::invalid_argument("test phases outside 4 to 1024");
  const auto phases = static_cast<std::size_t>(p_.test_phases);
  lanes_ = (phases + kVector - 1) / kVector * kVector;
  cos_.resize(lanes_);
  sin_.resize(lanes_);
  for (std::size_t b = 0; b < lanes_; ++b) {
    const double phase = (static_cast<double>(b) / static_cast<double>(phases) - 0.5) * 0.5 * kPi;
    cos_[b] = static_cast<float>(std::cos(phase));
    sin_[b] = static_cast<float>(std::sin(phase));
  }
}

void BlindPhaseSearch::add_distances(const std::complex<float>& y, float* distance) const {
  const float re = y.real(), im = y.imag();
  const float *c = cos_.data(), *s = sin_.data();
  if (p_.modulation == Modulation::kQpsk) {
    for (std::size_t b = 0; b < lanes_; ++b)
      distance[b] += qpsk_axis(re * c[b] + im * s[b]) + qpsk_axis(im * c[b] - re * s[b]);
  } else {
    for (std::size_t b = 0; b < lanes_; ++b)
      distance[b] += qam16_axis(re * c[b] + im * s[b]) + qam16_axis(im * c[b] - re * s[b]);
  }
}

double BlindPhaseSearch::interpolate(const float* sums, unsigned best) const {
  const auto phases = static_cast<unsigned>(p_.test_phases);
  const double left = sums[(best + phases - 1) % phases], centre = sums[best],
               right = sums[(best + 1) % phases];
  const double curvature = left - 2.0 * centre + right;
  const double shift = curvature > 0.0 ? std::clamp(0.5 * (left - right) / curvature, -0.5, 0.5) : 0.0;
  return ((best + shift) / phases - 0.5) * 0.5 * kPi;
}

double BlindPhaseSearch::block_phase(std::span<const std::complex<float>> symbols) const {
  alignas(64) float sums[kMostPhases] = {};
  for (const auto& y : symbols) add_distances(y, sums);
  const auto phases = static_cast<std::size_t>(p_.test_phases);
  return interpolate(sums, least(sums, phases, static_cast<std::uint32_t>(std::bit_ceil(phases) - 1)));
}

std::vector<double> BlindPhaseSearch::operator()(std::span<const std::complex<float>* const> rows,
                                                 std::size_t count) const {
  const auto half = static_cast<std::size_t>(half_window());
  const auto phases = static_cast<std::size_t>(p_.test_phases);
  const auto mask = static_cast<std::uint32_t>(std::bit_ceil(phases) - 1);
  std::vector<double> phase(count);
  AlignedVector<float> distance((kChunk + 2 * half + 1) * lanes_), sums(lanes_);
  for (std::size_t start = 0; start < count; start += kChunk) {
    // Distances of the chunk's symbols and half a window on either side, as far as there are symbols.
    const std::size_t end = std::min(count, start + kChunk);
    const std::size_t from = start - std::min(start, half), to = std::min(count, end + half);
    std::fill(distance.begin(), distance.end(), 0.0f);
    for (std::size_t k = from; k < to; ++k)
      for (const auto* row : rows) add_distances(row[k], distance.data() + (k - from) * lanes_);
    // Running sums over the window, begun afresh in each chunk so that rounding cannot pile up.
    // The small start keeps them positive (least() reads their bits) whatever the rounding.
    std::fill(sums.begin(), sums.end(), 1e-3f);
    std::size_t oldest = from, next = from;
    for (std::size_t k = start; k < end; ++k) {
      for (; next < std::min(to, k + half + 1); ++next) {
        const float* d = distance.data() + (next - from) * lanes_;
        for (std::size_t b = 0; b < lanes_; ++b) sums[b] += d[b];
      }
      for (; oldest + half < k; ++oldest) {
        const float* d = distance.data() + (oldest - from) * lanes_;
        for (std::size_t b = 0; b < lanes_; ++b) sums[b] -= d[b];
      }
      phase[k] = interpolate(sums.data(), least(sums.data(), phases, mask));
    }
  }
  unwrap(phase, 0.5 * kPi);
  return phase;
}

void unwrap(std::vector<double>& phase, double period) {
  double before = phase.empty() ? 0.0 : phase.front();
  for (double& p : phase) {
    p += period * std::round((before - p) / period);
    before = p;
  }
}

}  // namespace cohlink
