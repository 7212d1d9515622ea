#include "rx/blocks/deskew.h"

#include <doctest/doctest.h>

#include <cmath>
#include <string>

#include "rx/blocks/lanes.h"
#include "rx/receiver.h"
#include "sim/link.h"
#include "sim/signal/units.h"
#include "tests/rx/generator.h"

using namespace cohlink;

TEST_CASE("A skewed lane comes back to its place") {
  const auto sent = test::random_symbols(Modulation::kQpsk, 2048);
  const Field<float> straight = test::shaped(sent.symbols, 4);
  // Lane XQ late by 7.3 ps, YI early by 21 ps: exactly, by the spectrum of each lane.
  const std::array<double, 4> skew = {0, 7.3e-12, -21e-12, 0};
  Field<float> skewed = straight;
  const std::size_t n = straight.size();
  const Fft<double>& transform = test::fft().get<double>(n);
  for (std::size_t lane = 1; lane < 3; ++lane) {
    ComplexRow<double> row(n);
    const auto& in = *straight.rows()[lane / 2];
    for (std::size_t i = 0; i < n; ++i) row[i] = lane % 2 ? in[i].imag() : in[i].real();
    transform.forward(row);
    for (std::size_t k = 0; k < n; ++k)
      row[k] *= std::polar(1.0 / static_cast<double>(n),
                           -kTwoPi * skew[lane] * bin_frequency(k, n, straight.sample_rate));
    transform.inverse(row);
    auto& out = *skewed.rows()[lane / 2];
    for (std::size_t i = 0; i < n; ++i)
      out[i] = lane % 2 ? std::complex<float>(out[i].real(), static_cast<float>(row[i].real()))
                        : std::complex<float>(static_cast<float>(row[i].real()), out[i].imag());
  }
  const Deskew deskew({skew, 17.6e9});
  const auto edge =
      static_cast<std::size_t>(std::ceil(deskew.edge(straight.sample_rate) * straight.sample_rate));
  const Field<float> restored = deskew(skewed);
  CHECK(test::error_db(skewed, straight, edge, n - edge) > -25.0);
  CHECK(test::error_db(restored, straight, edge, n - edge) < -55.0);  // the interpolator's 60 dB
}

TEST_CASE("I/Q skews are found blindly: dispersion, offset, half a symbol of differential delay") {
  for (const auto& tried : {std::tuple{"qpsk", "12", "0", "0", "0"},
                            {"qpsk", "12", "20000", "0", "2000"},
                            {"16qam", "18", "0", "15.625", "-3000"},
                            {"qpsk", "12", "3000", "15.625", "1000"},
                            {"16qam", "18", "-5000", "60", "100"}}) {
    const auto& modulation = std::get<0>(tried);
    const auto& osnr = std::get<1>(tried);
    const auto& dispersion = std::get<2>(tried);
    const auto& dgd = std::get<3>(tried);
    const auto& offset = std::get<4>(tried);
    const Scenario s = test::scenario_of(
        {std::string("signal.modulation=") + modulation, std::string("channel.osnr_db=") + osnr,
         std::string("channel.extra_dispersion_ps_per_nm=") + dispersion,
         std::string("channel.dgd_ps=") + dgd, std::string("laser_lo.frequency_offset_mhz=") + offset,
         "channel.polarisation_rotation_deg=20", "adc.skew_xq_ps=3", "adc.skew_yi_ps=1.5",
         "frontend.hybrid_phase_error_deg=3", "adc.clock_offset_ppm=20"});
    SkewEstimatorParameters p{{Pulse::kRrc, 0.1, test::kRate},
                              accumulated_to_beta2_length(std::stod(dispersion))};
    const SkewEstimate e = SkewEstimator(p, test::fft())(read_lanes(Link(s, test::fft())(0)));
    CAPTURE(dispersion);
    CAPTURE(dgd);
    REQUIRE(e.found());
    // Roll-off bins of 65536 symbols, a lane's tone under its own image: 0.07 to 0.32 ps of deviation over
    // eight frames of each case; four of the largest are allowed.
    CHECK(std::abs(e.iq_skew[0] - 3e-12) < 1.3e-12);
    CHECK(std::abs(e.iq_skew[1] + 1.5e-12) < 1.3e-12);
  }
}

