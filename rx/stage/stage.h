// What a receiver block left behind, for pictures: constellation, spectrum and the block's own signals.
#pragma once

#include <array>
#include <complex>
#include <string>
#include <vector>

#include "sim/signal/constellation.h"
#include "sim/signal/execution/fft.h"
#include "sim/signal/field.h"

namespace cohlink {

/// Something a block measured along the capture: an error it drives to zero or an estimate it removes.
struct StageSignal {
  std::string name, unit;                // "carrier phase", "rad"
  std::vector<double> symbol;            // where: symbols from the start of the capture
  std::vector<std::vector<float>> rows;  // one for both polarisations or one each
};

struct Stage {
  std::string block;                                       // name as in dsp.chain
  double samples_per_symbol = 1.0;                         // after the block
  std::array<std::vector<std::complex<float>>, 2> points;  // about one per symbol, unit mean power
  std::vector<double> frequency_hz;                        // of the spectra, ascending, FFT sign
  std::array<std::vector<float>, 2> spectrum_db;           // power density over the mean density of both rows
  std::vector<StageSignal> signals;
};

inline constexpr std::size_t kStagePoints = 4096;  // most kept of each constellation and signal
inline constexpr std::size_t kStageBins = 512;     // of a spectrum

/// Points and spectra of `signal`. Points come from the middle of the row; the spectra are averaged over
/// Hann-windowed periodograms (P. D. Welch, IEEE Trans. Audio Electroacoust. 15(2) 70, 1967) of up to 128
/// stretches spread over it; a row shorter than one stretch has none.
Stage record_stage(const std::string& block, const Field<float>& signal, double symbol_rate,
                   const FftCache& fft);

/// `values` (one each `step` symbols from `start` on) thinned to kStagePoints, by picking.
template <class Values>
StageSignal record_signal(std::string name, std::string unit, const std::vector<Values>& rows, double start,
                          double step) {
  StageSignal signal{std::move(name), std::move(unit), {}, {}};
  const std::size_t count = rows.empty() ? 0 : rows.front().size();
  const std::size_t stride = (count + kStagePoints - 1) / kStagePoints;
  for (std::size_t i = 0; i < count; i += stride)
    signal.symbol.push_back(start + step * static_cast<double>(i));
  for (const auto& row : rows) {
    signal.rows.emplace_back();
    for (std::size_t i = 0; i < count; i += stride) signal.rows.back().push_back(static_cast<float>(row[i]));
  }
  return signal;
}

/// rms over runs of `run` symbols of how far |y|^2 is from the nearest ring's power, in units of the row's
/// mean power: the error a blind equaliser sees, whatever the carrier phase. Both rows, one value a run.
std::vector<std::vector<float>> modulus_error(const Field<float>& symbols, const Constellation& constellation,
                                              std::size_t run);

}  // namespace cohlink
