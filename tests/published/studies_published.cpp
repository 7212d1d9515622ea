// Studies against outside references: the Gaussian-noise model against split steps.
#include <doctest/doctest.h>

#include <cmath>
#include <string>
#include <vector>

#include "rx/quality/metrics.h"
#include "sim/budget/interference.h"
#include "sim/link_setup.h"
#include "sim/optical_path.h"
#include "sim/signal/propagation/engine.h"
#include "sim/signal/units.h"
#include "sim/transmitter/transmitter.h"
#include "tests/validation.h"
#include "tools/study/budget.h"
#include "tools/study/plan/numbers.h"
#include "tools/study/search/limit.h"
#include "tools/study/search/search.h"

using namespace cohlink;

namespace {

// A line of 80 km spans without noise whose third-order dispersion is cancelled, so that a quadratic inverse
// recovers everything but the nonlinear interference.
Scenario noiseless_line(const std::string& modulation, int spans, double launch_dbm, int symbols) {
  Scenario scenario;
  // The model's light is Gaussian as a waveform, too; a wide roll-off would give it a symbol clock.
  scenario.read_text(
      "[signal]\nroll_off = 0.01\n[run]\nsamples_per_symbol = 2\n[amplifier]\nase = "
      "false\n[fibre]\nsteps_per_span = 25\n",
      "test");
  scenario.set("signal.modulation=" + modulation);
  scenario.set("signal.symbols=" + std::to_string(symbols));
  scenario.set("fibre.spans=" + std::to_string(spans));
  scenario.set("transmitter.launch_power_dbm=" + std::to_string(launch_dbm));
  scenario.set("fibre.dispersion_slope_ps_per_nm2_km=" + std::to_string(-2.0 * 17.0 / 1550.0));
  return scenario;
}

// A comb at 50 GHz through everything from modulator to ADC, and a receiver that estimates next to nothing.
Scenario comb_scenario(const std::string& modulation, int channels, int spans, double launch_dbm) {
  Scenario scenario;
  scenario.read_text(
      "[signal]\nsymbols = 32768\nroll_off = 0.01\n[run]\nprecision = single\n[amplifier]\nase = "
      "false\n[adc]\nbits = 12\n"
      "loading_db = -14\n[dsp]\nchain = resample,dispersion,matched-filter,decimate,phase\n"
      "phase_recovery = genie\n",
      "test");
  scenario.set("signal.modulation=" + modulation);
  scenario.set("channel.count=" + std::to_string(channels));
  scenario.set("fibre.spans=" + std::to_string(spans));
  scenario.set("transmitter.launch_power_dbm=" + std::to_string(launch_dbm));
  scenario.set("fibre.dispersion_slope_ps_per_nm2_km=" + std::to_string(-2.0 * 17.0 / 1550.0));
  return scenario;
}

// Exact inverse dispersion and matched filter on the periodic field, one sample a symbol; no ADC, no blind
// block: what is left beside the sent symbol is the interference.
ComplexRow<double> matched_samples(const ComplexRow<double>& row, double sample_rate, double beta2_length,
                                   const TransmitterParameters& sent, const FftCache& fft) {
  ComplexRow<double> spectrum = row;
  const std::size_t n = row.size();
  fft.get<double>(n).forward(spectrum);
  for (std::size_t k = 0; k < n; ++k) {
    const double f = bin_frequency(k, n, sample_rate), w = kTwoPi * f;
    spectrum[k] *= pulse_spectrum(sent.pulse, f) * std::polar(1.0, -0.5 * beta2_length * w * w);
  }
  fft.get<double>(n).inverse(spectrum);
  ComplexRow<double> symbols(n / sent.samples_per_symbol);
  for (std::size_t k = 0; k < symbols.size(); ++k) symbols[k] = spectrum[k * sent.samples_per_symbol];
  return symbols;
}

struct Propagated {
  double noise;  // to signal, power
  double power;  // launched, of this very frame: Gaussian symbols vary
};

// One frame by split steps.
Propagated split_steps(const Scenario& scenario, std::uint64_t frame, const FftCache& fft) {
  const LinkSetup setup = link_setup(scenario);
  const RandomStreams streams(setup.seed, frame, 0);
  const PropagationPlan plan = plan_optical_path(setup, RandomStreams(setup.seed));
  TransmittedFrame sent = transmit(setup.transmitter, streams, fft);
  const double launched = mean_power(sent.field);
  FastEngine<double> engine(fft);
  engine(sent.field, plan, streams);
  const double beta2_length = totals(plan).beta2_length;
  double noise = 0.0;
  for (const int p : {0, 1}) {
    const auto received =
        matched_samples(*sent.field.rows()[p], sent.field.sample_rate, beta2_length, setup.transmitter, fft);
    const std::vector<std::complex<float>> narrow(received.begin(), received.end());
    noise += 0.5 / error_vector(narrow, sent.data.symbols[p]).snr;
  }
  return {noise, launched};
}

FftCache& plans() {
  static FftCache fft(FftPlanning::kEstimate);
  return fft;
}

// Interference of a noiseless line over P^3, eta [1/W^2].
double mean_eta(const Scenario& scenario, int frames) {
  double sum = 0.0;
  for (int frame = 0; frame < frames; ++frame) {
    const Propagated m = split_steps(scenario, static_cast<std::uint64_t>(frame), plans());
    sum += m.noise / (m.power * m.power);
  }
  return sum / frames;
}

GnLine model_line(const LinkSetup& setup) {
  GnLine line;
  for (const auto& s : setup.line.sections)
    line.push_back({s.span.length, s.span.loss, s.span.beta2, s.span.gamma});
  return line;
}

Interference model(const Scenario& scenario) {
  const LinkSetup setup = link_setup(scenario);
  InterferenceModel of({{0.0, 1.0, setup.transmitter.pulse, format_moments(setup.transmitter.modulation)}});
  return of(model_line(setup));
}

double model_eta(const Scenario& scenario) { return model(scenario).integral_matched; }

}  // namespace

