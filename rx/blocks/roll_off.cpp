#include "rx/blocks/roll_off.h"

#include <cmath>
#include <limits>
#include <vector>

#include "rx/stage/block.h"
#include "sim/signal/units.h"

namespace cohlink {
namespace {

constexpr double kLeast = 0.01, kMost = 1.0;

// Mean of half overlapping Hann-windowed periodograms, both rows together.
std::vector<double> mean_spectrum(const Field<float>& signal, std::size_t segment, const Fft<float>& fft) {
  std::vector<double> power(segment);
  ComplexRow<float> windowed(segment);
  for (const auto* row : signal.rows())
    for (std::size_t start = 0; start + segment <= row->size(); start += segment / 2) {
      for (std::size_t n = 0; n < segment; ++n) {
        const double turn = (static_cast<double>(n) + 0.5) / static_cast<double>(segment);
        windowed[n] = static_cast<float>(0.5 - 0.5 * std::cos(kTwoPi * turn)) * (*row)[start + n];
      }
      fft.forward(windowed);
      for (std::size_t k = 0; k < segment; ++k) power[k] += std::norm(windowed[k]);
    }
  return power;
}

}  // namespace

RollOffEstimator::RollOffEstimator(const PulseShape& shape, double sample_rate, const FftCache& fft)
    : shape_(shape), sample_rate_(sample_rate), fft_(&fft.get<float>(kSegment)) {}

// What is left of the power after the best gain and the best floor, where no filter before has cut.
double RollOffEstimator::misfit(const std::vector<double>& power, double roll_off) const {
  const PulseShape tried{Pulse::kRrc, roll_off, shape_.symbol_rate};
  const double band = pulse_band_edge(shape_);
  double n = 0, s = 0, ss = 0, p = 0, pp = 0, sp = 0;
  for (std::size_t k = 0; k < kSegment; ++k) {
    const double f = bin_frequency(k, kSegment, sample_rate_);
    if (std::abs(f) > band) continue;
    const double amplitude = pulse_spectrum(tried, f), shape = amplitude * amplitude;
    n += 1, s += shape, ss += shape * shape, p += power[k], pp += power[k] * power[k], sp += shape * power[k];
  }
  const double variance = ss - s * s / n, covariance = sp - s * p / n;
  return pp - p * p / n - (variance > 0.0 ? covariance * covariance / variance : 0.0);
}

std::optional<double> RollOffEstimator::operator()(const Field<float>& signal) const {
  if (signal.size() < kSegment) return std::nullopt;
  const std::vector<double> power = mean_spectrum(signal, kSegment, *fft_);
  // A grid over the range, then ever closer round the best of it.
  double best = kLeast, least = std::numeric_limits<double>::infinity();
  const auto look_at = [&](double roll_off) {
    if (roll_off < kLeast || roll_off > kMost) return;
    if (const double here = misfit(power, roll_off); here < least) least = here, best = roll_off;
  };
  constexpr double kStep = 0.02;
  for (double roll_off = kLeast; roll_off <= kMost; roll_off += kStep) look_at(roll_off);
  for (double step = 0.5 * kStep; step > 1e-4; step *= 0.5)
    for (const double centre = best; const double side : {-step, step}) look_at(centre + side);
  if (!(least < std::numeric_limits<double>::infinity())) return std::nullopt;
  return best;
}

Block roll_off_block(const BlockSetting& setting) {
  const RollOffEstimator estimator(setting.pulse, setting.two_a_symbol(), setting.fft());
  Block block;
  block.apply = [estimator](Carried& c) {
    if (const auto roll_off = estimator(c.signal))
      c.result.measured.push_back({"roll_off", *roll_off});
    else
      c.result.warnings.push_back("roll-off: no spectrum to read it from");
  };
  return block;
}

}  // namespace cohlink
