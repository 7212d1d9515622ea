// The closed-form budget against textbook numbers and against short simulations of one source at a time.
#include "tools/study/budget.h"

#include <doctest/doctest.h>

#include <cmath>
#include <ctime>

#include "sim/link.h"
#include "sim/signal/units.h"
#include "tools/study/search.h"

using namespace cohlink;

namespace {

Scenario scenario_of(const std::string& text) {
  Scenario scenario;
  scenario.read_text(text, "test");
  return scenario;
}

const NoiseTerm& term(const Budget& budget, const std::string& name) {
  for (const NoiseTerm& t : budget.terms)
    if (t.name == name) return t;
  throw std::logic_error("no term " + name);
}

// The ideal chain: nothing is estimated, so the SNR is that of the light path and the converter.
double simulated_snr_db(Scenario scenario) {
  static FftCache fft(FftPlanning::kEstimate);
  scenario.set("dsp.chain=resample,matched-filter,decimate,phase");
  scenario.set("dsp.phase_recovery=genie");
  scenario.set("signal.symbols=16384");
  Meter meter(simulation(fft)(scenario), 1);
  meter.run(2);
  return meter.total().snr_db();
}

}  // namespace

TEST_CASE("OSNR along a line follows 58 + P - L - NF - 10 log N") {
  const Budget budget =
      make_budget(scenario_of("[fibre]\nspans = 20\nspan_length_km = 100\nattenuation_db_per_km = "
                              "0.2\n[transmitter]\nlaunch_power_dbm = 1\n"
                              "[amplifier]\nnoise_figure_db = 5\n"));
  REQUIRE(budget.spans.size() == 20);
  for (const SpanLevel& level : budget.spans) {
    // 57.95 dB at 1550 nm; ITU-T G.680 (from memory).
    const double rule = 57.95 + 1.0 - 20.0 - 5.0 - to_db(static_cast<double>(level.span));
    CHECK(std::abs(to_db(level.osnr.value()) - rule) < 0.03);
    CHECK(watt_to_dbm(level.input_power) == doctest::Approx(1.0));
    CHECK(watt_to_dbm(level.output_power) == doctest::Approx(-19.0));
  }
  for (std::size_t k = 1; k < budget.spans.size(); ++k)
    CHECK(budget.spans[k].interference > budget.spans[k - 1].interference);
}

TEST_CASE("the optimum launch power has line ASE at twice the interference, and no other power does better") {
  Scenario scenario = scenario_of("[fibre]\nspans = 10\n[adc]\nbits = 16\nloading_db = -16\n");
  const Budget budget = make_budget(scenario);
  REQUIRE(budget.optimum_launch_power);
  const auto snr_at = [&](double dbm) {
    scenario.set("transmitter.launch_power_dbm", std::to_string(dbm), "test");
    return make_budget(scenario).snr;
  };
  const double best = watt_to_dbm(*budget.optimum_launch_power);
  CHECK(snr_at(best) > snr_at(best - 0.3));
  CHECK(snr_at(best) > snr_at(best + 0.3));
  scenario.set("transmitter.launch_power_dbm", std::to_string(best), "test");
  const Budget there = make_budget(scenario);
  CHECK(term(there, "line_ase").ratio ==
        doctest::Approx(2.0 * term(there, "interference").ratio).epsilon(1e-3));
}

TEST_CASE("with amplifiers of fixed output the optimum is that of all spans together, wherever one stands") {
  const std::string line =
      "[fibre]\nspans = 20\n[signal]\nmodulation = 16qam\n[adc]\nbits = 16\nloading_db = -16\n";
  // At one power this is the line whose amplifiers make up for the loss, but for the share that noise takes
  // of a fixed output.
  const double best = watt_to_dbm(make_budget(scenario_of(line)).optimum_launch_power.value());
  for (const std::string launch : {"-4", "0", "4", "8"}) {
    Scenario scenario = scenario_of(line + "[amplifier]\noutput_power_dbm = 1\n");
    scenario.set("transmitter.launch_power_dbm=" + launch);
    CAPTURE(launch);
    const Budget budget = make_budget(scenario);
    CHECK(std::abs(watt_to_dbm(budget.optimum_launch_power.value()) - best) < 0.1);
    CHECK(budget.optimum_output_power.value() == doctest::Approx(*budget.optimum_launch_power));
  }
  // And the tool's own SNR agrees.
  const auto snr_at = [&](double dbm) {
    Scenario scenario = scenario_of(line);
    scenario.set("transmitter.launch_power_dbm=" + std::to_string(dbm));
    scenario.set("amplifier.output_power_dbm=" + std::to_string(dbm));
    return make_budget(scenario).snr;
  };
  CHECK(snr_at(best) > snr_at(best - 0.3));
  CHECK(snr_at(best) > snr_at(best + 0.3));
}

