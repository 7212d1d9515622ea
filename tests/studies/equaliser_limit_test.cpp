// What limit finds for an equaliser shortened on purpose, against the best any linear equaliser of that
// length can do (Wiener), computed here from the pulse alone. Trained long enough on known symbols to get
// there.
#include <doctest/doctest.h>

#include <algorithm>
#include <complex>
#include <functional>
#include <vector>

#include "sim/signal/execution/fft.h"
#include "sim/signal/units.h"
#include "tools/study/search/limit.h"

using namespace cohlink;

namespace {

using Complex = std::complex<double>;
using Matrix = std::vector<std::vector<Complex>>;

constexpr double kRate = 32e9, kRollOff = 0.1;
constexpr double kOsnrDb = 15.0 + 4.0824;  // SNR 15 dB at 32 GBd

/// Raised cosine: pulse, matched filter and the spectrum of the noise behind it. `f` in symbol rates.
double raised_cosine(double f) {
  const double a = std::abs(f), inner = 0.5 * (1.0 - kRollOff), outer = 0.5 * (1.0 + kRollOff);
  return a <= inner ? 1.0 : a >= outer ? 0.0 : 0.5 * (1.0 + std::cos(kPi / kRollOff * (a - inner)));
}

/// Solves A x = b by elimination with pivots.
std::vector<Complex> solved(Matrix a, std::vector<Complex> b) {
  const std::size_t n = b.size();
  for (std::size_t k = 0; k < n; ++k) {
    std::size_t pivot = k;
    for (std::size_t i = k + 1; i < n; ++i)
      if (std::abs(a[i][k]) > std::abs(a[pivot][k])) pivot = i;
    std::swap(a[k], a[pivot]), std::swap(b[k], b[pivot]);
    for (std::size_t i = k + 1; i < n; ++i) {
      const Complex factor = a[i][k] / a[k][k];
      for (std::size_t j = k; j < n; ++j) a[i][j] -= factor * a[k][j];
      b[i] -= factor * b[k];
    }
  }
  for (std::size_t k = n; k-- > 0;) {
    for (std::size_t j = k + 1; j < n; ++j) b[k] -= a[k][j] * b[j];
    b[k] /= a[k][k];
  }
  return b;
}

/// SNR [dB] behind the best equaliser of `taps` half-symbol taps for one polarisation that meets `channel(f)`
/// (f in symbol rates) at an SNR of 15 dB: 1/MSE - 1.
double wiener_snr_db(int taps, const std::function<Complex(double)>& channel) {
  constexpr int kBins = 2000, kReach = 40;
  const double edge = 0.5 * (1.0 + kRollOff), df = 2.0 * edge / kBins, noise = from_db(-15.0);
  const auto at_time = [&](double t, bool through_channel) {
    Complex sum = 0.0;
    for (int i = 0; i <= kBins; ++i) {
      const double f = -edge + df * i;
      sum += raised_cosine(f) * std::polar(1.0, kTwoPi * f * t) * (through_channel ? channel(f) : 1.0);
    }
    return sum * df;
  };
  const auto n = static_cast<std::size_t>(taps);
  const auto tap_time = [&](std::size_t i) { return 0.5 * (static_cast<double>(i) - 0.5 * (taps - 1)); };
  std::vector<std::vector<Complex>> response(n);  // of each symbol in reach at each tap
  for (std::size_t i = 0; i < n; ++i)
    for (int l = -kReach; l <= kReach; ++l) response[i].push_back(at_time(tap_time(i) - l, true));
  Matrix correlation(n, std::vector<Complex>(n));
  std::vector<Complex> wanted;
  for (std::size_t i = 0; i < n; ++i) {
    wanted.push_back(response[i][kReach]);
    for (std::size_t j = 0; j < n; ++j) {
      for (std::size_t l = 0; l < response[i].size(); ++l)
        correlation[i][j] += response[i][l] * std::conj(response[j][l]);
      correlation[i][j] += noise * at_time(tap_time(i) - tap_time(j), false);
    }
  }
  const auto weights = solved(correlation, wanted);
  double kept = 0.0;
  for (std::size_t i = 0; i < n; ++i) kept += (std::conj(wanted[i]) * weights[i]).real();
  return to_db(1.0 / (1.0 - kept) - 1.0);
}

/// Where a falling function crosses `level` between a and b.
double crossing(double a, double b, double level, const std::function<double(double)>& falling) {
  for (int i = 0; i < 30; ++i) (falling(0.5 * (a + b)) > level ? a : b) = 0.5 * (a + b);
  return 0.5 * (a + b);
}

Limit found_limit(int taps, const char* key, double from, double to) {
  static FftCache fft(FftPlanning::kEstimate, "");
  Scenario scenario;
  scenario.read_text(
      "[signal]\nsymbols = 32768\nmodulation = gaussian\n[run]\nsamples_per_symbol = 2\n[adc]\nbits = 12\n"
      "[dsp]\nchain = resample,matched-filter,equaliser,phase\nphase_recovery = genie\n"
      "dispersion_ps_per_nm = 0\ntraining_symbols = 32768\nequaliser_step = 0.001\nequaliser_passes = 30\n",
      "test");
  scenario.set("channel.osnr_db", std::to_string(kOsnrDb), "test");
  scenario.set("dsp.equaliser_taps", std::to_string(taps), "test");
  LimitRule rule;
  rule.key = key;
  rule.from = from, rule.to = to;
  rule.criterion = parse_criterion("snr_db=12", scenario);
  rule.frames = 4;
  return find_limit(scenario, rule, simulation(fft), 1);
}

}  // namespace

TEST_CASE("limit puts the largest DGD of a 3-tap equaliser where the Wiener filter has it") {
  // In the basis of the fibre's axes the two polarisations are delays of half the DGD either way.
  const double expected = crossing(30e-12, 80e-12, 12.0, [](double dgd) {
    return wiener_snr_db(3, [&](double f) { return std::polar(1.0, -kPi * f * kRate * dgd); });
  });
  const Limit limit = found_limit(3, "channel.dgd_ps", 10, 80);
  REQUIRE(limit.crossed());
  MESSAGE("DGD for 12 dB: Wiener " << expected * 1e12 << " ps, limit " << limit.value << " (" << limit.holds
                                   << " to " << limit.fails << ")");
  CHECK(limit.holds <= expected * 1e12);
  CHECK(limit.fails >= expected * 1e12);
}

TEST_CASE("limit puts the most dispersion of a 5-tap equaliser where the Wiener filter has it") {
  const double expected = crossing(300.0, 1000.0, 12.0, [](double ps_per_nm) {
    const double beta2_length = accumulated_to_beta2_length(ps_per_nm);
    return wiener_snr_db(
        5, [&](double f) { return std::polar(1.0, 0.5 * beta2_length * std::pow(kTwoPi * f * kRate, 2)); });
  });
  const Limit limit = found_limit(5, "channel.extra_dispersion_ps_per_nm", 100, 1000);
  REQUIRE(limit.crossed());
  MESSAGE("dispersion for 12 dB: Wiener " << expected << " ps/nm, limit " << limit.value << " ("
                                          << limit.holds << " to " << limit.fails << ")");
  CHECK(limit.holds <= expected);
  CHECK(limit.fails >= expected);
}