TEST_CASE("the GN integral meets split steps with Gaussian symbols within 0.3 dB, 1 to 20 spans") {
  // Ten frames of 8,192 symbols leave a standard error of 0.07 dB, which all line lengths share.
  for (const int spans : {1, 2, 5, 10, 20}) {
    const Scenario scenario = noiseless_line("gaussian", spans, 0.0, 8192);
    const double model = -to_db(model_eta(scenario) * 1e-6), measured = -to_db(mean_eta(scenario, 10) * 1e-6);
    MESSAGE(spans << " spans: split steps " << measured << " dB, GN integral " << model << " dB");
    validation::record("SNR of nonlinear interference alone at 0 dBm, " + std::to_string(spans) +
                           " spans of 80 km, one 32 GBd channel of Gaussian symbols",
                       "GN model, coherent, after the matched filter: Poggiolini, JLT 30(24) 3857 (2012)",
                       model, measured, 0.3, "dB");
    CHECK(std::abs(measured - model) < 0.3);
  }
}

TEST_CASE("QPSK and 16QAM are quieter than the GN model by what the EGN correction says, within 0.3 dB") {
  for (const std::string modulation : {"qpsk", "16qam"}) {
    for (const int spans : {1, 5}) {
      const Scenario scenario = noiseless_line(modulation, spans, 0.0, 8192);
      const double correction = to_db(model(scenario).expected() / model_eta(scenario));
      const double measured = to_db(mean_eta(scenario, 3) / model_eta(scenario));
      MESSAGE(modulation << ", " << spans << " spans: split steps " << measured << " dB below GN, EGN "
                         << correction);
      validation::record("interference relative to the GN model, " + modulation + ", " +
                             std::to_string(spans) + " spans of 80 km at 32 GBd",
                         "Carena et al., Opt. Express 22(13) 16335 (2014)", correction, measured, 0.3, "dB");
      CHECK(std::abs(measured - correction) < 0.3);
    }
  }
}

TEST_CASE("budget meets the whole chain amid neighbours within 0.3 dB, Gaussian symbols, QPSK and 16QAM") {
  // The scatter of a frame is 0.1 dB for Gaussian symbols and less for others. Powers keep the next order of
  // the interference below 0.1 dB.
  struct Case {
    const char* modulation;
    int channels, spans;
    double launch_dbm;
    std::size_t frames;
  };
  const std::vector<Case> cases = {{"gaussian", 5, 1, 2.0, 2}, {"gaussian", 5, 5, -2.0, 2},
                                   {"qpsk", 5, 1, 3.0, 1},     {"qpsk", 5, 5, -1.0, 1},
                                   {"qpsk", 3, 20, -2.0, 1},   {"16qam", 5, 5, -1.0, 2}};
  for (const Case& c : cases) {
    const Scenario scenario = comb_scenario(c.modulation, c.channels, c.spans, c.launch_dbm);
    Meter meter(simulation(plans())(scenario), 1);
    meter.run(c.frames);
    const double measured = meter.total().snr_db(), model = to_db(make_budget(scenario).snr);
    MESSAGE(std::string(c.modulation)
            << ", " << c.channels << " channels, " << c.spans << " spans: whole chain " << measured
            << " dB, budget " << model << " dB");
    validation::record(
        "SNR amid neighbours, whole chain: " + std::to_string(c.channels) + " channels at 50 GHz, " +
            c.modulation + ", " + std::to_string(c.spans) + " spans of 80 km, " + readable(c.launch_dbm) +
            " dBm a channel",
        "budget: GN, Poggiolini, JLT 30(24) 3857 (2012), EGN for self and cross-phase modulation, "
        "Carena et al., OE 22(13) 16335 (2014)",
        model, measured, 0.3, "dB");
    CHECK(std::abs(measured - model) < 0.3);
  }
}

