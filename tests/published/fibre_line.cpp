// Amplified lines: OSNR, step laws and precision over long links.
#include <doctest/doctest.h>

#include <cmath>
#include <string>

#include "sim/fibre/line.h"
#include "sim/signal/field_difference.h"
#include "sim/signal/propagation/engine.h"
#include "sim/signal/units.h"
#include "tests/ffts.h"
#include "tests/published/fibre_wdm.h"
#include "tests/validation.h"

using namespace cohlink;
using test::ffts;

namespace {

wdm::Signal one_channel(std::size_t symbols, double power_dbm) {
  wdm::Signal signal;
  signal.modulation = Modulation::kQam16;
  signal.symbols = symbols;
  signal.samples_per_symbol = 4;
  signal.power = dbm_to_watt(power_dbm);
  return signal;
}

// OSNR [dB] as an optical spectrum analyser would take it: noise density beside the channel, total power less
// that noise.
double osnr_from_spectrum(Field<double> field, double channel_edge) {
  const std::size_t n = field.size();
  double total = 0.0, beside = 0.0;
  std::size_t bins_beside = 0;
  for (auto* row : field.rows()) {
    ffts().get<double>(n).forward(*row);
    for (std::size_t k = 0; k < n; ++k) {
      const double p = std::norm((*row)[k]) / (static_cast<double>(n) * static_cast<double>(n));
      total += p;
      if (std::abs(bin_frequency(k, n, field.sample_rate)) > channel_edge) {
        beside += p;
        ++bins_beside;
      }
    }
  }
  const double noise_per_bin = 2.0 * beside / static_cast<double>(bins_beside);  // both polarisations
  const double signal = total - noise_per_bin * static_cast<double>(n);
  return to_db(signal / (noise_per_bin * static_cast<double>(n) / field.sample_rate * kOsnrBandwidthHz));
}

}  // namespace

TEST_CASE("OSNR after N equal spans is the 58 dB rule in its exact form") {
  // P_launch / (N (F G - 1) h nu B). Noise is estimated from 2 x 0.7 x 2^18 bins: 0.16 %, 0.007 dB; bar 0.02
  // dB.
  for (const int spans : {1, 4, 12}) {
    LineParameters line;
    line.sections.resize(static_cast<std::size_t>(spans));
    for (LineSection& section : line.sections) {
      section.span.gamma = 0.0;  // the rule is linear
      section.span.pmd_coefficient = 0.1e-12 / std::sqrt(1e3);
    }
    line.steps = {StepLaw::kConstant, 1};
    line.bandwidth = 1e9;
    const wdm::Signal signal = one_channel(65536, 0.0);
    wdm::Sent sent;
    Field<double> field = wdm::transmit(signal, ffts(), sent);
    const double launched = mean_power(field);  // what these symbols happen to carry
    FastEngine<double>{ffts()}(field, plan_line(line, RandomStreams(3)), RandomStreams(3));
    const double gain = std::exp(line.sections[0].span.loss * 80e3), factor = from_db(5.0);
    const double exact =
        to_db(launched / (spans * (factor * gain - 1.0) * kPlanck * kCarrierHz * kOsnrBandwidthHz));
    const double rule =
        57.953 + watt_to_dbm(launched) - 16.0 - 5.0 - to_db(spans);  // the rule rounds F G - 1 to F G
    const double measured = osnr_from_spectrum(field, 1.05 * pulse_band_edge(signal.shape));
    INFO("exact " << exact << ", rule " << rule << ", spectrum " << measured);
    CHECK(std::abs(measured - exact) < 0.02);
    CHECK(std::abs(exact - rule) < 0.04);
    validation::record("OSNR from the spectrum after " + std::to_string(spans) + " x 80 km, 0 dBm, NF 5 dB",
                       "58 dB rule, exact form (ITU-T G.680 and G.Sup39, from memory)", exact, measured, 0.02,
                       "dB");
  }
}

TEST_CASE("the default step law is converged over 20 spans") {
  // 65,536 symbols of one 32 GBd channel; the converged run takes eight times as many steps, each law's error
  // falls as the square.
  const wdm::Signal signal = one_channel(65536, 2.0);
  LineParameters line;
  line.bandwidth = signal.bandwidth();
  line.sections.resize(20);
  for (LineSection& section : line.sections) {
    section.span.beta3 = 0.0;
    section.amplifier.ase = false;
  }
  const double beta2_length = 20.0 * line.sections[0].span.beta2 * line.sections[0].span.length;
  const auto snr_db = [&](const StepControl& steps) {
    line.steps = steps;
    wdm::Sent sent;
    Field<float> field = convert_field<float>(wdm::transmit(signal, ffts(), sent));
    wdm::propagate(field, plan_line(line, RandomStreams(1)), ffts());
    return -to_db(wdm::receive(signal, field, beta2_length, sent, ffts()).noise_to_signal());
  };
  StepControl fine;
  fine.steps_per_span *= 8;
  const double converged = snr_db(fine), with_default = snr_db({});
  INFO("default " << with_default << " dB, converged " << converged << " dB");
  CHECK(std::abs(with_default - converged) < 0.03);
  validation::record("Nonlinear SNR of the default steps against eight times as many, 20 x 80 km, +2 dBm",
                     "convergence", converged, with_default, 0.03, "dB");
}

TEST_CASE("single precision stays 60 dB below the signal after 3000 steps") {
  const wdm::Signal signal = one_channel(4096, 0.0);
  LineParameters line;
  line.bandwidth = signal.bandwidth();
  line.steps.steps_per_span = 150;
  line.sections.resize(20);
  for (LineSection& section : line.sections) section.amplifier.ase = false;
  const PropagationPlan plan = plan_line(line, RandomStreams(1));
  REQUIRE(totals(plan).split_steps == 3000);
  wdm::Sent sent;
  Field<double> exact = wdm::transmit(signal, ffts(), sent);
  const Field<double> start = exact;
  FastEngine<double>{ffts(), FieldLayout::kNatural}(exact, plan, RandomStreams(1));
  for (const FieldLayout layout : {FieldLayout::kNatural, FieldLayout::kTwoPass}) {
    Field<float> field = convert_field<float>(start);
    FastEngine<float>{ffts(), layout}(field, plan, RandomStreams(1));
    const double error = to_db(difference_power(field, exact));
    INFO("error " << error << " dB");
    CHECK(error < -60.0);
    validation::record(std::string("Single against double precision after 3000 steps, ") +
                           (layout == FieldLayout::kNatural ? "whole FFTs" : "two-pass layout"),
                       "bar set beforehand", "below -60 dB", std::to_string(error) + " dB");
  }
}
