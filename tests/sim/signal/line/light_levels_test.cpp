// The light levels that truth and budget state, against the light itself.
#include "sim/signal/line/light_levels.h"

#include <doctest/doctest.h>

#include <cmath>

#include "sim/link.h"
#include "sim/link_setup.h"
#include "sim/optical_path.h"
#include "sim/signal/units.h"

using namespace cohlink;

namespace {

using Settings = std::vector<std::string>;

// Five channels on a linear fibre: the light without noise is then the signal in the light with noise.
Scenario comb_with(const Settings& settings) {
  Scenario s;
  for (const char* assignment : {"signal.symbols=16384", "channel.count=5", "fibre.spans=3",
                                 "fibre.span_length_km=120", "fibre.nonlinear_coefficient_per_w_km=0",
                                 "fibre.steps_per_span=1", "transmitter.launch_power_dbm=-8"})
    s.set(assignment);
  for (const auto& assignment : settings) s.set(assignment);
  return s;
}

// The light that enters the hybrid, the channel under test in the middle of its band.
Field<double> light_at_hybrid(const Scenario& s, const FftCache& fft, Capture* capture = nullptr) {
  const Link link(s, fft);
  LightFrame frame = link.deliver(link.propagate(link.transmit({}), {}), {});
  if (capture) *capture = link.detect(frame, {});
  receive_light(frame.light, link_setup(s).receiver_input, RandomStreams(link_setup(s).seed));
  return frame.light;
}

// OSNR read from the spectrum of the noisy light: what in the channel's 50 GHz follows the light of the same
// frame without noise is signal, the rest within 12.5 GHz is noise.
double osnr_read_db(Field<double> noisy, Field<double> clean, const FftCache& fft) {
  const std::size_t n = noisy.size();
  const auto noisy_rows = noisy.rows(), clean_rows = clean.rows();
  double signal = 0.0, noise = 0.0, bins = 0.0;
  for (std::size_t pol = 0; pol < 2; ++pol) {
    ComplexRow<double>&a = *noisy_rows[pol], &b = *clean_rows[pol];
    fft.get<double>(n).forward(a);
    fft.get<double>(n).forward(b);
    std::complex<double> cross = 0.0;
    double power = 0.0;
    const auto within = [&](double width, const auto& body) {
      for (std::size_t k = 0; k < n; ++k)
        if (std::abs(bin_frequency(k, n, noisy.sample_rate)) < 0.5 * width) body(k);
    };
    within(50e9, [&](std::size_t k) { cross += a[k] * std::conj(b[k]), power += std::norm(b[k]); });
    signal += std::norm(cross) / power;
    within(kOsnrBandwidthHz,
           [&](std::size_t k) { noise += std::norm(a[k] - cross / power * b[k]), bins += 0.5; });
  }
  return to_db(signal / (noise / bins * kOsnrBandwidthHz * static_cast<double>(n) / noisy.sample_rate));
}

// Truth minus reading [dB].
double truth_error_db(Settings settings) {
  FftCache fft(FftPlanning::kEstimate, "");
  Capture capture;
  const Field<double> noisy = light_at_hybrid(comb_with(settings), fft, &capture);
  for (const char* assignment :
       {"amplifier.ase=false", "channel.osnr_db=", "frontend.preamplifier_noise_figure_db="})
    settings.emplace_back(assignment);
  return *capture.truth->osnr_db - osnr_read_db(noisy, light_at_hybrid(comb_with(settings), fft), fft);
}

}  // namespace

TEST_CASE("the truth's OSNR is what the light's spectrum shows, wherever an optical filter stands") {
  // 12.5 GHz hold 6,400 bins a polarisation: the noise is read within 0.04 dB (one standard error).
  // No filter; then the receiver's filter before a pre-amplifier, which no longer spends its output on four
  // neighbours; add-drop filters before amplifiers of fixed output; filters behind all noise, wide and
  // narrow.
  CHECK(std::abs(truth_error_db({})) < 0.1);
  CHECK(std::abs(truth_error_db({"channel.filter_bandwidth_ghz=45", "frontend.received_power_dbm=-38",
                                 "frontend.preamplifier_noise_figure_db=5"})) < 0.1);
  CHECK(std::abs(truth_error_db({"fibre.filter_bandwidth_ghz=45", "amplifier.output_power_dbm=0"})) < 0.1);
  CHECK(std::abs(truth_error_db({"fibre.filter_bandwidth_ghz=75", "fibre.filter_every_spans=2",
                                 "amplifier.output_power_dbm=0", "channel.under_test=2",
                                 "channel.power_offsets_db=0,0,3,0,-3"})) < 0.1);
  CHECK(std::abs(truth_error_db({"channel.osnr_db=15", "channel.filter_bandwidth_ghz=45"})) < 0.1);
  CHECK(std::abs(truth_error_db({"channel.osnr_db=15", "channel.filter_bandwidth_ghz=25"})) < 0.1);
}

TEST_CASE("light levels count what a filter leaves of channel, neighbours and noise") {
  // An aperture of 10 GHz with a blur of 0.1 GHz cuts a rectangle out of 40 GBd NRZ-like light: of roll-off
  // 0.01 a quarter of the channel, to the width of the blur.
  LaunchedLight light;
  light.comb.channels.resize(2);
  for (Channel& channel : light.comb.channels) channel.pulse = {Pulse::kRrc, 0.01, 40e9};
  light.comb.channels[1].frequency = 50e9;
  light.comb.channels[1].power = 2e-3;
  light.noise_psd = 1e-15;
  light.simulated_band = 160e9;
  PropagationPlan plan;
  plan.elements.push_back(OpticalFilter{0.0, 10e9, 0.1e9});
  const LightLevels levels = light_levels(plan, light);
  CHECK(levels.signal_power == doctest::Approx(0.25e-3).epsilon(0.01));
  CHECK(levels.noise_power == doctest::Approx(2 * 1e-15 * 10e9).epsilon(0.01));
  CHECK(levels.total_power == doctest::Approx(levels.signal_power + levels.noise_power).epsilon(1e-9));
  CHECK(levels.noise_psd == doctest::Approx(0.8e-15).epsilon(0.01));  // 10 of the 12.5 GHz are left
  CHECK(levels.peak_power == doctest::Approx(3e-3).epsilon(1e-9));
  CHECK(light_levels({}, light).total_power == doctest::Approx(3e-3 + 2 * 1e-15 * 160e9).epsilon(1e-9));
}
