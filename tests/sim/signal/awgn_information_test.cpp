#include "sim/signal/awgn_information.h"

#include <doctest/doctest.h>

#include <cmath>
#include <stdexcept>

#include "sim/signal/units.h"

using namespace cohlink;

TEST_CASE("GMI of Gray formats in white noise is that of Gauss-Hermite quadrature in another language") {
  // Bits a symbol; quadrature of 120 points by a script that shares nothing with this program.
  struct Row {
    const char* format;
    double snr_db, bits;
  };
  for (const Row& row : {Row{"qpsk", 4, 1.58871},
                         {"qpsk", 6, 1.82376},
                         {"qpsk", 8, 1.95196},
                         {"qpsk", 10, 1.99351},
                         {"16qam", 10, 3.16358},
                         {"16qam", 12, 3.57940},
                         {"16qam", 14, 3.85302},
                         {"16qam", 16, 3.97079},
                         {"16qam", 18, 3.99759},
                         {"16qam", 20, 3.99995},
                         {"64qam", 10, 3.16852},
                         {"64qam", 12, 3.77988},
                         {"64qam", 14, 4.38490},
                         {"64qam", 16, 4.96047},
                         {"64qam", 18, 5.46007},
                         {"64qam", 20, 5.80146}}) {
    CAPTURE(std::string(row.format));
    CAPTURE(row.snr_db);
    const Constellation& c = constellation(modulation_named(row.format));
    CHECK(std::abs(awgn_generalised_bits(c, from_db(row.snr_db)) - row.bits) < 6e-6);  // its last digit
  }
}

TEST_CASE("MI in white noise is that of Gauss-Hermite quadrature, too") {
  // 150 nodes of numpy.polynomial.hermite.hermgauss an axis, good to 1e-5.
  struct Row {
    const char* format;
    double snr_db, bits;
  };
  for (const Row& row : {Row{"qpsk", 2, 1.28430}, Row{"16qam", 10, 3.16394}, Row{"16qam", 16, 3.97079},
                         Row{"64qam", 16, 4.96128}}) {
    CAPTURE(std::string(row.format));
    CHECK(std::abs(awgn_mutual_bits(constellation(modulation_named(row.format)), from_db(row.snr_db)) -
                   row.bits) < 1.5e-5);
  }
}

TEST_CASE("NGMI at the codes' thresholds of BER, and the SNR at which a format has an NGMI") {
  // Of the same script: NGMI where the exact BER is 2e-2, 1.25e-2 and 4.5e-3; SNR where it equals 0.867.
  const auto at_ber = [](const char* format, double ber) {
    const Modulation m = modulation_named(format);
    return awgn_ngmi(constellation(m), theory_snr(m, ber));
  };
  CHECK(at_ber("qpsk", 2e-2) == doctest::Approx(0.923).epsilon(6e-4));
  CHECK(at_ber("16qam", 2e-2) == doctest::Approx(0.924).epsilon(6e-4));
  CHECK(at_ber("64qam", 2e-2) == doctest::Approx(0.925).epsilon(6e-4));
  CHECK(at_ber("qpsk", 1.25e-2) == doctest::Approx(0.951).epsilon(6e-4));
  CHECK(at_ber("64qam", 1.25e-2) == doctest::Approx(0.952).epsilon(6e-4));
  CHECK(at_ber("16qam", 4.5e-3) == doctest::Approx(0.982).epsilon(6e-4));
  const double rate = 111.0 / 128.0;
  const auto snr_db = [&](const char* format) {
    return to_db(awgn_snr_for_ngmi(constellation(modulation_named(format)), rate));
  };
  CHECK(std::abs(snr_db("qpsk") - 5.14) < 0.01);
  CHECK(std::abs(snr_db("16qam") - 11.41) < 0.01);
  CHECK(std::abs(snr_db("64qam") - 16.91) < 0.01);
  const Constellation& c = constellation(modulation_named("8qam"));
  CHECK(awgn_ngmi(c, awgn_snr_for_ngmi(c, 0.9)) == doctest::Approx(0.9).epsilon(1e-7));
  CHECK_THROWS_AS(awgn_snr_for_ngmi(c, 1.0), std::invalid_argument);
  CHECK_THROWS_AS(awgn_generalised_bits(constellation(Modulation::kGaussian), 1.0), std::invalid_argument);
  CHECK_THROWS_AS(awgn_mutual_bits(c, 0.0), std::invalid_argument);
}