TEST_CASE("Deskew gives back what skew took, by key and blindly") {
  Scenario s =
      test::scenario_of({"signal.modulation=16qam", "channel.osnr_db=22", "signal.symbols=32768",
                         "laser_lo.frequency_offset_mhz=500", "channel.polarisation_rotation_deg=20"});
  const double ideal = Receiver(s, test::fft())(Link(s, test::fft())(0)).snr_db;
  s.set("adc.skew_xq_ps=4");
  s.set("adc.skew_yq_ps=-3");
  const Capture capture = Link(s, test::fft())(0);
  const double skewed = Receiver(s, test::fft())(capture).snr_db;
  Scenario known = s, blind = s;
  known.set("dsp.skew_xq_ps=4");
  known.set("dsp.skew_yq_ps=-3");
  blind.set("dsp.deskew=blind");
  CHECK(ideal - skewed > 1.0);
  CHECK(ideal - Receiver(known, test::fft())(capture).snr_db < 0.05);
  const ReceiverResult found = Receiver(blind, test::fft())(capture);
  REQUIRE(found.iq_skew_ps);
  CHECK(ideal - found.snr_db < 0.1);
}

TEST_CASE("The circular fit takes off gain imbalance, phase error and DC at once") {
  // A noisy ring, as QPSK with a carrier offset is between symbols far from its transitions.
  RandomStream noise = test::stream("ring");
  Field<float> signal(20000, 64e9);
  for (auto* row : signal.rows())
    for (std::size_t n = 0; n < row->size(); ++n) {
      const auto z = std::polar(1.0, 0.37 * static_cast<double>(n)) + 0.2 * noise.complex_normal();
      // Gain 1 dB, phase error 8 degrees, DC.
      (*row)[n] = std::complex<float>(
          static_cast<float>(1.122 * z.real() + 0.1),
          static_cast<float>(z.imag() * std::cos(0.14) + z.real() * std::sin(0.14) - 0.05));
    }
  const Field<float> fitted = fit_circle(signal);
  for (const auto* row : fitted.rows()) {
    double i = 0, q = 0, iq = 0, mi = 0, mq = 0;
    for (const auto& z : *row) {
      i += z.real() * z.real(), q += z.imag() * z.imag(), iq += z.real() * z.imag();
      mi += z.real(), mq += z.imag();
    }
    const double n = static_cast<double>(row->size());
    // Standard errors of second moments over 20,000 points: 0.5 %.
    CHECK(std::abs(i / q - 1.0) < 0.02);
    CHECK(std::abs(iq / i) < 0.01);
    CHECK(std::abs(mi / n) < 0.01);
    CHECK(std::abs(mq / n) < 0.01);
    CHECK(mean_power(*row) == doctest::Approx(mean_power(signal.x)).epsilon(0.02));
  }
  Field<float> dead(1000, 64e9);
  for (auto& z : dead.x) z = {1.0f, 0.0f};
  CHECK(fit_circle(dead).x == dead.x);
}

TEST_CASE("Either correction of the hybrids carries the chain, after dispersion too") {
  for (const char* dispersion : {"0", "5000"}) {
    Scenario s = test::scenario_of({"signal.modulation=16qam", "channel.osnr_db=20", "signal.symbols=32768",
                                    "frontend.hybrid_phase_error_deg=6", "adc.gain_spread_db=0.5",
                                    std::string("channel.extra_dispersion_ps_per_nm=") + dispersion});
    const Capture capture = Link(s, test::fft())(0);
    const double by_moments = Receiver(s, test::fft())(capture).snr_db;
    s.set("dsp.iq_correction=circular-fit");
    CHECK(std::abs(by_moments - Receiver(s, test::fft())(capture).snr_db) < 0.1);
  }
}
