#include "sim/frontend/adc.h"

#include <algorithm>
#include <cmath>
#include <span>
#include <utility>

#include "sim/electronics/lanes.h"
#include "sim/frontend/adc_parts.h"
#include "sim/signal/interpolate.h"
#include "sim/signal/phasors.h"
#include "sim/signal/units.h"

namespace cohlink {
namespace {

constexpr std::size_t kTogether = 4096;  // instants made and interpolated at a time: they stay in the cache

// Gaussian draws brought to mean 0 and the given standard deviation exactly; a single one becomes 0.
std::vector<double> spread(std::size_t count, double deviation, RandomStream& random) {
  std::vector<double> values(count);
  double mean = 0.0, power = 0.0;
  for (double& v : values) mean += (v = random.normal()) / static_cast<double>(count);
  for (double& v : values) {
    v -= mean;
    power += v * v / static_cast<double>(count);
  }
  for (double& v : values) v *= count > 1 ? deviation / std::sqrt(power) : 0.0;
  return values;
}

// Divided by the length, and nothing outside the band.
void cut(ComplexRow<double>& spectrum, const Band& band) {
  const std::size_t n = spectrum.size(), above = band.above(n), below = band.below(n);
  for (std::size_t k = 0; k < n; ++k)
    spectrum[k] *= k < above || k >= n - below ? 1.0 / static_cast<double>(n) : 0.0;
}

// The instants of one lane.
class Clock {
 public:
  Clock(const AdcParameters& p, const AdcErrors& errors, std::size_t lane, double sine_start)
      : p_(p), timing_(errors.sub_timing[lane]), skew_(p.skew[lane]), sine_start_(sine_start) {}

  const AdcParameters& parameters() const { return p_; }

  /// Of samples `first` and on, in seconds; asked for in order.
  void operator()(std::size_t first, std::span<double> instants, RandomStream& jitter) const {
    std::vector<double> phase(instants.size());
    std::size_t sub = first % timing_.size();
    for (std::size_t i = 0; i < instants.size(); ++i) {
      const double t =
          (static_cast<double>(first + i) + p_.clock_phase) / (p_.sample_rate * (1.0 + p_.clock_offset));
      instants[i] = t - skew_ + timing_[sub];
      phase[i] = kTwoPi * p_.sine_jitter_rate * t + sine_start_;
      if (++sub == timing_.size()) sub = 0;
    }
    if (p_.sine_jitter > 0.0) add_sine(phase, instants);
    if (p_.jitter > 0.0)
      for (double& instant : instants) instant += p_.jitter * jitter.normal();
  }

 private:
  void add_sine(const std::vector<double>& phase, std::span<double> instants) const {
    std::vector<std::complex<double>> turned(phase.size());
    fill_phasors(phase, turned);
    for (std::size_t i = 0; i < instants.size(); ++i) instants[i] += p_.sine_jitter * turned[i].imag();
  }

