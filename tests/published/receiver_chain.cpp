// The whole receiver, block on block, where a single one would not show it: its word on its own lock, and the
// phase noise that its dispersion filter makes.
#include <doctest/doctest.h>

#include <cmath>
#include <cstdio>
#include <string>

#include "rx/blocks/phase.h"
#include "rx/quality/lock.h"
#include "rx/quality/metrics.h"
#include "rx/receiver.h"
#include "sim/link.h"
#include "tests/rx/generator.h"
#include "tests/validation.h"

using namespace cohlink;

namespace {

// Outputs, of `trials` captures of two each, whose coherence reaches what is needed: constellations at
// `snr_db`, or noise alone.
std::size_t outputs_that_look_locked(Modulation modulation, std::optional<double> snr_db,
                                     std::size_t trials) {
  constexpr std::size_t kCount = 16384;
  const PhaseRecovery recovery({PhaseMethod::kBlindSearch, modulation, 64, 32, true});
  std::size_t locked = 0;
  for (std::uint64_t trial = 0; trial < trials; ++trial) {
    Field<float> field(kCount, test::kRate);
    if (snr_db) field = test::at_symbol_rate(test::random_symbols(modulation, kCount, trial).symbols);
    test::add_noise(field, snr_db ? from_db(-*snr_db) : 1.0, trial);
    const auto symbols = recovery(field, 0, kCount, nullptr, 0.0).symbols;
    for (const double c : carrier_coherence(symbols, 0, kCount)) locked += c >= coherence_needed(128);
  }
  return locked;
}

std::string rate_text(std::size_t events, std::size_t of) {
  char text[96];
  std::snprintf(text, sizeof text, "%zu of %zu, below %.2g at 95 %% confidence", events, of,
                clopper_pearson(events, of).high);
  return text;
}

// Mean noise, of the signal's power, beside the recovered symbols of several captures.
double mean_noise(const Scenario& s, std::uint64_t frames) {
  const Link link(s, test::fft());
  const Receiver receiver(s, test::fft());
  double sum = 0.0;
  for (std::uint64_t frame = 0; frame < frames; ++frame) {
    const ReceiverResult result = receiver(link(frame), false);
    REQUIRE(result.score);
    sum += from_db(-result.score->snr_db) / static_cast<double>(frames);
  }
  return sum;
}

}  // namespace

TEST_CASE("published: the lock indicator's false alarms on noise and misses on signals are rare") {
  // No event in 500 puts a rate below 0.75 %.
  constexpr std::size_t kTrials = 250;
  for (const auto modulation : {Modulation::kQpsk, Modulation::kQam16}) {
    const std::string name(modulation_name(modulation));
    const std::size_t alarms = outputs_that_look_locked(modulation, std::nullopt, kTrials);
    CHECK(alarms == 0);
    validation::record("lock indicator: noise alone taken for " + name +
                           ", 16,384 symbols, search over 64 symbols of both polarisations",
                       "measured; no published value", "rare", rate_text(alarms, 2 * kTrials));
    for (const double ber : {2e-2, 4e-2}) {
      const double snr_db = to_db(theory_snr(modulation, ber));
      const std::size_t missed = 2 * kTrials - outputs_that_look_locked(modulation, snr_db, kTrials);
      CHECK(missed == 0);
      char figure[16];
      std::snprintf(figure, sizeof figure, "%.0e", ber);
      validation::record("lock indicator: " + name + " at the SNR of BER " + figure + " not recognised",
                         "measured; no published value", "rare", rate_text(missed, 2 * kTrials));
    }
  }
}

TEST_CASE(
    "published: the whole chain at +-50,000 ps/nm loses what equalisation-enhanced phase noise must cost") {
  // Local oscillator of 100 kHz behind the dispersion; no other noise. The phase search follows the slow part
  // of what Shieh and Ho's variance holds and leaves about 0.6 of it (own estimate, nothing published); the
  // equaliser follows some of the rest. Each of 6 frames holds 145 spreads of 451 symbols: 8 % a frame, 3.4 %
  // together.
  constexpr double kLinewidth = 100e3, kRollOff = 0.1;
  Scenario s;
  for (const char* setting : {"run.fft_planning=estimated", "signal.symbols=65536",
                              "laser_lo.linewidth_khz=100", "transmitter.laser_linewidth_khz=100"})
    s.set(setting);
  const double at_none = mean_noise(s, 3);
  const double expected = kPi * kWavelength * kWavelength * 50.0 * test::kRate * kLinewidth /
                          (2.0 * kSpeedOfLight) * (1.0 - 0.5 * kRollOff);
  double together = 0.0;
  for (const char* dispersion : {"50000", "-50000"}) {
    s.set(std::string("channel.extra_dispersion_ps_per_nm=") + dispersion);
    const double ratio = (mean_noise(s, 3) - at_none) / expected;
    MESSAGE(std::string(dispersion) << " ps/nm: " << ratio << " of Shieh and Ho's variance, " << at_none
                                    << " without dispersion");
    together += 0.5 * ratio;
  }
  CHECK(together > 0.5);
  CHECK(together < 0.75);
  char figure[16];
  std::snprintf(figure, sizeof figure, "%.2f", together);
  validation::record(
      "equalisation-enhanced phase noise in the whole chain, +-50,000 ps/nm, oscillator of 100 kHz: "
      "noise added over its variance before tracking",
      "Shieh and Ho, Opt. Express 16(20) 15718 (2008), times 1 - roll_off/2, before any tracker",
      "below 1; nothing published behind a tracker, own estimate 0.6", figure);
}
