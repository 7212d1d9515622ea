#include "rx/blocks/dispersion.h"

#include <algorithm>
#include <cmath>
#include <functional>
#include <utility>

#include "rx/blocks/dispersion_estimate.h"
#include "rx/stage/block.h"
#include "sim/signal/line/read_line.h"
#include "sim/signal/propagation/plan.h"
#include "sim/signal/units.h"

namespace cohlink {
double band_taper(double frequency, double pass, double stop) {
  const double f = std::abs(frequency);
  if (f <= pass) return 1.0;
  if (f >= stop) return 0.0;
  return 0.5 * (1.0 + std::cos(kPi * (f - pass) / (stop - pass)));
}

DispersionEqualiser::DispersionEqualiser(const DispersionParameters& p, const Execution& execution) {
  if (p.beta2_length == 0.0 && p.beta3_length == 0.0) return;
  const double nyquist = 0.5 * p.sample_rate;
  const double pass = std::min(nyquist, p.band_edge + p.offset_margin);
  const double stop = std::min(nyquist, pass + p.taper);
  const auto response = [=, beta2_length = p.beta2_length, beta3_length = p.beta3_length](double f) {
    return band_taper(f, pass, stop) * std::conj(dispersion_response(beta2_length, beta3_length, f));
  };
  // Group delay beta2 L w - beta3 L w^2 / 2 at the band's end, and the ringing of the taper.
  const double ringing = 6.0 / std::max(p.taper, 1e-3 * p.sample_rate), w = kTwoPi * stop;
  const double reach = std::abs(p.beta2_length) * w + 0.5 * std::abs(p.beta3_length) * w * w + ringing;
  filter_ = std::make_shared<OverlapSaveFilter>(response, p.sample_rate, p.overlap * reach, execution);
}

Field<float> DispersionEqualiser::operator()(Field<float> signal) const {
  if (!filter_) return signal;
  return (*filter_)(std::move(signal));
}

double told_beta2_length(const Scenario& s) {
  if (const auto told = s.optional_number("dsp.dispersion_ps_per_nm"))
    return accumulated_to_beta2_length(*told, channel_wavelength(s));
  return dispersion_at_channel(read_line(s)).beta2_length;
}

namespace {

void compensate(const DispersionEqualiser& equaliser, double beta2_length, Carried& c) {
  c.result.compensated_beta2_length = beta2_length;
  c.signal = equaliser(std::move(c.signal));
}

void compensate_blindly(const DispersionEstimator& estimator, DispersionParameters p,
                        const std::function<double(double)>& beta3_length, const Execution& execution,
                        Carried& c) {
  if (c.from != nullptr && c.from->before.beta2_length) {
    p.beta2_length = *c.from->before.beta2_length;
  } else {
    const DispersionEstimate estimate = estimator(c.signal);
    if (!estimate.found()) {
      c.result.warnings.push_back("dispersion: no clock tone at any dispersion, none compensated");
      return;
    }
    p.beta2_length = estimate.beta2_length;
  }
  c.result.beta2_length = p.beta2_length;
  p.beta3_length = beta3_length(p.beta2_length);
  const DispersionEqualiser equaliser(p, execution);
  c.require(reach_symbols(equaliser));
  compensate(equaliser, p.beta2_length, c);
}

}  // namespace

Block dispersion_block(const BlockSetting& setting) {
  const Scenario& s = setting.scenario;
  const double rate = setting.symbol_rate();
  const double told = told_beta2_length(s);
  const DispersionParameters p{told,
                               setting.two_a_symbol(),
                               setting.band_edge(),
                               rate / 8,
                               rate / 10,
                               s.number("dsp.dispersion_overlap"),
                               read_beta3_length(s, told)};
  Block block;
  block.cost = [p, execution = setting.execution](double, std::size_t) {
    return kSamplesPerSymbol * DispersionEqualiser(p, execution).cost();
  };
  if (s.text("dsp.dispersion") == "blind") {
    if (s.optional_number("dsp.dispersion_ps_per_nm"))
      s.reject("dsp.dispersion_ps_per_nm", "has no use with dsp.dispersion = blind");
    block.apply = [estimator = DispersionEstimator({setting.pulse}, setting.execution), p,
                   third = [s](double beta2_length) { return read_beta3_length(s, beta2_length); },
                   execution = setting.execution](Carried& c) {
      compensate_blindly(estimator, p, third, execution, c);
    };
    return block;
  }
  const DispersionEqualiser equaliser(p, setting.execution);
  block.apply = [equaliser, told](Carried& c) { compensate(equaliser, told, c); };
  block.edge = edge_of(reach_symbols(equaliser));
  return block;
}

}  // namespace cohlink
