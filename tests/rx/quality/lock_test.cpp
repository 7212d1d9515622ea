#include "rx/quality/lock.h"

#include <doctest/doctest.h>

#include <cmath>
#include <string>

#include "rx/blocks/phase.h"
#include "rx/receiver.h"
#include "sim/signal/units.h"
#include "tests/rx/generator.h"

using namespace cohlink;

namespace {

constexpr std::size_t kCount = 32768;

Field<float> noise_alone() {
  Field<float> field(kCount, test::kRate);
  test::add_noise(field, 1.0);
  return field;
}

std::array<double, 2> after_phase(const Field<float>& symbols, const PhaseParameters& p) {
  return carrier_coherence(PhaseRecovery(p)(symbols, 0, kCount, nullptr, 0.0).symbols, 0, kCount);
}

}  // namespace

TEST_CASE("Noise alone never looks locked, whatever the phase estimate") {
  for (const auto modulation : {Modulation::kQpsk, Modulation::kQam16})
    for (const auto method : {PhaseMethod::kBlindSearch, PhaseMethod::kFourthPower})
      for (const int window : {8, 32, 64, 256})
        for (const bool joint : {true, false}) {
          const auto averaged = static_cast<std::size_t>(window) * (joint ? 2 : 1);
          for (const double c : after_phase(noise_alone(), {method, modulation, window, 32, joint})) {
            CAPTURE(window);
            CAPTURE(joint);
            CAPTURE(static_cast<int>(method));
            CHECK(c < coherence_needed(averaged));
          }
        }
}

TEST_CASE("A constellation at a BER no code corrects still looks locked") {
  // QPSK at 4 dB: BER 5.6e-2; 16QAM at 10.5 dB: 4.6e-2 (theory_ber).
  for (const auto& [modulation, snr_db] : {std::pair{Modulation::kQpsk, 4.0}, {Modulation::kQam16, 10.5}}) {
    const auto sent = test::random_symbols(modulation, kCount);
    Field<float> field = test::at_symbol_rate(sent.symbols);
    test::add_noise(field, from_db(-snr_db));
    for (const double c : after_phase(field, {PhaseMethod::kBlindSearch, modulation, 64, 32, true}))
      CHECK(c > coherence_needed(128));
  }
}

TEST_CASE("Without truth a receiver that cannot lock says so, and one that can does not") {
  for (const auto modulation : {Modulation::kQpsk, Modulation::kQam16}) {
    const auto sent = test::random_symbols(modulation, 16384);
    Field<float> field = test::through(test::rotation(0.6, 1.0), test::shaped(sent.symbols, 2));
    test::add_noise(field, 2.0 * from_db(-16.0));
    Scenario s;
    s.set("run.fft_planning=estimated");
    s.set("signal.modulation=" + std::string(modulation_name(modulation)));
    Capture capture = test::as_capture(field, sent);
    const ReceiverResult known = Receiver(s, test::fft())(capture);
    capture.truth.reset();
    const ReceiverResult good = Receiver(s, test::fft())(capture);
    CHECK(known.locked);
    CHECK(good.locked);
    CHECK(good.warnings.empty());
    s.set("dsp.dispersion_ps_per_nm=20000");
    const ReceiverResult bad = Receiver(s, test::fft())(capture);
    CHECK(!bad.locked);
    CHECK(!bad.warnings.empty());
    Capture silence = capture;
    const Field<float> noise = [] {
      Field<float> n(32768, 64e9);
      test::add_noise(n, 1.0);
      return n;
    }();
    silence = test::as_capture(noise, sent);
    silence.truth.reset();
    s.set("dsp.dispersion_ps_per_nm=0");
    CHECK(!Receiver(s, test::fft())(silence).locked);
  }
}

namespace {

std::vector<Modulation> formats() {
  std::vector<Modulation> all;
  for (std::size_t row = 0; row < constellations().size(); ++row)
    if (!constellations()[row].empty()) all.emplace_back(row);
  return all;
}

}  // namespace

TEST_CASE("Symbols of every format are told from every other, and from nothing else, at a BER of 2e-2") {
  for (const Modulation sent : formats()) {
    const auto symbols = test::random_symbols(sent, 4096).symbols;
    Field<float> noisy = test::at_symbol_rate(symbols);
    test::add_noise(noisy, 1.0 / theory_snr(sent, 2e-2));
    for (const Modulation told : formats()) {
      CAPTURE(std::string(modulation_name(sent)));
      CAPTURE(std::string(modulation_name(told)));
      const auto likelier = likelier_modulation(noisy.x, told);
      CHECK(likelier.has_value() == (sent != told));
      if (likelier) CHECK(*likelier == sent);
    }
  }
}

TEST_CASE("A receiver told another format than was sent has no lock, for every pair of formats") {
  for (const Modulation sent : formats()) {
    const auto data = test::random_symbols(sent, 16384);
    Field<float> field = test::through(test::rotation(0.6, 1.0), test::shaped(data.symbols, 2));
    // Two samples a symbol hold twice the noise; 3 dB more SNR than a BER of 2e-2 needs.
    test::add_noise(field, 2.0 / theory_snr(sent, 2e-2) * from_db(-3.0));
    Capture capture = test::as_capture(field, data);
    capture.truth.reset();
    for (const Modulation told : formats()) {
      Scenario s = test::scenario_of({"signal.modulation=" + std::string(modulation_name(told))});
      CAPTURE(std::string(modulation_name(sent)));
      CAPTURE(std::string(modulation_name(told)));
      const ReceiverResult result = Receiver(s, test::fft())(capture, false);
      CHECK(result.locked == (sent == told));
      CHECK(result.warnings.empty() == (sent == told));
    }
  }
}
