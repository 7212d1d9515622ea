#include "rx/blocks/resample.h"

#include <algorithm>
#include <boost/math/special_functions/bessel.hpp>
#include <cmath>
#include <cstdint>
#include <stdexcept>
#include <vector>

#include "rx/blocks/operations.h"
#include "rx/stage/block.h"
#include "sim/signal/units.h"

namespace cohlink {
namespace {

constexpr std::int64_t kMostExactPhases = 512;
constexpr std::size_t kCheckEvery = 4096;  // samples: some hundred microseconds of work

struct Ratio {
  std::int64_t p = 0, q = 0;  // q = 0: no small one exists
};

// Continued fraction of `value` until it fits to rounding, denominators up to kMostExactPhases.
Ratio rational(double value) {
  std::int64_t p0 = 0, q0 = 1, p1 = 1, q1 = 0;
  double rest = value;
  for (int term = 0; term < 32; ++term) {
    const double whole = std::floor(rest);
    const auto a = static_cast<std::int64_t>(whole);
    const std::int64_t p2 = a * p1 + p0, q2 = a * q1 + q0;
    if (q2 > kMostExactPhases) return {};
    p0 = p1, q0 = q1, p1 = p2, q1 = q2;
    if (std::abs(static_cast<double>(p1) / static_cast<double>(q1) - value) <= 1e-13 * value) return {p1, q1};
    rest = 1.0 / (rest - whole);
  }
  return {};
}

double sinc(double x) { return x == 0.0 ? 1.0 : std::sin(kPi * x) / (kPi * x); }

double kaiser_beta(double rejection_db) {
  return rejection_db > 50.0 ? 0.1102 * (rejection_db - 8.7)
                             : 0.5842 * std::pow(rejection_db - 21.0, 0.4) + 0.07886 * (rejection_db - 21.0);
}

// sum_i h[i] x[i] over pairs (re, im); h holds every coefficient twice. Eight lanes that the compiler
// can keep in one register.
std::complex<float> dot(const float* h, const float* x, std::size_t floats) {
  float lane[8] = {};
  for (std::size_t i = 0; i < floats; i += 8)
    for (std::size_t l = 0; l < 8; ++l) lane[l] += h[i + l] * x[i + l];
  return {(lane[0] + lane[4]) + (lane[2] + lane[6]), (lane[1] + lane[5]) + (lane[3] + lane[7])};
}

}  // namespace

struct Resampler::Design {
  double step = 1.0;  // input samples per output sample
  Ratio exact;        // step as a fraction
  std::int64_t phases = 0;
  std::size_t taps = 0;      // a multiple of 4; filter covers input samples -taps/2 + 1 ... taps/2
  std::vector<float> table;  // [phases + 1][taps][2], coefficients in pairs
  const float* phase(std::int64_t i) const { return table.data() + static_cast<std::size_t>(i) * 2 * taps; }
};

Resampler::Resampler(const ResamplerParameters& parameters, Execution execution)
    : p_(parameters), execution_(std::move(execution)) {
  if (!(p_.output_rate > 0.0) || !(p_.band_edge > 0.0))
    throw std::invalid_argument("resampler rates must be positive");
}

Resampler::Design Resampler::design(double input_rate) const {
  Design d;
  d.step = input_rate / p_.output_rate;
  d.exact = rational(d.step);
  d.phases = d.exact.q > 0 ? d.exact.q : kMostExactPhases;
  // What lies above lower - pass would fold onto the band below pass: that is where rejection must hold.
  const double lower = std::min(input_rate, p_.output_rate);
  const double pass = std::clamp(p_.band_edge + p_.offset_margin, std::min(p_.band_edge, 0.49 * lower),
                                 std::max(0.44 * lower, std::min(p_.band_edge, 0.49 * lower)));
  const double transition = (lower - 2.0 * pass) / input_rate, cutoff = 0.5 * lower / input_rate;
  const double longest = p_.longest_filter * std::max(1.0, d.step);
  const double needed = std::min(longest, (p_.rejection_db - 7.95) / (2.285 * kTwoPi * transition) + 2.0);
  d.taps = static_cast<std::size_t>(std::ceil(needed / 4.0)) * 4;
  const double half = 0.5 * static_cast<double>(d.taps), beta = kaiser_beta(p_.rejection_db);
  const double window_scale = 1.0 / boost::math::cyl_bessel_i(0, beta);
  d.table.resize(static_cast<std::size_t>(d.phases + 1) * 2 * d.taps);
  std::vector<double> h(d.taps);
  for (std::int64_t i = 0; i <= d.phases; ++i) {
    const double fraction = static_cast<double>(i) / static_cast<double>(d.phases);
    double sum = 0.0;
    for (std::size_t n = 0; n < d.taps; ++n) {
      const double t = static_cast<double>(n) - half + 1.0 - fraction;  // input sample minus output time
      const double inside = std::max(0.0, 1.0 - (t / half) * (t / half));
      h[n] = sinc(2.0 * cutoff * t) * boost::math::cyl_bessel_i(0, beta * std::sqrt(inside)) * window_scale;
      sum += h[n];
    }
    float* row = d.table.data() + static_cast<std::size_t>(i) * 2 * d.taps;
    for (std::size_t n = 0; n < d.taps; ++n) row[2 * n] = row[2 * n + 1] = static_cast<float>(h[n] / sum);
  }
  return d;
}

double Resampler::edge(double input_rate) const {
  if (input_rate == p_.output_rate) return 0.0;
  return 0.5 * static_cast<double>(design(input_rate).taps) / input_rate;
}

Operations Resampler::cost(double input_rate) const {
  if (input_rate == p_.output_rate) return {};
  const Design d = design(input_rate);
  return interpolation_operations(d.taps, d.exact.q == 0);
}

Field<float> Resampler::operator()(const Field<float>& signal) const {
  if (signal.sample_rate == p_.output_rate || signal.size() == 0) return signal;
  const Design d = design(signal.sample_rate);
  const auto samples =
      static_cast<std::size_t>(std::floor(static_cast<double>(signal.size() - 1) / d.step + 1e-9)) + 1;
  Field<float> out(samples, p_.output_rate);
  const std::size_t before = d.taps / 2 - 1;  // filter's reach into the past
  for (std::size_t p = 0; p < 2; ++p) {
    const ComplexRow<float>& in = *signal.rows()[p];
    ComplexRow<float> padded(in.size() + d.taps + 2);
    std::copy(in.begin(), in.end(), padded.begin() + static_cast<std::ptrdiff_t>(before));
    const auto* x = reinterpret_cast<const float*>(padded.data());
    ComplexRow<float>& y = *out.rows()[p];
    for (std::size_t n = 0; n < samples; ++n) {
      if (n % kCheckEvery == 0) execution_.check();
      if (d.exact.q > 0) {
        const std::int64_t place = static_cast<std::int64_t>(n) * d.exact.p;
        y[n] = dot(d.phase(place % d.exact.q), x + 2 * (place / d.exact.q), 2 * d.taps);
        continue;
      }
      const double place = static_cast<double>(n) * d.step, whole = std::floor(place);
      const double fine = (place - whole) * static_cast<double>(d.phases);
      const auto i = std::min(static_cast<std::int64_t>(fine), d.phases - 1);
      const auto weight = static_cast<float>(fine - static_cast<double>(i));
      const float* at = x + 2 * static_cast<std::ptrdiff_t>(whole);
      y[n] = (1.0f - weight) * dot(d.phase(i), at, 2 * d.taps) + weight * dot(d.phase(i + 1), at, 2 * d.taps);
    }
  }
  return out;
}

Block resample_block(const BlockSetting& setting) {
  const double rate = setting.symbol_rate(), band_edge = setting.band_edge();
  const Resampler resampler({setting.two_a_symbol(), band_edge, rate / 8}, setting.execution);
  Block block;
  block.apply = [=](Carried& c) {
    if (c.signal.sample_rate < 2.0 * band_edge)
      c.result.warnings.push_back("resample: the ADC's rate is below the signal's bandwidth, its edges fold");
    c.signal = resampler(c.signal);
  };
  block.edge = [=](double in) { return resampler.edge(in) * rate; };
  block.cost = [=](double adc_rate, std::size_t) { return kSamplesPerSymbol * resampler.cost(adc_rate); };
  return block;
}

}  // namespace cohlink
