#include "sim/transmitter/dac.h"

#include <algorithm>
#include <cmath>

#include "sim/signal/units.h"

namespace cohlink {
namespace {

double sinc(double x) { return x == 0.0 ? 1.0 : std::sin(kPi * x) / (kPi * x); }

// The inverse of the analogue response, no larger than `limit`.
std::complex<double> emphasis(std::complex<double> response, double limit) {
  const double magnitude = std::abs(response);
  const std::complex<double> turn = magnitude > 0.0 ? std::conj(response) / magnitude : 1.0;
  return turn * (magnitude * limit > 1.0 ? 1.0 / magnitude : limit);
}

// Up to half the converter's rate; beyond it nothing is done.
LaneFilter emphasis_of(const DacParameters& p, const LaneFilter& response,
                       const std::vector<double>& frequencies, double rate) {
  const double limit = std::pow(10.0, p.preemphasis_db / 20.0);
  const double nyquist = 0.5 * p.sample_rate.value_or(rate);
  LaneFilter filter(response.size(), 1.0);
  for (std::size_t k = 0; k < filter.size(); ++k)
    if (std::abs(frequencies[k]) <= nyquist) filter[k] = emphasis(response[k], limit);
  return filter;
}

// Values at the converter's own instants.
ComplexRow<double> resampled(const ComplexRow<double>& row, std::size_t m, const FftCache& fft) {
  if (m == row.size()) return row;
  ComplexRow<double> spectrum = row;
  fft.get<double>(row.size()).forward(spectrum);
  for (auto& bin : spectrum) bin /= static_cast<double>(row.size());
  ComplexRow<double> out = folded_spectrum(spectrum, m, {spectrum.size()});
  fft.get<double>(m).inverse(out);
  return out;
}

void quantise(ComplexRow<double>& samples, const DacParameters& p, RandomStream& random, DacReport& report) {
  if (!p.quantiser) return;
  Quantiser quantiser(*p.quantiser);
  const auto step = [&](double level) {
    return level > 0.0 ? level / p.loading / quantiser.full_scale() : 1.0;
  };
  const auto [level_i, level_q] = lane_rms(samples);
  const double step_i = step(level_i), step_q = step(level_q);
  for (auto& z : samples) z = {z.real() / step_i, z.imag() / step_q};
  quantiser({reinterpret_cast<double*>(samples.data()), 2 * samples.size()}, random);
  for (auto& z : samples) z = {step_i * z.real(), step_q * z.imag()};
  report.clipped_samples += quantiser.clipped();
}

// Impulses at the converter's rate, seen on the simulation's grid through hold and path.
void hold(ComplexRow<double>& row, ComplexRow<double> samples, const LaneFilter& response,
          const FftCache& fft) {
  const std::size_t n = row.size(), m = samples.size();
  fft.get<double>(m).forward(samples);
  for (std::size_t k = 0; k < n; ++k) {
    const std::size_t image = 2 * k < n ? k % m : (m - (n - k) % m) % m;
    const std::complex<double> h = 2 * k <= n ? response[k] : std::conj(response[n - k]);
    row[k] = samples[image] * h / static_cast<double>(m);
  }
  fft.get<double>(n).inverse(row);
}

}  // namespace

DacResponse::DacResponse(const DacParameters& p) : sample_rate_(p.sample_rate) {
  if (p.bandwidth) path_.emplace(p.bandwidth_order, *p.bandwidth);
}

LaneFilter DacResponse::operator()(std::span<const double> frequencies) const {
  LaneFilter response = path_ ? (*path_)(frequencies) : LaneFilter(frequencies.size(), 1.0);
  if (sample_rate_)
    for (std::size_t k = 0; k < response.size(); ++k) response[k] *= sinc(frequencies[k] / *sample_rate_);
  return response;
}

DacReport convert_to_analogue(Field<double>& drive, const DacParameters& p, const RandomStreams& streams,
                              const FftCache& fft) {
  DacReport report;
  RandomStream random = streams.stream("dac-noise");
  const double rate = drive.sample_rate;
  const double converter_rate = p.sample_rate.value_or(rate);
  const auto m =
      static_cast<std::size_t>(std::llround(static_cast<double>(drive.size()) * converter_rate / rate));
  report.sample_rate = static_cast<double>(m) / static_cast<double>(drive.size()) * rate;
  const bool shaped = p.sample_rate || p.bandwidth;
  if (!shaped && !p.quantiser) return report;
  const std::vector<double> frequencies = bins_from_zero(drive.size(), rate);
  const LaneFilter response = shaped ? DacResponse(p)(frequencies) : LaneFilter();
  for (auto* row : drive.rows()) {
    if (p.preemphasis_db > 0.0 && shaped)
      filter_lanes(*row, emphasis_of(p, response, frequencies, rate), fft);
    ComplexRow<double> samples = resampled(*row, m, fft);
    quantise(samples, p, random, report);
    if (shaped)
      hold(*row, std::move(samples), response, fft);
    else
      *row = std::move(samples);
  }
  return report;
}

}  // namespace cohlink