TEST_CASE("each source of noise takes from the simulated SNR what the budget says, within 0.2 dB") {
  for (const std::string text : {
           "[channel]\nosnr_db = 15\n",
           "[frontend]\nshot_noise = true\nreceived_power_dbm = -38\n",
           "[frontend]\nthermal_noise_pa_per_sqrt_hz = 30\nreceived_power_dbm = -28\n[laser_lo]\npower_dbm = "
           "8\n",
           "[signal]\nmodulation = 16qam\n[adc]\nbits = 8\nenob = 4\n",
           "[adc]\njitter_fs = 1500\nbits = 12\n",
           "[transmitter]\nlaser_power_dbm = 0\nmodulator_loss_db = 35\nlaunch_amplifier_noise_figure_db = "
           "5\n",
       }) {
    const Scenario scenario = scenario_of(text);
    CAPTURE(text);
    CHECK(std::abs(simulated_snr_db(scenario) - to_db(make_budget(scenario).snr)) < 0.2);
  }
}

TEST_CASE(
    "OSNR of launch and pre-amplifier is 58 + P - NF of the light into them, and the truth of a simulation") {
  // 57.95 dB at 1550 nm; ITU-T G.680 (from memory).
  const Budget ideal = make_budget(
      scenario_of("[transmitter]\nlaser_power_dbm = 13\nmodulator_loss_db = 20\nlaunch_power_dbm = 13\n"
                  "launch_amplifier_noise_figure_db = 5\n"));
  CHECK(std::abs(to_db(ideal.osnr.value()) - (57.95 - 7.0 - 5.0)) < 0.03);
  const Budget amplified =
      make_budget(scenario_of("[frontend]\nreceived_power_dbm = -35\npreamplifier_noise_figure_db = 5\n"));
  CHECK(std::abs(to_db(amplified.osnr.value()) - (57.95 - 35.0 - 5.0)) < 0.03);
  // Real modulators: what comes out of them follows from the drive.
  FftCache fft(FftPlanning::kEstimate, "");
  const std::string modulator =
      "[signal]\nmodulation = 16qam\nsymbols = 8192\n[transmitter]\nmodulator = iq\nmodulator_loss_db = 8\n"
      "launch_amplifier_noise_figure_db = 5\nmodulator_extinction_db = 25\nbias_control = automatic\n";
  for (const std::string text :
       {"", "dac_output_rms_v = 0.12\npredistortion = arcsine\nmodulator_bias_error_i_deg = 3\n",
        "dac_sample_rate_gsa = 64\ndac_bandwidth_ghz = 18\npreemphasis_db = 6\ndriver_saturation_v = 2\n",
        "xy_power_imbalance_db = 2\n[fibre]\nspans = 3\n[frontend]\nreceived_power_dbm = -30\n"
        "preamplifier_noise_figure_db = 5\n"}) {
    CAPTURE(text);
    const Scenario scenario = scenario_of(modulator + text);
    CHECK(std::abs(to_db(make_budget(scenario).osnr.value()) -
                   Link(scenario, fft)(0, 0).truth->osnr_db.value()) < 0.15);
  }
}

TEST_CASE("a budget of 20 spans takes less than 50 ms of processor time") {
  const Scenario scenario = scenario_of("[signal]\nmodulation = 16qam\n[fibre]\nspans = 20\n");
  make_budget(scenario);
  const std::clock_t start = std::clock();
  make_budget(scenario);
  const double seconds = static_cast<double>(std::clock() - start) / CLOCKS_PER_SEC;
  MESSAGE("budget of 20 spans: " << 1e3 * seconds << " ms");
#if defined(__OPTIMIZE__) && !defined(__SANITIZE_ADDRESS__)
  CHECK(seconds < 0.05);
#endif
}

TEST_CASE("crosstalk of channels that overlap is that of a simulation within 0.2 dB") {
  // 32 GBd with roll-off 0.3 takes 41.6 GHz, on a grid of 36 GHz.
  const Scenario scenario = scenario_of(
      "[signal]\nroll_off = 0.3\n[channel]\ncount = 3\nspacing_ghz = 36\n[adc]\nbits = 16\nloading_db = "
      "-16\n");
  const Budget budget = make_budget(scenario);
  const double expected = -to_db(term(budget, "crosstalk").ratio);
  // 2 x 16,384 symbols twice: the standard error of the noise power is 0.03 dB; neighbours are not Gaussian.
  CHECK(std::abs(simulated_snr_db(scenario) - expected) < 0.2);
  Scenario apart = scenario;
  apart.set("channel.spacing_ghz=50");
  CHECK(term(make_budget(apart), "crosstalk").ratio == 0.0);
}
