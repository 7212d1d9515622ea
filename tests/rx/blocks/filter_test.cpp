#include <doctest/doctest.h>

#include <cmath>
#include <stdexcept>

#include "rx/blocks/dispersion.h"
#include "rx/blocks/matched_filter.h"
#include "rx/blocks/overlap_save.h"
#include "rx/blocks/polarisation.h"
#include "rx/receiver.h"
#include "sim/link.h"
#include "sim/signal/line/read_line.h"
#include "sim/signal/units.h"
#include "tests/rx/generator.h"

using namespace cohlink;

namespace {

DispersionEqualiser equaliser_for(double ps_per_nm) {
  return DispersionEqualiser({accumulated_to_beta2_length(ps_per_nm), 64e9, 17.6e9, 4e9, 3.2e9}, test::fft());
}

}  // namespace

TEST_CASE("Overlap-save equals one FFT over the whole stream") {
  // A Gaussian response has a Gaussian impulse, gone to 1e-12 within the reach given.
  const double width = 2e9;
  const auto response = [=](double f) {
    return std::polar(std::exp(-f * f / (2 * width * width)), 1e-10 * kTwoPi * f);
  };
  const std::size_t count = 20000;
  const auto sent = test::random_symbols(Modulation::kQpsk, count);
  const Field<float> in = [&] {
    Field<float> f = test::at_symbol_rate(sent.symbols);
    f.sample_rate = 64e9;
    return f;
  }();
  const OverlapSaveFilter filter(response, 64e9, 0.8e-9, test::fft());
  Field<double> whole = convert_field<double>(in);
  const Fft<double>& transform = test::fft().get<double>(count);
  for (auto* row : whole.rows()) {
    transform.forward(*row);
    for (std::size_t k = 0; k < count; ++k)
      (*row)[k] *= response(bin_frequency(k, count, 64e9)) / static_cast<double>(count);
    transform.inverse(*row);
  }
  const std::size_t edge = filter.reach();
  CHECK(filter.block() < count);
  CHECK(test::error_db(filter(in), convert_field<float>(whole), edge, count - edge) < -100.0);
  CHECK_THROWS_AS(filter(Field<float>(10, 60e9)), std::invalid_argument);
}

TEST_CASE("The dispersion filter inverts the fibre's chirp to -60 dB") {
  const std::size_t symbols = 8192;
  const auto sent = test::random_symbols(Modulation::kQpsk, symbols);
  const Field<float> clean = test::shaped(sent.symbols, 2);
  for (const double ps_per_nm : {-50000.0, 340.0, 5000.0, 50000.0}) {
    CAPTURE(ps_per_nm);
    const DispersionEqualiser equaliser = equaliser_for(ps_per_nm);
    const Field<float> restored = equaliser(test::dispersed(clean, ps_per_nm));
    const std::size_t edge = equaliser.reach();
    CHECK(test::error_db(restored, clean, edge, clean.size() - edge) < -60.0);
  }
}

// SNR of symbols through the phase beta3 L w^3 / 6 with a matched filter and no better timing. Symbol-spaced
// samples see the raised cosine folded at half the symbol rate, F(f): a symbol's own share is the mean of F,
// its power and its neighbours' the mean of |F|^2 (Parseval).
double third_order_snr_db(double beta3_length, double symbol_rate, double roll_off) {
  const double edge = 0.5 * symbol_rate, step = 1e-3 * edge;
  const auto seen = [&](double f) {  // odd in f
    return std::polar(band_taper(f, (1.0 - roll_off) * edge, (1.0 + roll_off) * edge),
                      beta3_length * std::pow(kTwoPi * f, 3) / 6.0);
  };
  double own = 0.0, power = 0.0, count = 0.0;
  for (double f = 0.5 * step; f < edge; f += step, ++count) {
    const std::complex<double> folded = seen(f) + seen(f - symbol_rate);
    own += folded.real();
    power += std::norm(folded);
  }
  const double gain = own / count;
  return to_db(gain * gain / (power / count - gain * gain));
}

