// Published values of the signal kit.
#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>
#include <numeric>

#include "sim/signal/constellation.h"
#include "sim/signal/prbs.h"
#include "sim/signal/units.h"
#include "tests/validation.h"

using namespace cohlink;

namespace {

std::size_t longest_run(const Bits& bits, std::uint8_t value) {
  std::size_t longest = 0, run = 0;
  for (const auto bit : bits) longest = std::max(longest, run = bit == value ? run + 1 : 0);
  return longest;
}

}  // namespace

TEST_CASE("theory BER gives the tabulated SNR of QPSK and 16QAM") {
  // Recomputed from Proakis, Digital Communications, ch. 4, and Cho and Yoon (2002), exact Gray expressions.
  struct Row {
    double ber, qpsk_db, qam16_db;
  };
  for (const Row& row : {Row{1e-3, 9.80, 16.54}, Row{3.8e-3, 8.53, 15.19}, Row{1.25e-2, 7.01, 13.55},
                         Row{2e-2, 6.25, 12.71}}) {
    const double qpsk = to_db(theory_snr(Modulation::kQpsk, row.ber)),
                 qam = to_db(theory_snr(Modulation::kQam16, row.ber));
    CHECK(std::abs(qpsk - row.qpsk_db) < 0.0051);  // two decimals
    CHECK(std::abs(qam - row.qam16_db) < 0.0051);
    char claim[64];
    std::snprintf(claim, sizeof claim, "SNR of QPSK at BER %.3g [dB]", row.ber);
    validation::record(claim, "Proakis, Digital Communications, ch. 4", row.qpsk_db, qpsk, 0.0051);
    std::snprintf(claim, sizeof claim, "SNR of 16QAM at BER %.3g [dB]", row.ber);
    validation::record(claim, "Cho and Yoon, IEEE Trans. Commun. 50(7) 1074, 2002", row.qam16_db, qam,
                       0.0051);
  }
  // OSNR of 28 GBd QPSK at 1e-3 and of 59.84375 GBd 16QAM at 1.25e-2: Essiambre et al., JLT 28(4) 662 (2010),
  // SNR-OSNR relation.
  CHECK(std::abs(to_db(theory_snr(Modulation::kQpsk, 1e-3) * 28e9 / kOsnrBandwidthHz) - 13.30) < 0.0051);
  CHECK(std::abs(to_db(theory_snr(Modulation::kQam16, 1.25e-2) * 59.84375e9 / kOsnrBandwidthHz) - 20.35) <
        0.0051);
}

TEST_CASE("PRBS of ITU-T O.150: balance, longest runs and recurrence") {
  // O.150 clause 5: 2^15-1 and 2^23-1 are inverted, so the longest run is 15 (23) zeros.
  const Bits p15 = prbs(15, (1u << 15) - 1);
  CHECK(std::accumulate(p15.begin(), p15.end(), 0u) == (1u << 14) - 1);
  CHECK(longest_run(p15, 0) == 15);
  CHECK(longest_run(p15, 1) == 14);
  const Bits p23 = prbs(23, (1u << 23) - 1);
  CHECK(std::accumulate(p23.begin(), p23.end(), 0u) == (1u << 22) - 1);
  CHECK(longest_run(p23, 0) == 23);
  validation::record("longest run of zeros in PRBS 2^23-1", "ITU-T O.150 clause 5.6", 23,
                     static_cast<double>(longest_run(p23, 0)), 0);
  // x^31 + x^28 + 1 on the inverted bits: 1+b[k] = b[k-31] + b[k-28] (mod 2, inverted three times).
  const Bits p31 = prbs(31, 100000);
  for (std::size_t k = 31; k < p31.size(); ++k)
    CHECK_FALSE((p31[k] ^ 1) != ((p31[k - 31] ^ 1) ^ (p31[k - 28] ^ 1)));
  CHECK(prbs(15, 100, 32767 + 12) == prbs(15, 100, 12));
  CHECK_THROWS_AS(prbs(16, 10), std::invalid_argument);
}

TEST_CASE("dispersion and Kerr coefficients of the handbooks") {
  // D = 17 ps/(nm km) at 1550 nm is beta2 = -21.68 ps^2/km (Agrawal, Nonlinear Fiber Optics, ch. 1).
  CHECK(dispersion_to_beta2(17.0) * 1e27 == doctest::Approx(-21.68).epsilon(3e-4));
  CHECK(dispersion_to_beta2(16.7) * 1e27 == doctest::Approx(-21.30).epsilon(3e-4));
  validation::record("beta2 of D = 17 ps/(nm km) [ps^2/km]", "Agrawal, Nonlinear Fiber Optics, ch. 1", -21.68,
                     dispersion_to_beta2(17.0) * 1e27, 0.006);
}
