#include "sim/signal/pulse.h"

#include <algorithm>
#include <cmath>
#include <vector>

#include "sim/signal/units.h"

namespace cohlink {

double pulse_band_edge(const PulseShape& shape) {
  return shape.pulse == Pulse::kRrc ? 0.5 * shape.symbol_rate * (1.0 + shape.roll_off) : shape.symbol_rate;
}

double pulse_spectrum(const PulseShape& shape, double frequency) {
  const double f = std::abs(frequency) / shape.symbol_rate;  // in symbol rates
  if (shape.pulse == Pulse::kNrz) {
    if (f >= 1.0) return 0.0;
    return f == 0.0 ? 1.0 : std::sin(kPi * f) / (kPi * f);
  }
  const double flat = 0.5 * (1.0 - shape.roll_off), edge = 0.5 * (1.0 + shape.roll_off);
  if (f <= flat) return 1.0;
  if (f >= edge) return 0.0;
  return std::cos(0.5 * kPi * (f - flat) / shape.roll_off);
}

namespace {

// At bins 0 and up, as far as anything passes; a bin below 0 has what its mirror has.
std::vector<double> pulse_response(const PulseShape& shape, std::size_t n, double rate) {
  std::vector<double> response;
  for (std::size_t k = 0; 2 * k <= n; ++k) {
    const double h = pulse_spectrum(shape, bin_frequency(k, n, rate));
    if (h == 0.0) break;
    response.push_back(h);
  }
  return response;
}

}  // namespace

ComplexRow<double> shape_symbols(std::span<const std::complex<double>> symbols, const PulseShape& shape,
                                 std::size_t samples_per_symbol, const FftCache& fft) {
  const std::size_t n = symbols.size() * samples_per_symbol;
  const double rate = shape.symbol_rate * static_cast<double>(samples_per_symbol);
  // Symbols with zeros between them have the symbols' own spectrum over and over.
  ComplexRow<double> spectrum(symbols.begin(), symbols.end());
  fft.get<double>(spectrum.size()).forward(spectrum);
  const std::vector<double> response = pulse_response(shape, n, rate);
  // The bins that pass: so many from 0 up, and so many below it. Bin n/2 of an even length is one of the
  // latter.
  const std::size_t above = std::min(response.size(), (n + 1) / 2);
  const std::size_t below = std::min(response.size() - 1, n / 2);
  // White symbols have a flat spectrum, so the mean power follows the pulse's energy; the discrete sum
  // is used, so that it is exact on this grid.
  double energy = 0.0;
  for (std::size_t k = 0; k < above; ++k) energy += response[k] * response[k];
  for (std::size_t k = 1; k <= below; ++k) energy += response[k] * response[k];
  // Parseval: mean |a|^2 before scaling is sum(h^2) symbols / n^2 x unit symbol power (after n-scaling).
  const double scale = 1.0 / std::sqrt(energy * static_cast<double>(symbols.size()));
  ComplexRow<double> row(n);
  for (std::size_t k = 0; k < above; ++k) row[k] = scale * response[k] * spectrum[k % spectrum.size()];
  for (std::size_t k = 1; k <= below; ++k)
    row[n - k] = scale * response[k] * spectrum[(n - k) % spectrum.size()];
  fft.get<double>(n).inverse(row);
  return row;
}

}  // namespace cohlink
