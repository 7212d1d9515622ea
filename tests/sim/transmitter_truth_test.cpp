// Truth of the transmitter against what an independent look at the codes finds (look_at_codes.h).
#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>

#include "tests/sim/look_at_codes.h"

using namespace cohlink;
using namespace cohlink::test;

namespace {

/// Child interferometers of the IQ modulator in one polarisation, from lanes that carry, with k = pi/(2
/// V_pi),
///   I: (1 + g_o) sin(k u_I + e_I/2) + (1 - g_o) g cos(k u_Q + e_Q/2),
///   Q: (1 - g_o) sin(k u_Q + e_Q/2) - (1 + g_o) g cos(k u_I + e_I/2).
struct ModulatorFits {
  std::array<Fit, 2> fits;
  static Fit of_lane(const Capture& c, const Reference& r, std::size_t lane) {
    const double k = kPi * 0.1 * 10.0 * std::sqrt(2.0) / (2.0 * 4.0);  // keys' values: 0.1 V, 20 dB, 4 V
    std::vector<Row> basis;
    for (const std::size_t drive : {lane & ~1u, lane | 1u})
      for (const bool cosine : {false, true}) {
        basis.push_back(r.lane(drive));
        for (double& u : basis.back()) u = cosine ? std::cos(k * u) : std::sin(k * u);
      }
    return Fit(current(c, lane), basis);
  }
  ModulatorFits(const Capture& c, const Reference& r, std::size_t pol)
      : fits{of_lane(c, r, 2 * pol), of_lane(c, r, 2 * pol + 1)} {}
  /// Offset of a lane's own child from its null [deg].
  Estimate bias_deg(std::size_t lane) const {
    return fits[lane].of(
        [lane](const Row& x) { return 2.0 * std::atan2(x[2 * lane + 1], x[2 * lane]) * 180.0 / kPi; });
  }
};

}  // namespace

TEST_CASE(
    "truth in the codes: transmitter gain, phase and power balance by least squares on the sent lanes") {
  Capture c = capture_with({"transmitter.iq_gain_imbalance_db=1"});
  {
    const Reference r(c);
    const auto& truth = *c.truth->transmitter;
    CHECK(20.0 * std::log10(truth.gain[0] / truth.gain[1]) == doctest::Approx(1.0));
    for (const std::size_t pol : {0, 1})
      agrees(ratio_db(fit_of_beat(c, r, 2 * pol)(0), fit_of_beat(c, r, 2 * pol + 1)(1)),
             20.0 * std::log10(truth.gain[2 * pol] / truth.gain[2 * pol + 1]));
  }
  c = capture_with({"transmitter.iq_phase_error_deg=5"});
  {
    const Reference r(c);
    for (const std::size_t pol : {0, 1}) {
      // u_I - u_Q sin(error) in lane I, u_Q cos(error) in lane Q.
      const Estimate angle =
          fit_of_beat(c, r, 2 * pol).of([](const Row& x) { return std::asin(-x[1] / x[0]) * 180.0 / kPi; });
      agrees(angle, c.truth->transmitter->phase_error_deg[pol]);
      CHECK(c.truth->transmitter->phase_error_deg[pol] == doctest::Approx(5.0));
    }
  }
  c = capture_with({"transmitter.xy_power_imbalance_db=1.5"});
  const Reference r(c);
  agrees(ratio_db(fit_of_beat(c, r, 0)(0), fit_of_beat(c, r, 2)(0)),
         c.truth->transmitter->xy_power_imbalance_db);
  CHECK(c.truth->transmitter->xy_power_imbalance_db == doctest::Approx(1.5));
}

TEST_CASE("truth in the codes: the rate the transmit converter ran at is where its image stands") {
  // 50.01 GSa/s do not fit into the frame's 128 ns: 6,401 samples do.
  const Capture c = capture_with({"transmitter.dac_sample_rate_gsa=50.01"});
  const Reference r(c);
  ComplexRow<double> sent = r.row[0], seen(kSamples);
  const Row i = current(c, 0), q = current(c, 1);
  for (std::size_t k = 0; k < kSamples; ++k) seen[k] = {i[k], q[k]};
  ffts().get<double>(kSamples).forward(sent);
  ffts().get<double>(kSamples).forward(seen);
  std::size_t best = 0;
  double highest = 0.0, second = 0.0;
  for (std::size_t shift = 6300; shift < 6500; ++shift) {
    Complex likeness = 0.0;
    for (std::size_t k = 0; k < 1500; ++k) likeness += seen[k + shift] * std::conj(sent[k]);
    if (std::abs(likeness) > highest) {
      second = highest;
      highest = std::abs(likeness);
      best = shift;
    } else {
      second = std::max(second, std::abs(likeness));
    }
  }
  CHECK(highest > 5.0 * second);
  CHECK(*c.truth->transmitter->dac_sample_rate_hz == static_cast<double>(best) * kRate / kSamples);
  CHECK(best == 6401);
}

TEST_CASE("truth in the codes: bias points and extinction of the interferometers, by their own equations") {
  Capture c =
      capture_with({"transmitter.modulator=iq", "transmitter.modulator_extinction_db=25",
                    "transmitter.bias_control=automatic", "transmitter.modulator_bias_error_i_deg=3"});
  {
    const Reference r(c);
    const TransmitterTruth& truth = *c.truth->transmitter;
    for (const std::size_t pol : {0, 1}) {
      const ModulatorFits modulator(c, r, pol);
      agrees(modulator.bias_deg(0), (*truth.bias_deg)[2 * pol]);
      agrees(modulator.bias_deg(1), (*truth.bias_deg)[2 * pol + 1]);
      // Lane I holds the leak of child Q: g = |cos, sin of Q| / |sin, cos of I|.
      agrees(modulator.fits[0].of([](const Row& x) {
        return 20.0 * std::log10(std::hypot(x[0], x[1]) / std::hypot(x[2], x[3]));
      }),
             (*truth.extinction_db)[2 * pol + 1]);
    }
    // About twice g off the null, 6.4 degrees, and the error that control misses on top. Control also nulls
    // the data's own mean: N random symbols average to 1/sqrt(N) of their amplitude, twice that in bias.
    const double data_mean = 2.0 / std::sqrt(static_cast<double>(c.truth->symbols[0].size())) * 180.0 / kPi;
    CHECK(std::abs(std::abs((*truth.bias_deg)[1]) - 2.0 * 0.0562 * 180.0 / kPi) < 3.0 * data_mean);
    CHECK(std::isinf(*truth.outer_extinction_db));
  }
  c = capture_with({"transmitter.modulator=iq", "transmitter.modulator_outer_extinction_db=25"});
  const Reference r(c);
  const ModulatorFits modulator(c, r, 0);
  const Estimate i = modulator.fits[0](0), q = modulator.fits[1](2);
  const double ratio = i.value / q.value, leak = (ratio - 1.0) / (ratio + 1.0);  // (1 + g_o) / (1 - g_o)
  const double relative = std::hypot(i.error / i.value, q.error / q.value) * 0.5 / leak;
  agrees({-20.0 * std::log10(leak), 20.0 / std::log(10.0) * relative},
         *c.truth->transmitter->outer_extinction_db);
}
