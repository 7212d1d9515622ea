#include <doctest/doctest.h>

#include <cmath>
#include <stdexcept>

#include "rx/blocks/dispersion.h"
#include "rx/blocks/matched_filter.h"
#include "rx/blocks/overlap_save.h"
#include "rx/blocks/polarisation.h"
#include "tests/rx/generator.h"

using namespace cohlink;

namespace {

DispersionEqualiser equaliser_for(double ps_per_nm) {
  return DispersionEqualiser({ps_per_nm, 64e9, 17.6e9, 4e9, 3.2e9}, test::fft());
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
  const Fft<double>& plan = test::fft().get<double>(count);
  for (auto* row : whole.rows()) {
    plan.forward(*row);
    for (std::size_t k = 0; k < count; ++k)
      (*row)[k] *= response(bin_frequency(k, count, 64e9)) / static_cast<double>(count);
    plan.inverse(*row);
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