TEST_CASE("Third order of 20 spans of 80 km costs 21 dB at 64 GBd and 9 dB at 100 GBd, and is undone") {
  // Slope 0.058 and 17 ps/(nm km) at 1550 nm: 0.130 ps^3/km.
  const Scenario line = test::scenario_of(
      {"fibre.spans=20", "fibre.dispersion_ps_per_nm_km=17", "fibre.dispersion_slope_ps_per_nm2_km=0.058"});
  const Dispersion sum = dispersion_at_channel(read_line(line));
  const double beta3_length = read_beta3_length(line, sum.beta2_length);
  CHECK(beta2_length_to_accumulated(sum.beta2_length) == doctest::Approx(27200.0));
  CHECK(beta3_length == sum.beta3_length);
  CHECK(third_order_snr_db(beta3_length, 64e9, 0.1) == doctest::Approx(21.1).epsilon(0.01));
  CHECK(third_order_snr_db(beta3_length, 100e9, 0.1) == doctest::Approx(8.6).epsilon(0.02));
  // Told on a scenario without spans, it is that of the fibre in [fibre].
  const Scenario told = test::scenario_of(
      {"fibre.spans=0", "fibre.dispersion_ps_per_nm_km=17", "fibre.dispersion_slope_ps_per_nm2_km=0.058"});
  CHECK(read_beta3_length(told, sum.beta2_length) == doctest::Approx(beta3_length));
  // Lumped dispersion has none.
  const Scenario lumped = test::scenario_of({"channel.extra_dispersion_ps_per_nm=27200"});
  CHECK(std::abs(read_beta3_length(lumped, sum.beta2_length)) < 1e-6 * beta3_length);
}

TEST_CASE("A receiver undoes the third order of its line, as planned and as found") {
  // No noise and no equaliser: without the third order 21.1 and 8.6 dB (above). What is left is the filters'
  // own -60 dB and the ADC: 8 bits, full scale 11 dB above the rms, have a step of 2 x 3.55 / 256 of the rms
  // and a noise of its square over 12, -41.9 dB, and clip beside that. Twice that noise is 38.9 dB.
  for (const char* gbd : {"64", "100"})
    for (const char* found : {"known", "blind"}) {
      const Scenario s = test::scenario_of(
          {std::string("signal.symbol_rate_gbd=") + gbd, "signal.symbols=32768", "fibre.spans=20",
           "fibre.dispersion_ps_per_nm_km=17", "fibre.dispersion_slope_ps_per_nm2_km=0.058",
           "fibre.nonlinear_coefficient_per_w_km=0", "amplifier.ase=false",
           std::string("dsp.dispersion=") + found,
           "dsp.chain=resample,dispersion,clock,matched-filter,genie-polarisation,decimate,phase",
           "dsp.phase_recovery=genie"});
      CAPTURE(gbd);
      CAPTURE(found);
      const ReceiverResult result = Receiver(s, test::fft())(Link(s, test::fft())(0));
      CHECK(result.snr_db > 38.0);
    }
}

TEST_CASE("The dispersion filter's overlap is at least the spread") {
  // 451 symbols at 50,000 ps/nm, 32 GBd and roll-off 0.1: |beta2 L| times the band's width 2 pi 35.2 GHz.
  const double spread = std::abs(accumulated_to_beta2_length(50000.0)) * kTwoPi * 35.2e9 * 64e9;
  CHECK(spread / 2.0 == doctest::Approx(451.0).epsilon(0.002));
  CHECK(2.0 * static_cast<double>(equaliser_for(50000.0).reach()) >= spread);
  CHECK(equaliser_for(0.0).reach() == 0);
}

TEST_CASE("Pulse and matched filter leave symbols free of each other") {
  const std::size_t symbols = 4096;
  const auto sent = test::random_symbols(Modulation::kQam16, symbols);
  for (const double roll_off : {0.05, 0.1, 1.0}) {
    CAPTURE(roll_off);
    const MatchedFilter filter({Pulse::kRrc, roll_off, test::kRate}, 64e9, test::fft());
    Field<float> out = decimate(filter(test::shaped(sent.symbols, 2, roll_off)), 2);
    const std::size_t edge = filter.reach() / 2 + 1;
    // The common gain is the pulse's energy; fit it away.
    double cross = 0.0, power = 0.0;
    for (std::size_t k = edge; k < symbols - edge; ++k) {
      cross += std::real(std::complex<double>(out.x[k]) * std::conj(sent.symbols[0][k]));
      power += std::norm(sent.symbols[0][k]);
    }
    for (auto* row : out.rows())
      for (auto& a : *row) a *= static_cast<float>(power / cross);
    CHECK(test::error_db(out, test::at_symbol_rate(sent.symbols), edge, symbols - edge) < -55.0);
  }
}

TEST_CASE("Genie polarisation undoes the Jones matrix and asks for one") {
  const auto sent = test::random_symbols(Modulation::kQpsk, 1000);
  const Field<float> clean = test::at_symbol_rate(sent.symbols);
  Truth truth;
  CHECK_THROWS_AS(genie_polarisation(clean, nullptr), InputError);
  CHECK_THROWS_AS(genie_polarisation(clean, &truth), InputError);
  truth.jones = {test::rotation(1.2, -0.4), test::rotation(0.7, 0.3)};
  truth.jones_frequency_hz = {-1e9, 0.0};
  const Field<float> out = genie_polarisation(test::through(truth.jones[1], clean), &truth);
  CHECK(test::error_db(out, clean, 0, 1000) < -100.0);
}
