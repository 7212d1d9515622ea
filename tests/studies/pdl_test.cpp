// PDL of amplifiers through the whole bench: what it costs is what a linear receiver must lose, and no power.
#include <doctest/doctest.h>

#include <cmath>

#include "sim/optical_path.h"
#include "sim/signal/units.h"
#include "tools/study/search/outage.h"

using namespace cohlink;

namespace {

Scenario line(double pdl_db, int seed) {
  Scenario scenario;
  scenario.read_text(
      "[signal]\nsymbols = 8192\n[run]\nfft_planning = estimated\n[transmitter]\nlaunch_power_dbm = -6\n"
      "[fibre]\nspans = 20\nsteps_per_span = 1\nnonlinear_coefficient_per_w_km = 0\n",
      "test");
  scenario.set("amplifier.pdl_db", std::to_string(pdl_db), "test");
  scenario.set("run.seed", std::to_string(seed), "test");
  return scenario;
}

// SNR behind the linear receiver that inverts the path, both polarisations' noise averaged: noise of
// covariance C in H s + n leaves 1 / [(H^H C^-1 H)^-1]_ii (S. M. Kay, Fundamentals of Statistical Signal
// Processing: Estimation Theory, Prentice Hall 1993, ch. 4). Nothing depends on frequency here but
// dispersion, which costs nothing.
double linear_receiver_snr_db(const Scenario& scenario) {
  const LinkSetup setup = link_setup(scenario);
  JonesMatrix h, covariance{0.0, 0.0, 0.0, 0.0};
  double power = 0.5 * setup.transmitter.launch_power;  // of a polarisation
  for (const PlanElement& element : plan_optical_path(setup, RandomStreams(setup.seed)).elements) {
    if (const auto* step = std::get_if<SplitStep>(&element)) {
      const double kept = std::exp(-step->fibre.loss * step->length);
      power *= kept, covariance = kept * covariance;
    } else if (const auto* gain = std::get_if<LumpedGain>(&element)) {
      power *= gain->power_gain;
      covariance = gain->power_gain * covariance + gain->ase_psd * JonesMatrix{};
    } else if (const auto* jones = std::get_if<LumpedJones>(&element)) {
      h = jones->matrix * h;
      covariance = jones->matrix * covariance * adjoint(jones->matrix);
    }
  }
  const JonesMatrix noise = inverse(adjoint(h) * inverse(covariance) * h);
  return to_db(2.0 * power / setup.transmitter.pulse.symbol_rate / (noise.xx + noise.yy).real());
}

double received_snr_db(const Scenario& scenario) {
  FftCache fft(FftPlanning::kEstimate);
  return simulation(fft)(scenario)(0).snr_db();
}

}  // namespace

TEST_CASE("0 to 2 dB of PDL at each of 20 sites costs what it costs a linear receiver") {
  // The adaptive equaliser's own loss is taken out by the line without PDL. 16,000 symbols tell an SNR to
  // 0.05 dB; its taps follow noise the more, the more unequal the polarisations are: 0.3 dB for both.
  for (int seed = 1; seed <= 2; ++seed) {
    const double clear = received_snr_db(line(0.0, seed)), ideal = linear_receiver_snr_db(line(0.0, seed));
    CHECK(clear == doctest::Approx(ideal).epsilon(0.5 / ideal));
    for (const double pdl_db : {0.5, 1.0, 2.0}) {
      CAPTURE(pdl_db);
      CAPTURE(seed);
      const double expected = linear_receiver_snr_db(line(pdl_db, seed)) - ideal;
      CHECK(std::abs(received_snr_db(line(pdl_db, seed)) - clear - expected) < 0.3);
    }
  }
}

TEST_CASE("an outage knows the PDL of each realisation, and its reference has none") {
  FftCache fft(FftPlanning::kEstimate);
  Scenario scenario = line(1.0, 1);
  scenario.set("signal.symbols=4096");
  const Outage found =
      find_outage({scenario, {}, {Criterion::Kind::kSnrPenalty, 0.3}}, 8, simulation(fft), 2);
  // 20 sites of 1 dB: 4.1 dB in the mean (sqrt(160/(3 pi)), fibre_line.cpp), each its own.
  double sum = 0.0;
  for (const Realisation& r : found.realisations) {
    CHECK(r.pdl_db > 0.3);
    sum += r.pdl_db / 8.0;
  }
  CHECK(sum == doctest::Approx(4.12).epsilon(0.6));  // 0.42 / sqrt(8) = 15 %: four times that
  CHECK(found.realisations[0].pdl_db != found.realisations[1].pdl_db);
  CHECK(found.reference_snr_db == doctest::Approx(linear_receiver_snr_db(line(0.0, 1))).epsilon(0.04));
  CHECK(found.outages > 0);
}