  const AdcParameters& p_;
  const std::vector<double>& timing_;
  double skew_, sine_start_;
};

// Both lanes of a row, `clocks` theirs, when their instants are not on one uniform grid.
std::array<std::vector<double>, 2> sample_apart(ComplexRow<double> row, double input_rate,
                                                std::span<const Clock, 2> clocks, RandomStream& jitter,
                                                const Execution& execution) {
  const AdcParameters& p = clocks[0].parameters();
  const double rate = p.sample_rate * (1.0 + p.clock_offset);
  execution.ffts().get<double>(row.size()).forward(row);
  cut(row, InputBand{input_rate, rate, p.flat_band}.of(row.size()));
  const PeriodicInterpolator interpolate(row, execution.ffts());
  const std::size_t samples = samples_in_period(static_cast<double>(row.size()) * rate / input_rate);
  std::array<std::vector<double>, 2> out;
  std::vector<double> instants(std::min(samples, kTogether));
  for (std::size_t q = 0; q < 2; ++q) {
    out[q].resize(samples);
    for (std::size_t k = 0; k < samples; k += kTogether) {
      execution.check();
      const std::span<double> now(instants.data(), std::min(kTogether, samples - k));
      clocks[q](k, now, jitter);
      for (double& instant : now) instant *= input_rate;
      using Part = PeriodicInterpolator::Part;
      interpolate(q == 0 ? Part::kReal : Part::kImaginary, now, std::span(out[q]).subspan(k, now.size()));
    }
  }
  return out;
}

std::array<std::vector<double>, 2> sample_together(ComplexRow<double> row, double input_rate,
                                                   const AdcParameters& p, const FftCache& fft) {
  const auto sampled =
      sample_row(std::move(row), input_rate, p.sample_rate * (1.0 + p.clock_offset), p.flat_band, fft);
  return {lane_of(sampled, false), lane_of(sampled, true)};
}

std::vector<std::int16_t> quantise_lane(std::vector<double> samples, const LaneScale& scale,
                                        Quantiser& quantise, RandomStream& noise) {
  const std::size_t subs = scale.code_offset.size();
  for (std::size_t k = 0, sub = 0; k < samples.size(); ++k) {
    samples[k] = samples[k] * scale.codes_per_ampere[sub] + scale.code_offset[sub];
    if (++sub == subs) sub = 0;
  }
  quantise(samples, noise);
  return {samples.begin(), samples.end()};
}

}  // namespace

std::size_t samples_in_period(double exact) {
  return static_cast<std::size_t>(std::floor(exact * (1.0 + 1e-12)));
}

bool is_whole(double exact) {
  return std::abs(exact - static_cast<double>(samples_in_period(exact))) < 1e-9 * exact;
}

Band InputBand::of(std::size_t n) const {
  if (!flat) return {n};
  const auto inside = [&](std::size_t k) {
    return k <= n / 2 && std::abs(bin_frequency(k, n, input_rate)) <= 0.5 * output_rate;
  };
  auto count = static_cast<std::size_t>(0.5 * output_rate / input_rate * static_cast<double>(n));
  count = std::min(count, n / 2);  // the last bin inside, or one beside it
  while (count > 0 && !inside(count - 1)) --count;
  while (inside(count)) ++count;
  return {count};
}

bool uniform(const AdcParameters& p) {
  const bool skewed = std::any_of(p.skew.begin(), p.skew.end(), [](double s) { return s != 0.0; });
  return !skewed && p.clock_phase == 0.0 && p.jitter == 0.0 && p.sine_jitter == 0.0 &&
         p.interleaving.timing == 0.0;
}

LaneScale lane_scale(const AdcErrors& errors, std::size_t lane, double step, double full_scale) {
  const auto &gain = errors.sub_gain[lane], &offset = errors.sub_offset[lane];
  LaneScale scale{std::vector<double>(gain.size()), std::vector<double>(gain.size())};
  for (std::size_t sub = 0; sub < gain.size(); ++sub) {
    scale.codes_per_ampere[sub] = errors.gain[lane] * (1.0 + gain[sub]) / step;
    scale.code_offset[sub] = full_scale * (errors.offset[lane] + offset[sub]);
  }
  return scale;
}

double code_step(double level, const AdcParameters& p, double transimpedance) {
  const double full_scale_codes = Quantiser(p.quantiser).full_scale();
  if (p.full_scale) return *p.full_scale / transimpedance / full_scale_codes;
  return level > 0.0 ? level / (full_scale_codes * p.loading) : 1.0;
}

AdcErrors draw_adc_errors(const AdcParameters& p, const RandomStreams& device) {
  AdcErrors errors;
  const auto lanes = [&](const char* name, double deviation) {
    RandomStream random = device.stream(name);
    return spread(4, deviation, random);
  };
  const auto gain_db = lanes("adc-gain", p.gain_spread_db), offset = lanes("adc-offset", p.offset_spread);
  for (std::size_t l = 0; l < 4; ++l) errors.gain[l] = std::pow(10.0, gain_db[l] / 20.0);
  std::copy(offset.begin(), offset.end(), errors.offset.begin());

  const auto subs = [&](const std::string& what, double deviation) {
    RandomStream random = device.stream("adc-interleaving-" + what);
    std::array<std::vector<double>, 4> all;
    for (auto& lane : all) lane = spread(static_cast<std::size_t>(p.interleaving.count), deviation, random);
    return all;
  };
  for (std::size_t l = 0; l < 4; ++l) {
    errors.gain[l] *= p.wiring.polarity[l];
    errors.offset[l] += p.wiring.held[l];
  }
  errors.sub_gain = subs("gain", p.interleaving.gain);
  errors.sub_offset = subs("offset", p.interleaving.offset);
  errors.sub_timing = subs("timing", p.interleaving.timing);
  return errors;
}

ElectricalLanes connected(ElectricalLanes lanes, const AdcWiring& wiring) {
  if (wiring.source == AdcWiring().source) return lanes;
  ElectricalLanes out = lanes;
  const auto from = lanes.currents.rows(), to = out.currents.rows();
  for (std::size_t l = 0; l < 4; ++l) {
    const std::size_t source = wiring.source[l];
    out.transimpedance[l] = lanes.transimpedance[source];
    const std::vector<double> lane = lane_of(*from[source / 2], source % 2 == 1);
    ComplexRow<double>& row = *to[l / 2];
    for (std::size_t t = 0; t < row.size(); ++t)
      row[t] = l % 2 == 0 ? std::complex(lane[t], row[t].imag()) : std::complex(row[t].real(), lane[t]);
  }
  return out;
}

ComplexRow<double> sample_row(ComplexRow<double> row, double input_rate, double output_rate, bool flat_band,
                              const FftCache& fft) {
  const std::size_t n = row.size();
  const double exact = static_cast<double>(n) * output_rate / input_rate;
  const std::size_t m = samples_in_period(exact);
  const Band band = InputBand{input_rate, output_rate, flat_band}.of(n);
  fft.get<double>(n).forward(row);
  if (is_whole(exact)) {
    ComplexRow<double> out = folded_spectrum(row, m, band);
    for (auto& bin : out) bin *= 1.0 / static_cast<double>(n);
    fft.get<double>(m).inverse(out);
    return out;
  }
  cut(row, band);
  const PeriodicInterpolator interpolate(row, fft);
  ComplexRow<double> out(m);
  for (std::size_t k = 0; k < m; ++k)
    out[k] = interpolate(static_cast<double>(k) * static_cast<double>(n) / exact);
  return out;
}

AdcOutput convert(ElectricalLanes input, const AdcParameters& p, const AdcErrors& errors,
                  const RandomStreams& streams, const Execution& execution) {
  AdcOutput out;
  RandomStream jitter = streams.stream("adc-jitter"), noise = streams.stream("adc-noise");
  const double sine_start = out.sine_jitter_start = kTwoPi * streams.stream("adc-sine-jitter").uniform();
  const double input_rate = input.currents.sample_rate;
  const auto rows = input.currents.rows();
  for (std::size_t pol = 0; pol < 2; ++pol) {
    execution.check();
    const std::array<Clock, 2> clocks = {Clock(p, errors, 2 * pol, sine_start),
                                         Clock(p, errors, 2 * pol + 1, sine_start)};
    auto pair = uniform(p) ? sample_together(std::move(*rows[pol]), input_rate, p, execution.ffts())
                           : sample_apart(std::move(*rows[pol]), input_rate, clocks, jitter, execution);
    for (std::size_t q = 0; q < 2; ++q) {
      execution.check();
      const std::size_t lane = 2 * pol + q;
      out.ampere_per_code[lane] = code_step(rms(pair[q]), p, input.transimpedance[lane]);
      Quantiser quantise(p.quantiser);
      const LaneScale scale = lane_scale(errors, lane, out.ampere_per_code[lane], quantise.full_scale());
      out.lanes[lane] = quantise_lane(std::move(pair[q]), scale, quantise, noise);
      out.clipped_samples += quantise.clipped();
    }
  }
  return out;
}

}  // namespace cohlink
