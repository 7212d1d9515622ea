#include "rx/blocks/deskew.h"

#include <algorithm>
#include <cmath>

#include "rx/blocks/clock_tone.h"
#include "rx/blocks/frequency.h"
#include "rx/stage/block.h"
#include "sim/signal/units.h"

namespace cohlink {
namespace {

// One lane of each row as a field: I or Q, chosen for X and Y apart.
Field<float> lanes_of(const Field<float>& signal, bool x_is_q, bool y_is_q) {
  Field<float> out(signal.size(), signal.sample_rate);
  for (std::size_t n = 0; n < signal.size(); ++n) {
    out.x[n] = x_is_q ? signal.x[n].imag() : signal.x[n].real();
    out.y[n] = y_is_q ? signal.y[n].imag() : signal.y[n].real();
  }
  return out;
}

Field<float> middle(const Field<float>& signal, std::size_t longest) {
  if (signal.size() <= longest) return signal;
  const auto start = static_cast<std::ptrdiff_t>((signal.size() - longest) / 2);
  Field<float> out(longest, signal.sample_rate);
  for (std::size_t p = 0; p < 2; ++p)
    std::copy_n(signal.rows()[p]->begin() + start, longest, out.rows()[p]->begin());
  return out;
}

// Clock matrices, block by block.
std::vector<Jones> tones(const Field<float>& signal, ClockTone& tone) {
  ClockTone::CrossSpectra cross;
  std::vector<Jones> out;
  for (std::size_t start = 0; start + tone.block() <= signal.size(); start += tone.block() / 2) {
    tone(signal, start, cross);
    out.push_back(clock_matrix(cross));
  }
  return out;
}

// A sum of ratios of tones, held as products with the conjugate, and the size it would have in phase.
struct Ratio {
  std::complex<double> sum = 0.0;
  double size = 0.0;
  void add(std::complex<double> above, std::complex<double> below) {
    sum += above * std::conj(below);
    size += std::abs(above * below);
  }
};

// Least squares for the skews, in units of the phase pi R s: each ratio says a s_x + b s_y = -angle.
struct SkewEquations {
  double xx = 0.0, xy = 0.0, yy = 0.0, x = 0.0, y = 0.0;
  void add(double a, double b, const Ratio& ratio) {
    const double weight = std::abs(ratio.sum), value = -std::arg(ratio.sum);
    xx += weight * a * a, xy += weight * a * b, yy += weight * b * b;
    x += weight * a * value, y += weight * b * value;
  }
};

}  // namespace

Interpolator Deskew::interpolator(double sample_rate) const {
  return Interpolator(std::clamp(p_.band_edge / sample_rate, 0.05, 0.5));
}

double Deskew::edge(double sample_rate) const {
  double longest = 0.0;
  for (const double skew : p_.skew) longest = std::max(longest, std::abs(skew));
  if (longest == 0.0) return 0.0;
  return longest + static_cast<double>(interpolator(sample_rate).reach()) / sample_rate;
}

Field<float> Deskew::operator()(Field<float> signal) const {
  const Interpolator interpolate = interpolator(signal.sample_rate);
  std::vector<double> places(signal.size());
  for (std::size_t lane = 0; lane < 4; ++lane) {
    if (p_.skew[lane] == 0.0) continue;
    for (std::size_t n = 0; n < places.size(); ++n)
      places[n] = static_cast<double>(n) + p_.skew[lane] * signal.sample_rate;
    ComplexRow<float>& row = *signal.rows()[lane / 2];
    const ComplexRow<float> moved = interpolate(row, places);
    for (std::size_t n = 0; n < row.size(); ++n)
      row[n] = lane % 2 == 0 ? std::complex<float>(moved[n].real(), row[n].imag())
                             : std::complex<float>(row[n].real(), moved[n].imag());
  }
  return signal;
}

bool SkewEstimate::found() const { return coherence >= kSkewLock; }

SkewEstimator::SkewEstimator(const SkewEstimatorParameters& p, const Execution& execution)
    : p_(p),
      execution_(execution),
      resampler_({2.0 * p.pulse.symbol_rate, pulse_band_edge(p.pulse), p.pulse.symbol_rate / 8}, execution),
      frequency_(p.pulse, 2.0 * p.pulse.symbol_rate, execution.ffts()),
      dispersion_({p.beta2_length, 2.0 * p.pulse.symbol_rate, pulse_band_edge(p.pulse),
                   p.pulse.symbol_rate / 8, p.pulse.symbol_rate / 10},
                  execution) {}

Field<float> SkewEstimator::prepared(const Field<float>& lanes, double offset) const {
  return dispersion_(remove_frequency(resampler_(lanes), offset));
}

SkewEstimate SkewEstimator::operator()(const Field<float>& whole) const {
  const double per_symbol = whole.sample_rate / p_.pulse.symbol_rate;
  const Field<float> signal =
      middle(whole, static_cast<std::size_t>(static_cast<double>(p_.longest) * per_symbol));
  const double offset = frequency_(resampler_(signal));
  ClockTone tone(p_.pulse, kBlock, execution_);
  const auto of = [&](bool x_is_q, bool y_is_q) {
    return tones(prepared(lanes_of(signal, x_is_q, y_is_q), offset), tone);
  };
  const auto ii = of(false, false), qq = of(true, true), iq = of(false, true), qi = of(true, false);
  Ratio x, y, sum, difference;
  for (std::size_t b = 0; b < ii.size(); ++b) {
    x.add(qq[b][0][0], ii[b][0][0]);
    y.add(qq[b][1][1], ii[b][1][1]);
    sum.add(qq[b][0][1], ii[b][0][1]);
    sum.add(qq[b][1][0], ii[b][1][0]);
    difference.add(-qi[b][0][1], iq[b][0][1]);
    difference.add(std::conj(-iq[b][1][0]), std::conj(qi[b][1][0]));
  }
  SkewEquations equations;
  equations.add(2.0, 0.0, x);
  equations.add(0.0, 2.0, y);
  equations.add(1.0, 1.0, sum);
  equations.add(1.0, -1.0, difference);
  const double determinant = equations.xx * equations.yy - equations.xy * equations.xy;
  const double size = x.size + y.size + sum.size + difference.size;
  const bool one_row = equations.yy == 0.0 && equations.xx > 0.0;
  if (!one_row && !(determinant > 0.0)) return {};
  const double to_time = 1.0 / (kPi * p_.pulse.symbol_rate);
  SkewEstimate estimate;
  if (one_row)
    estimate.iq_skew = {to_time * equations.x / equations.xx, 0.0};
  else
    estimate.iq_skew = {to_time * (equations.x * equations.yy - equations.y * equations.xy) / determinant,
                        to_time * (equations.y * equations.xx - equations.x * equations.xy) / determinant};
  estimate.coherence =
      (std::abs(x.sum) + std::abs(y.sum) + std::abs(sum.sum) + std::abs(difference.sum)) / size;
  return estimate;
}

namespace {

constexpr const char* kSkewKeys[] = {"dsp.skew_xi_ps", "dsp.skew_xq_ps", "dsp.skew_yi_ps", "dsp.skew_yq_ps"};

void deskew_blindly(const SkewEstimator& estimator, DeskewParameters p, Carried& c) {
  if (c.from != nullptr && c.from->before.iq_skew_ps) {
    c.result.iq_skew_ps = c.from->before.iq_skew_ps;
  } else {
    const SkewEstimate estimate = estimator(c.signal);
    if (!estimate.found()) {
      c.result.warnings.push_back("deskew: the lanes show no clock tone, they stay as they are");
      return;
    }
    c.result.iq_skew_ps = {estimate.iq_skew[0] * 1e12, estimate.iq_skew[1] * 1e12};
  }
  for (std::size_t row = 0; row < 2; ++row) {
    p.skew[2 * row] = -0.5e-12 * (*c.result.iq_skew_ps)[row];
    p.skew[2 * row + 1] = 0.5e-12 * (*c.result.iq_skew_ps)[row];
  }
  c.require(Deskew(p).edge(c.signal.sample_rate) * c.symbol_rate);
  c.signal = Deskew(p)(std::move(c.signal));
}

// A filter for each lane that is moved. The blind estimate, made once, is not counted.
Operations deskew_cost(const DeskewParameters& p, bool blind, double symbol_rate, double adc_rate) {
  double moved = blind ? 4.0 : 0.0;
  for (const double skew : p.skew) moved += skew != 0.0;
  if (moved == 0.0) return {};
  const auto taps = static_cast<double>(Deskew(p).taps(adc_rate));
  return adc_rate / symbol_rate * moved * Operations{taps, taps - 1.0, 0};
}

}  // namespace

Block deskew_block(const BlockSetting& setting) {
  const Scenario& s = setting.scenario;
  const double rate = setting.symbol_rate();
  DeskewParameters p;
  p.band_edge = setting.band_edge() + rate / 8;
  const bool blind = s.text("dsp.deskew") == "blind";
  for (std::size_t lane = 0; lane < 4; ++lane) {
    p.skew[lane] = s.number(kSkewKeys[lane]) * 1e-12;
    if (blind && p.skew[lane] != 0.0) s.reject(kSkewKeys[lane], "has no use with dsp.deskew = blind");
  }
  Block block;
  block.cost = [=](double adc_rate, std::size_t) { return deskew_cost(p, blind, rate, adc_rate); };
  if (!blind) {
    block.apply = [p](Carried& c) { c.signal = Deskew(p)(std::move(c.signal)); };
    block.edge = [p, rate](double in) { return Deskew(p).edge(in) * rate; };
    return block;
  }
  if (s.text("dsp.dispersion") == "blind")
    s.reject("dsp.deskew", "blind needs the dispersion to be known (dsp.dispersion_ps_per_nm)");
  const SkewEstimator estimator({setting.pulse, told_beta2_length(s)}, setting.execution);
  block.apply = [p, estimator](Carried& c) { deskew_blindly(estimator, p, c); };
  return block;
}

}  // namespace cohlink
