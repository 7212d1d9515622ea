// What a phase estimate takes of the noise: part of every symbol's own noise is in the phase that turns it.
#include <doctest/doctest.h>

#include <cmath>
#include <string>

#include "rx/blocks/phase.h"
#include "rx/quality/likelihood.h"
#include "rx/quality/metrics.h"
#include "tests/rx/generator.h"

using namespace cohlink;

namespace {

constexpr std::size_t kCount = 32768;

// SNR behind the phase recovery over the SNR before, in dB: against what was sent, and without knowing it.
struct Gain {
  double known = 0.0, blind = 0.0;
};

Gain gain_of(const PhaseParameters& p, double snr_db) {
  const auto sent = test::random_symbols(p.modulation, kCount);
  Field<float> field = test::at_symbol_rate(sent.symbols);
  test::add_noise(field, from_db(-snr_db));
  const Field<float> out = PhaseRecovery(p)(field, 0, kCount, nullptr, 0.0).symbols;
  const auto blind_snr_db = [&](const Field<float>& f) {
    return to_db(fit_constellation(f.x, p.modulation).snr());
  };
  return {error_vector(out.x, sent.symbols[0]).snr_db() - error_vector(field.x, sent.symbols[0]).snr_db(),
          blind_snr_db(out) - blind_snr_db(field)};
}

// Of n symbols whose decisions turn each: D. C. Rife and R. R. Boorstyn's variance 1/(2 n SNR), IEEE Trans.
// Inf. Theory 20(5) 591 (1974), is what the symbols' own noise loses.
double share_db(int window) { return -to_db(1.0 - 0.5 / (2.0 * (2 * (window / 2) + 1))); }

}  // namespace

TEST_CASE("Blind phase search over n symbols takes 1/(2 n) of the noise where decisions are right") {
  for (const auto& [modulation, snr_db] : {std::pair{Modulation::kQpsk, 14.0}, {Modulation::kQam16, 21.0}})
    for (const int window : {8, 16, 32}) {
      const Gain gain = gain_of({PhaseMethod::kBlindSearch, modulation, window, 32, true}, snr_db);
      CAPTURE(window);
      CAPTURE(gain.known);
      CAPTURE(gain.blind);
      // The share, 1/(2 n) of a noise power that is itself known to 1/sqrt(N); four of its deviations, of the
      // difference of two that are all but the same: sqrt(2 / (2 n) / N) each.
      const double n = 2.0 * (window + 1), allowed = 4.0 * to_db(std::exp(1.0)) * std::sqrt(1.0 / n / kCount);
      CHECK(std::abs(gain.known - share_db(window)) < allowed);
      CHECK(std::abs(gain.blind - share_db(window)) < allowed);
    }
}

TEST_CASE("Where decisions are wrong it takes less against known symbols, and at most twice that without") {
  for (const auto& tried : {std::pair{Modulation::kQpsk, 32}, {Modulation::kQam16, 64}}) {
    const auto& modulation = std::get<0>(tried);
    const auto& window = std::get<1>(tried);
    const double snr_db = to_db(theory_snr(modulation, 2e-2));
    const Gain gain = gain_of({PhaseMethod::kBlindSearch, modulation, window, 32, true}, snr_db);
    CAPTURE(window);
    CAPTURE(gain.known);
    CAPTURE(gain.blind);
    CHECK(gain.known < share_db(window));
    CHECK(gain.blind > share_db(window));
    CHECK(gain.blind < 2.0 * share_db(window) + 0.02);  // the blind SNR's own change on another draw
  }
}
