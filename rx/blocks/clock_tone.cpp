#include "rx/blocks/clock_tone.h"

#include <cmath>
#include <stdexcept>

#include "rx/rows/row_operations.h"
#include "sim/signal/units.h"

namespace cohlink {

ClockTone::ClockTone(const PulseShape& shape, std::size_t block, const Execution& execution)
    : execution_(execution),
      fft_(&execution_.ffts().get<float>(block)),
      window_(block),
      spectrum_{ComplexRow<float>(block), ComplexRow<float>(block)} {
  if (block < 4 || block % 2 != 0) throw std::invalid_argument("a clock tone's block must be even");
  for (std::size_t n = 0; n < block; ++n)
    window_[n] = static_cast<float>(
        0.5 - 0.5 * std::cos(kTwoPi * (static_cast<double>(n) + 0.5) / static_cast<double>(block)));
  // Bins between the carrier and the symbol rate, block / 2 of them; their partners lie block / 2 below.
  for (std::size_t k = 1; k < block / 2; ++k) {
    const double f = bin_frequency(k, block, 2.0 * shape.symbol_rate);
    const double both = pulse_spectrum(shape, f) * pulse_spectrum(shape, f - shape.symbol_rate);
    if (both < 1e-6) continue;
    if (weight_.empty()) first_ = k;
    weight_.push_back(static_cast<float>(both));
  }
  if (weight_.empty()) throw std::invalid_argument("a clock tone's block is too short for this roll-off");
}

void ClockTone::transform(const Field<float>& signal, std::size_t start) {
  execution_.check();
  for (std::size_t p = 0; p < 2; ++p) {
    weigh(Row(*signal.rows()[p]).subspan(start, block()), window_, spectrum_[p]);
    fft_->forward(spectrum_[p]);
  }
}

void ClockTone::cross(CrossSpectra& out, int shift) const {
  const std::size_t n = block(),
                    lowest = static_cast<std::size_t>(static_cast<std::ptrdiff_t>(first_ + n / 2) + shift);
  for (std::size_t i = 0; i < 2; ++i)
    for (std::size_t j = 0; j < 2; ++j) {
      out[i][j].resize(bins());
      const std::complex<float>* upper = spectrum_[i].data() + first_;
      const ComplexRow<float>& lower = spectrum_[j];
      for (std::size_t k = 0; k < bins(); ++k)
        out[i][j][k] = weight_[k] * upper[k] * std::conj(lower[lowest + k < n ? lowest + k : lowest + k - n]);
    }
}

Jones clock_matrix(const ClockTone::CrossSpectra& cross) {
  Jones m{};
  for (std::size_t i = 0; i < 2; ++i)
    for (std::size_t j = 0; j < 2; ++j)
      for (const auto& value : cross[i][j]) m[i][j] += std::complex<double>(value);
  return m;
}

}  // namespace cohlink
