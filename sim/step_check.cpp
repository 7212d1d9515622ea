#include "sim/step_check.h"

#include <cmath>
#include <complex>

#include "sim/link_setup.h"
#include "sim/optical_path.h"
#include "sim/signal/propagation/propagation_engine.h"
#include "sim/signal/units.h"
#include "sim/transmitter/wavelength_comb.h"

namespace cohlink {
namespace {

// The frame's light at the end of the path, the channel under test at zero frequency.
struct Arrived {
  Field<double> light;
  std::uint64_t steps = 0;
};

template <class Real>
Arrived send(const LinkSetup& setup, const Field<double>& sent, const RandomStreams& streams,
             const Execution& execution, Device device) {
  const RandomStreams birefringence = setup.redraw_birefringence ? streams : RandomStreams(setup.seed);
  const PropagationPlan path = plan_optical_path(setup, birefringence);
  Field<Real> light = convert_field<Real>(sent);
  const EngineReport report = PropagationEngine<Real>(execution, device)(light, path, streams);
  Arrived out{convert_field<double>(light), report.steps};
  tune_to(out.light, setup.line.comb.tested().frequency, 0.0, execution.ffts());
  return out;
}

Arrived send(const LinkSetup& setup, const Field<double>& sent, const RandomStreams& streams,
             const Execution& execution, Device device) {
  return setup.single_precision ? send<float>(setup, sent, streams, execution, device)
                                : send<double>(setup, sent, streams, execution, device);
}

// Whole-band error, then that of the matched-filtered channel, both on spectra (Parseval).
class Comparison {
 public:
  Comparison(const LinkSetup& setup, const FftCache& fft) : setup_(setup), fft_(fft) {}

  void add(const ComplexRow<double>& coarse_row, const ComplexRow<double>& fine_row, double rate) {
    ComplexRow<double> coarse = coarse_row, fine = fine_row;
    const std::size_t n = fine.size();
    fft_.get<double>(n).forward(coarse);
    fft_.get<double>(n).forward(fine);
    std::complex<double> cross = 0.0;
    double coarse_power = 0.0, fine_power = 0.0;
    for (std::size_t k = 0; k < n; ++k) {
      light_ += std::norm(fine[k]);
      difference_ += std::norm(coarse[k] - fine[k]);
      const double h = pulse_spectrum(setup_.transmitter.pulse, bin_frequency(k, n, rate));
      cross += h * h * coarse[k] * std::conj(fine[k]);
      coarse_power += h * h * std::norm(coarse[k]);
      fine_power += h * h * std::norm(fine[k]);
    }
    const double explained = std::norm(cross) / fine_power;  // the part of coarse that is a copy of fine
    channel_ += explained;
    channel_error_ += coarse_power - explained;
  }

  double error_db() const { return to_db(difference_ / light_); }
  double limited_snr_db() const { return to_db(channel_ / channel_error_); }

 private:
  const LinkSetup& setup_;
  const FftCache fft_;
  double light_ = 0.0, difference_ = 0.0, channel_ = 0.0, channel_error_ = 0.0;
};

}  // namespace

StepCheck check_steps(const Scenario& scenario, std::uint64_t frame, std::uint64_t point,
                      const Execution& execution) {
  LinkSetup setup = link_setup(scenario);
  if (setup.line.sections.empty())
    scenario.reject("fibre.spans", "leaves no fibre whose steps could be checked");
  const Device device = device_named(scenario.text("run.device"));
  const RandomStreams streams(setup.seed, frame, point);
  const Field<double> sent = transmit_comb(setup.transmitter, setup.line.comb, streams, execution).field;
  const Arrived coarse = send(setup, sent, streams, execution, device);
  setup.steps = halved(setup.steps);
  const Arrived fine = send(setup, sent, streams, execution, device);
  Comparison comparison(setup, execution.ffts());
  comparison.add(coarse.light.x, fine.light.x, sent.sample_rate);
  comparison.add(coarse.light.y, fine.light.y, sent.sample_rate);
  return {comparison.error_db(), comparison.limited_snr_db(), coarse.steps, fine.steps};
}

}  // namespace cohlink
