#include "rx/blocks/coarse_frequency.h"

#include <cmath>

#include "rx/blocks/frequency.h"
#include "rx/blocks/operations.h"
#include "rx/rows/row_operations.h"
#include "rx/stage/block.h"
#include "sim/signal/units.h"

namespace cohlink {

CoarseFrequencyEstimator::CoarseFrequencyEstimator(const PulseShape& shape, double sample_rate,
                                                   const FftCache& fft)
    : shape_(shape), sample_rate_(sample_rate), fft_(&fft.get<float>(kSegment)) {}

// Mean of Hann-windowed periodograms, half overlapping (P. D. Welch, IEEE Trans. Audio Electroacoust.
// 15(2) 70, 1967), both rows together.
std::vector<double> CoarseFrequencyEstimator::spectrum(const Field<float>& signal) const {
  std::vector<float> window(kSegment);
  for (std::size_t n = 0; n < kSegment; ++n)
    window[n] = static_cast<float>(0.5 - 0.5 * std::cos(kTwoPi * (static_cast<double>(n) + 0.5) / kSegment));
  std::vector<double> power(kSegment);
  ComplexRow<float> segment(kSegment);
  for (const auto* row : signal.rows())
    for (std::size_t start = 0; start + kSegment <= row->size(); start += kSegment / 2) {
      weigh(Row(*row).subspan(start, kSegment), window, segment);
      fft_->forward(segment);
      add_powers(power, segment);
    }
  return power;
}

double CoarseFrequencyEstimator::match(const std::vector<double>& power, double offset) const {
  double sum = 0.0;
  for (std::size_t k = 0; k < kSegment; ++k) {
    const double amplitude = pulse_spectrum(shape_, bin_frequency(k, kSegment, sample_rate_) - offset);
    sum += power[k] * amplitude * amplitude;
  }
  return sum;
}

double CoarseFrequencyEstimator::operator()(const Field<float>& signal) const {
  if (signal.size() < kSegment) return 0.0;
  const std::vector<double> power = spectrum(signal);
  // A grid over the range, then ever closer round the best of it: the match has one broad top.
  double best = 0.0, step = shape_.symbol_rate / 64;
  for (int halving = 0; halving < 12; ++halving) {
    const int reach = halving == 0 ? 16 : 1;
    double top = -1.0, at = best;
    for (int i = -reach; i <= reach; ++i) {
      const double offset = best + i * step, value = match(power, offset);
      if (value > top) top = value, at = offset;
    }
    best = at;
    step *= 0.5;
  }
  return best;
}

namespace {

// The piece before has the offset better than a spectrum's shape, unless the two have parted by more than
// that shape's first look (symbol_rate / 64) could mistake: then the carrier has moved. `refined`: a finer
// estimate follows.
void remove_coarse_offset(const CoarseFrequencyEstimator& estimator, bool refined, Carried& c) {
  double offset = estimator(c.signal);
  if (refined && c.from != nullptr && c.from->before.frequency_offset_hz) {
    const double before = *c.from->before.frequency_offset_hz;
    if (std::abs(before - offset) < c.symbol_rate / 64) offset = before;
  }
  c.result.frequency_offset_hz = c.result.frequency_offset_hz.value_or(0.0) + offset;
  c.carrier.cycles_per_symbol += offset / c.symbol_rate;
  c.signal = remove_frequency(std::move(c.signal), offset);
}

}  // namespace

Block coarse_frequency_block(const BlockSetting& setting) {
  const CoarseFrequencyEstimator estimator(setting.pulse, setting.two_a_symbol(), setting.fft());
  const bool refined =
      std::find(setting.later.begin(), setting.later.end(), "frequency") != setting.later.end();
  Block block;
  block.apply = [estimator, refined](Carried& c) { remove_coarse_offset(estimator, refined, c); };
  block.cost = cost_of(kSamplesPerSymbol * rotation_operations());
  return block;
}

}  // namespace cohlink
