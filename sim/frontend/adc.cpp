#include "sim/frontend/adc.h"

#include <algorithm>
#include <cmath>

#include "sim/frontend/frontend.h"
#include "sim/signal/interpolate.h"
#include "sim/signal/units.h"

namespace cohlink {
namespace {

// The electrical path before the sampler, on a spectrum: Bessel, or flat up to half the output rate.
void apply_path(ComplexRow<double>& spectrum, double rate, const AdcParameters& adc) {
  const std::size_t n = spectrum.size();
  for (std::size_t k = 0; k < n; ++k) {
    const double f = bin_frequency(k, n, rate);
    if (adc.bandwidth)
      spectrum[k] *= bessel_response(f, *adc.bandwidth);
    else if (std::abs(f) > 0.5 * adc.sample_rate)
      spectrum[k] = 0.0;
  }
}

// Sampling m points a period adds up the bins that alias onto each other.
ComplexRow<double> folded(const ComplexRow<double>& spectrum, std::size_t m) {
  const std::size_t n = spectrum.size();
  ComplexRow<double> out(m);
  for (std::size_t k = 0; k < n; ++k) {
    const auto index = static_cast<long>(k) - (2 * k < n ? 0 : static_cast<long>(n));
    const auto size = static_cast<long>(m);
    out[static_cast<std::size_t>(((index % size) + size) % size)] += spectrum[k];
  }
  return out;
}

struct Lane {
  std::vector<std::int16_t> codes;
  double ampere_per_code = 1.0;
  std::uint64_t clipped = 0;
};

Lane quantise(const std::vector<double>& samples, const AdcParameters& adc) {
  double sum = 0.0;
  for (const double x : samples) sum += x * x;
  const double rms = std::sqrt(sum / static_cast<double>(samples.size()));
  const double half = std::ldexp(1.0, adc.bits - 1);  // codes from -half to half - 1
  Lane lane;
  lane.codes.reserve(samples.size());
  lane.ampere_per_code = rms > 0.0 ? rms / (half * std::pow(10.0, adc.loading_db / 20.0)) : 1.0;
  for (const double x : samples) {
    const double code = std::nearbyint(x / lane.ampere_per_code);
    const double kept = std::clamp(code, -half, half - 1.0);
    lane.clipped += code != kept;
    lane.codes.push_back(static_cast<std::int16_t>(kept));
  }
  return lane;
}

std::vector<double> part(const ComplexRow<double>& row, bool imaginary) {
  std::vector<double> out(row.size());
  std::transform(row.begin(), row.end(), out.begin(),
                 [&](auto z) { return imaginary ? z.imag() : z.real(); });
  return out;
}

}  // namespace

ComplexRow<double> sample_row(const ComplexRow<double>& row, double input_rate, const AdcParameters& adc,
                              FftCache& fft) {
  const std::size_t n = row.size();
  const double exact = static_cast<double>(n) * adc.sample_rate / input_rate;
  const auto m = static_cast<std::size_t>(std::floor(exact * (1.0 + 1e-12)));
  ComplexRow<double> spectrum = row;
  fft.get<double>(n).forward(spectrum);
  apply_path(spectrum, input_rate, adc);
  for (auto& bin : spectrum) bin /= static_cast<double>(n);
  if (std::abs(exact - static_cast<double>(m)) < 1e-9 * exact) {  // a whole number of samples a period
    ComplexRow<double> out = folded(spectrum, m);
    fft.get<double>(m).inverse(out);
    return out;
  }
  const PeriodicInterpolator interpolate(spectrum, fft);
  ComplexRow<double> out(m);
  for (std::size_t k = 0; k < m; ++k)
    out[k] = interpolate(static_cast<double>(k) * static_cast<double>(n) / exact);
  return out;
}

AdcOutput convert(const Field<double>& currents, const AdcParameters& adc, FftCache& fft) {
  AdcOutput out;
  std::size_t lane_index = 0;
  for (const auto* row : currents.rows()) {
    const ComplexRow<double> sampled = sample_row(*row, currents.sample_rate, adc, fft);
    for (const bool imaginary : {false, true}) {
      Lane lane = quantise(part(sampled, imaginary), adc);
      out.lanes[lane_index] = std::move(lane.codes);
      out.ampere_per_code[lane_index] = lane.ampere_per_code;
      out.clipped_samples += lane.clipped;
      ++lane_index;
    }
  }
  return out;
}

}  // namespace cohlink
