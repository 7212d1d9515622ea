// Whether the blind receiver finds its way in, whatever the line does: random combinations of everything at
// once.
#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>
#include <cstdio>
#include <string>

#include "rx/receiver.h"
#include "sim/link.h"
#include "sim/signal/random.h"
#include "tests/validation.h"

using namespace cohlink;

namespace {

constexpr int kCombinations = 100;            // of each kind
constexpr double kThreshold = 2e-2;           // BER at which the required OSNR is counted
constexpr double kTheory[] = {10.33, 16.79};  // dB, QPSK and 16QAM at 32 GBd and that BER

FftCache& fft() {
  static FftCache cache(FftPlanning::kEstimate, "");
  return cache;
}

// Any state of polarisation, turning; both signs of offset and clock; every fourth one 16QAM. A DGD of 100 ps
// is 3.2 symbols of 32 GBd: 25 taps, 12 symbols, hold that and the pulse.
Scenario combination(int i, RandomStream& random) {
  Scenario s;
  const auto set = [&](const char* key, double value) {
    char text[96];
    std::snprintf(text, sizeof text, "%s=%.9g", key, value);
    s.set(text);
  };
  const auto either = [&](double a, double b) { return random.uniform() < 0.5 ? a : b; };
  const bool qam = i % 4 == 3;
  for (const char* fixed : {"run.fft_planning=estimated", "signal.symbols=16384", "dsp.equaliser_taps=25",
                            "transmitter.laser_linewidth_khz=100", "laser_lo.linewidth_khz=100"})
    s.set(fixed);
  s.set(qam ? "signal.modulation=16qam" : "signal.modulation=qpsk");
  set("run.seed", 1000.0 + i);
  set("channel.osnr_db", kTheory[qam] + 2.0);
  set("channel.pdl_db", 3.0);
  set("channel.polarisation_rotation_deg", 360.0 * random.uniform() - 180.0);
  set("channel.polarisation_retardance_deg", 360.0 * random.uniform() - 180.0);
  set("channel.polarisation_rotation_krad_per_s", either(50.0, 200.0));
  set("laser_lo.frequency_offset_mhz", either(-3600.0, 3600.0));
  set("adc.clock_offset_ppm", either(-100.0, 100.0));
  return s;
}

void add_delay(Scenario& s, RandomStream& random) {
  s.set("channel.dgd_ps=" + std::to_string(100.0 * random.uniform()));
}

// 80 km of linear, lossless fibre in 100 sections whose mean DGD is 30 ps; its dispersion is compensated as
// known.
void add_fibre(Scenario& s) {
  for (const char* fixed : {"fibre.spans=1", "fibre.span_length_km=80", "fibre.attenuation_db_per_km=0",
                            "fibre.step_law=constant", "fibre.steps_per_span=100",
                            "fibre.nonlinear_coefficient_per_w_km=0", "amplifier.ase=false"})
    s.set(fixed);
  s.set("fibre.pmd_ps_per_sqrt_km=" + std::to_string(30.0 / std::sqrt(80.0)));
}

struct Tally {
  int locked = 0, silently_wrong = 0;
  double worst_ber = 0.0, largest_dgd = 0.0, mean_dgd = 0.0;
};

void receive(const Scenario& s, Tally& tally) {
  const Capture capture = Link(s, fft())(0);
  const ReceiverResult result = Receiver(s, fft())(capture);
  const double ber = result.score ? result.score->both.ber() : 0.5;
  tally.worst_ber = std::max(tally.worst_ber, ber);
  tally.largest_dgd = std::max(tally.largest_dgd, capture.truth->dgd_ps);
  tally.mean_dgd += capture.truth->dgd_ps / kCombinations;
  // What it says of itself, against the truth: an offset by the fine estimate's own spread, a clock by its
  // own.
  const bool right = ber < kThreshold && result.clock_offset_ppm &&
                     std::abs(*result.clock_offset_ppm - capture.truth->lanes->clock_offset_ppm) < 5.0 &&
                     std::abs(result.frequency_offset_hz.value() - capture.truth->frequency_offset_hz) < 5e6;
  tally.locked += right;
  tally.silently_wrong += !right && result.warnings.empty();
  CAPTURE(s.number("run.seed"));
  CAPTURE(capture.truth->dgd_ps);
  CHECK(right);
}

Tally all_combinations(const char* name, bool fibres) {
  Tally tally;
  for (int i = 0; i < kCombinations; ++i) {
    RandomStream random = RandomStreams(77, static_cast<std::uint64_t>(i)).stream(name);
    Scenario s = combination(i, random);
    if (fibres)
      add_fibre(s);
    else
      add_delay(s, random);
    receive(s, tally);
  }
  CHECK(tally.locked == kCombinations);
  CHECK(tally.silently_wrong == 0);
  char figures[128];
  std::snprintf(figures, sizeof figures, "%d of %d, DGD %.0f ps mean, %.0f ps largest; worst BER %.1e",
                tally.locked, kCombinations, tally.mean_dgd, tally.largest_dgd, tally.worst_ber);
  validation::record(
      std::string("Lock at 2 dB above the required OSNR: ") +
          (fibres ? "random fibres of 30 ps mean DGD" : "first-order DGD 0 to 100 ps") +
          ", PDL 3 dB, any polarisation turning at 50 or 200 krad/s, offset +-3.6 GHz, clock +-100 ppm",
      "common practice", "every combination", figures);
  return tally;
}

}  // namespace

TEST_CASE("published: lock in each of 100 combinations with first-order DGD of 0 to 100 ps") {
  const Tally tally = all_combinations("dgd", false);
  CHECK(tally.largest_dgd > 90.0);
}

TEST_CASE("published: lock in each of 100 combinations with random fibres of 30 ps mean DGD") {
  const Tally tally = all_combinations("fibres", true);
  // A Maxwellian's standard deviation is 0.42 of its mean: 1.3 ps for the mean of 100.
  CHECK(std::abs(tally.mean_dgd - 30.0) < 4.0);
}