TEST_CASE("the optimum launch power of the GN integral meets that of split steps within 0.3 dB") {
  // 1/SNR = a/P + eta P^2 at three powers about the optimum, least squares by the two normal equations.
  double pp = 0.0, pq = 0.0, qq = 0.0, yp = 0.0, yq = 0.0;
  Scenario scenario;
  for (const double dbm : {-2.0, 0.0, 2.0}) {
    scenario = noiseless_line("gaussian", 10, dbm, 8192);
    scenario.set("amplifier.ase=true");
    for (std::uint64_t frame = 0; frame < 4; ++frame) {
      const Propagated m = split_steps(scenario, frame, plans());
      const double mw = m.power * 1e3, weight = 1.0 / m.noise;  // equal relative weight
      const double p = weight / mw, q = weight * mw * mw, y = 1.0;
      pp += p * p, pq += p * q, qq += q * q, yp += y * p, yq += y * q;
    }
  }
  const double determinant = pp * qq - pq * pq;
  const double ase = (yp * qq - yq * pq) / determinant, eta = (yq * pp - yp * pq) / determinant;
  const double measured = to_db(std::cbrt(ase / (2.0 * eta)));

  const LinkSetup setup = link_setup(scenario);
  const LightLevels levels = light_levels(plan_optical_path(setup, RandomStreams(1)), launched_light(setup));
  const double noise = 2.0 * levels.noise_psd * setup.transmitter.pulse.symbol_rate;
  const double model = watt_to_dbm(std::cbrt(noise / (2.0 * model_eta(scenario))));
  MESSAGE("optimum launch power: split steps " << measured << " dBm, GN integral " << model << " dBm");
  validation::record("optimum launch power, 10 spans of 80 km, one 32 GBd channel of Gaussian symbols",
                     "GN model, coherent, after the matched filter: Poggiolini, JLT 30(24) 3857 (2012)",
                     model, measured, 0.3, "dBm");
  CHECK(std::abs(measured - model) < 0.3);
}

namespace {

// Differential coding, one polarisation an estimate, 32 test phases, a half-width of 10.
Scenario blind_phase_search_of(const char* modulation, double osnr_db) {
  Scenario scenario;
  scenario.read_text(
      "[signal]\nsymbol_rate_gbd = 28\nsymbols = 32768\ndifferential = true\n[run]\nsamples_per_symbol = "
      "2\n"
      "[dsp]\nchain = resample,matched-filter,decimate,phase\nphase_window = 21\ntest_phases = 32\n"
      "phase_joint = false\n[fec]\nthreshold_ber = 1e-3\n",
      "test");
  scenario.set("signal.modulation", modulation, "test");
  scenario.set("channel.osnr_db", std::to_string(osnr_db), "test");
  return scenario;
}

}  // namespace

TEST_CASE(
    "limit finds the published linewidth tolerances of blind phase search, but for the half-width's share") {
  struct Published {
    const char* modulation;
    double osnr_db;    // 1 dB above what theory without differential coding needs for 1e-3 at 28 GBd
    double tolerance;  // sum of linewidths times symbol time
  };
  // The half-width of the average is 10; 6
  // to 10 are what the paper used, from memory, and the answer hangs on it: 9 puts QPSK at 5.6e-4 (4.2e-4 to
  // 6.8e-4), just above the published value. It hangs on the reference too: this one is theory without
  // differential coding; against the coded receiver with perfect phase the same chain tolerates two to three
  // times more.
  for (const Published& p : {Published{"qpsk", 14.303, 4.1e-4}, Published{"16qam", 21.046, 1.4e-4}}) {
    const Scenario scenario = blind_phase_search_of(p.modulation, p.osnr_db);
    LimitRule rule;
    rule.key = "laser_lo.linewidth_khz";
    rule.from = 1000.0, rule.to = 40000.0;
    rule.criterion = parse_criterion("ber", scenario);
    rule.frames = 60;
    const Limit limit = find_limit(scenario, rule, simulation(plans()), 1);
    REQUIRE(limit.crossed());
    const auto product = [](double khz) { return khz * 1e3 / 28e9; };
    MESSAGE(std::string(p.modulation)
            << ": " << product(limit.value) << " (" << product(limit.holds) << " to " << product(limit.fails)
            << "), published " << p.tolerance << ", " << limit.frames << " frames");
    validation::record(
        "linewidth-symbol-time product for 1 dB at BER 1e-3 over theory without differential coding, "
        "blind phase search of half-width 10, " +
            std::string(p.modulation),
        "Pfau, Hoffmann and Noe, JLT 27(8) 989 (2009), abstract", p.tolerance, product(limit.value),
        0.5 * (product(limit.fails) - product(limit.holds)));
    // The interval, and a third for the half-width that is known from memory (above).
    CHECK(product(limit.holds) <= 4.0 / 3.0 * p.tolerance);
    CHECK(product(limit.fails) >= 0.75 * p.tolerance);
  }
}
