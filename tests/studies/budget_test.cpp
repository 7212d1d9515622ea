// The closed-form budget against textbook numbers and against short simulations of one source at a time.
#include "tools/study/budget.h"

#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>
#include <set>

#include "rx/receiver.h"
#include "sim/link.h"
#include "sim/signal/scenario/strings.h"
#include "sim/signal/units.h"
#include "tools/study/not_counted.h"
#include "tools/study/search/search.h"

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
double simulated_snr_db(Scenario scenario, int frames = 2) {
  static FftCache fft(FftPlanning::kEstimate);
  scenario.set("dsp.chain=resample,matched-filter,decimate,phase");
  scenario.set("dsp.phase_recovery=genie");
  scenario.set("signal.symbols=16384");
  Meter meter(simulation(fft)(scenario), 1);
  meter.run(frames);
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

TEST_CASE(
    "where split steps were measured to lie farther from the expected interference, the budget says so") {
  // docs/studies.md, table of the budget against split steps.
  const auto error_db = [](const std::string& text) {
    for (const Fact& fact : budget_facts(make_budget(scenario_of("[fibre]\nspans = 1\n" + text))))
      if (fact.name == "nli_error_db") return std::get<double>(fact.value);
    return 0.0;
  };
  const std::string comb = "[channel]\ncount = 3\n";
  CHECK(error_db("") == 0.3);
  CHECK(error_db(comb) == 0.3);
  CHECK(error_db(comb + "spacing_ghz = 33.6\n[signal]\nroll_off = 0.05\n") == 0.7);
  CHECK(error_db(comb + "[fibre]\ndispersion_ps_per_nm_km = 0.5\n") == 0.6);
  CHECK(error_db(comb + "[fibre]\ndispersion_ps_per_nm_km = 2\n") == 0.3);
  CHECK(error_db("[signal]\nroll_off = 1\n") == 0.5);
  CHECK(error_db("[signal]\nroll_off = 1\nmodulation = gaussian\n") == 0.3);
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
           "[transmitter]\nlaser_rin_db_per_hz = -125\n",
           "[laser_lo]\nrin_db_per_hz = -125\nrin_bandwidth_ghz = 8\n",
           // Balance is lost to the oscillator alone at so little light; AC coupling takes its mean away.
           "[frontend]\nreceived_power_dbm = -25\ncmrr_db = 20\nlow_cutoff_khz = 100\n[laser_lo]\n"
           "rin_db_per_hz = -140\n",
       }) {
    const Scenario scenario = scenario_of(text);
    CAPTURE(text);
    // Intensity noise is the same in all lanes: single frames of it scatter by 0.06 dB (six seeds), the rest
    // by less.
    const double difference = simulated_snr_db(scenario, 4) - to_db(make_budget(scenario).snr);
    MESSAGE(difference);
    CHECK(std::abs(difference) < 0.2);
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

TEST_CASE(
    "a receiver whose phase stands still meets the budget, one that tracks follows part of the "
    "interference") {
  FftCache fft(FftPlanning::kEstimate, "");
  // 10 spans at 3 dBm: three quarters of the noise is interference.
  Scenario scenario = scenario_of(
      "[signal]\nmodulation = 16qam\nsymbols = 32768\n[run]\nprecision = "
      "single\n[transmitter]\nlaunch_power_dbm = "
      "3\n[fibre]\nspans = 10\n[adc]\nbits = 16\nloading_db = -16\n[dsp]\nchain = resample,dispersion,"
      "matched-filter,decimate,phase\n");
  const Capture capture = Link(scenario, fft)(0, 0);
  const auto snr_db = [&](const char* recovery, int window) {
    scenario.set("dsp.phase_recovery", recovery, "test");
    scenario.set("dsp.phase_window", std::to_string(window), "test");
    return Receiver(scenario, fft)(capture).snr_db;
  };
  const double expected = to_db(make_budget(scenario).snr), still = snr_db("genie", 64);
  MESSAGE("expected " << expected << " dB, phase standing still " << still
                      << ", averaged over 1024, 64 and 16 symbols " << snr_db("bps", 1024) << ", "
                      << snr_db("bps", 64) << ", " << snr_db("bps", 16));
  // One frame's interference scatters by 0.1 dB; the gain, on the same light, does not. Its growth with a
  // shorter memory is that of R. Dar et al., Opt. Express 21(22) 25685 (2013): slow phase noise is part of
  // the interference.
  CHECK(std::abs(still - expected) < 0.3);
  CHECK(std::abs(snr_db("bps", 1024) - still) < 0.1);
  CHECK(snr_db("bps", 64) - still > 0.2);
  CHECK(snr_db("bps", 16) > snr_db("bps", 64));
}

namespace {

/// Every number a budget gives.
std::vector<double> numbers_of(const Scenario& scenario) {
  const Budget budget = make_budget(scenario);
  std::vector<double> all = {budget.peak_power};
  for (const Fact& fact : budget_facts(budget))
    if (const auto* value = std::get_if<double>(&fact.value))
      all.push_back(std::isnan(*value) ? 0.0 : *value);
  for (const SpanLevel& level : budget.spans)
    all.insert(all.end(),
               {level.input_power, level.output_power, level.osnr.value_or(0.0), level.interference});
  return all;
}

bool is_of_the_bench(const ScenarioKey& key) {
  return !std::set<std::string_view>{"run", "dsp", "fec", "cost", "trace"}.contains(key.section);
}

std::vector<std::string> values_to_try(const ScenarioKey& key, const Scenario& scenario) {
  std::vector<std::string> values;
  if (key.type == KeyType::kBoolean) values = {"true", "false"};
  if (key.type == KeyType::kChoice || key.type == KeyType::kList) values = split(key.choices, '|');
  if (key.type == KeyType::kText || key.type == KeyType::kChoice || key.type == KeyType::kBoolean)
    return values;
  if (key.type == KeyType::kInteger)
    for (const char* x : {"3", "6", "9", "1"}) values.emplace_back(x);
  if (key.type == KeyType::kNumber)
    for (const char* x : {"3", "40", "0.5", "-20", "-150", "190", "1590"}) values.emplace_back(x);
  if (key.type == KeyType::kNumbers) values = {"1", "0.5", "70"};
  if (key.type == KeyType::kNumber || key.type == KeyType::kInteger) return values;
  // Lists have a value for each channel or each span of the scenarios below.
  const std::size_t length =
      key.section == "channel" ? static_cast<std::size_t>(scenario.integer("channel.count")) : 2;
  for (std::string& value : values) {
    const std::string one = value;
    for (std::size_t i = 1; i < length; ++i) value += "," + one;
  }
  // The one under test is as [signal] has it.
  if (key.name == "inputs") values = {"XI,XQ,YI,open"};
  if (key.name == "roll_offs") values = {"0.5,0.1,0.5"};
  if (key.name == "modulations") values = {"16qam,qpsk,16qam"};
  return values;
}

// Whether some value of the key changes the budget, or is listed as not counted; values that do not fit the
// rest of the scenario say nothing.
bool counts(const ScenarioKey& key, const Scenario& base, const std::vector<double>& before) {
  const std::string name = key.full_name();
  for (const std::string& value : values_to_try(key, base)) {
    Scenario scenario = base;
    try {
      scenario.set(name, value, "test");
      const auto listed = make_budget(scenario).not_counted;
      if (std::find(listed.begin(), listed.end(), name) != listed.end()) return true;
      if (numbers_of(scenario) != before) return true;
    } catch (const InputError&) {
    }
  }
  return false;
}

}  // namespace

TEST_CASE("every key of the bench that is off its default changes a budget or is listed as not counted") {
  // Between them every key finds what it needs beside it.
  const std::vector<Scenario> bases = {
      scenario_of(""),  // back to back: a length makes it a line
      scenario_of(
          "[fibre]\nspans = 2\nfilter_bandwidth_ghz = 60\n[channel]\nfilter_bandwidth_ghz = 60\n[laser_lo]\n"
          "rin_db_per_hz = -140\n[frontend]\ncmrr_db = 20\nshot_noise = true\n[transmitter]\n"
          "laser_rin_db_per_hz = -140\nlaunch_amplifier_noise_figure_db = 5\ndac_bits = 8\n"
          "[adc]\ninterleave = 2\n"),
      scenario_of(
          "[fibre]\nspan_lengths_km = 60,80\ncompensation_ps_per_nm = -500\n[transmitter]\nmodulator = iq\n"
          "launch_amplifier_noise_figure_db = 5\nmodulator_extinction_db = 25\ndac_bandwidth_ghz = 20\n"
          "[frontend]\npreamplifier_noise_figure_db = 5\n"),
      scenario_of(
          "[channel]\ncount = 3\nspacing_ghz = 34\n[fibre]\nspans = 1\nraman_slope_per_w_km_thz = 0.028\n"
          "[frontend]\nshot_noise = true\n"),
      // Blocks of 3, 6 or 9 amplitudes, of which the latter hold both and fill the frame.
      scenario_of("[signal]\nmodulation = 16qam\nentropy_bits = 3.2\nsymbols = 18432\n"
                  "[channel]\nosnr_db = 18\n")};
  std::set<std::string> missed;
  for (const ScenarioKey& key : scenario_keys())
    if (is_of_the_bench(key) && !harmless_by_itself(key.full_name())) missed.insert(key.full_name());
  CHECK(missed.size() > 90);
  for (const Scenario& base : bases) {
    const std::vector<double> before = numbers_of(base);
    for (const ScenarioKey& key : scenario_keys())
      if (missed.contains(key.full_name()) && counts(key, base, before)) missed.erase(key.full_name());
  }
  for (const std::string& name : missed) FAIL_CHECK(name << " is neither counted nor listed");
}

TEST_CASE("what the budget calls harmless by itself changes none of its numbers by itself") {
  const Scenario plain;
  const std::vector<double> before = numbers_of(plain);
  for (const ScenarioKey& key : scenario_keys()) {
    const std::string name = key.full_name();
    if (!is_of_the_bench(key) || !harmless_by_itself(name)) continue;
    CAPTURE(name);
    CHECK(!counted_by_budget(name));
    for (const std::string& value : values_to_try(key, plain)) {
      Scenario scenario = plain;
      try {
        scenario.set(name, value, "test");
        const std::vector<double> after = numbers_of(scenario);
        CHECK(after == before);
      } catch (const InputError&) {  // means nothing without the key that switches it on
      }
    }
  }
}

TEST_CASE("a budget lists the flaws that are set and no other") {
  const std::string receiver = "what the receiver's own estimates cost";
  CHECK(make_budget(Scenario()).not_counted == std::vector<std::string>{receiver});
  const Budget budget = make_budget(scenario_of(
      "[transmitter]\niq_phase_error_deg = 20\niq_gain_imbalance_db = 2\nlaser_rin_db_per_hz = -120\n"
      "[frontend]\niq_skew_ps = 6\nlow_cutoff_khz = 0\n[adc]\ngain_spread_db = 2\nbits = 6\n"));
  CHECK(budget.not_counted ==
        std::vector<std::string>{"transmitter.iq_gain_imbalance_db", "transmitter.iq_phase_error_deg",
                                 "frontend.iq_skew_ps", "adc.gain_spread_db", receiver});
  // RIN is noise: it has a term of its own.
  CHECK(term(budget, "laser_rin").ratio > 0.0);
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
