#include "rx/blocks/envelope.h"

#include <algorithm>
#include <boost/math/special_functions/bessel.hpp>
#include <boost/math/tools/minima.hpp>
#include <cmath>
#include <vector>

#include "rx/rows/row_operations.h"
#include "sim/signal/units.h"

namespace cohlink {
namespace {

constexpr std::size_t kBins = 256;
constexpr double kReach = 4.0;  // root mean squares; noise alone passes it once in 9e6 symbols

// ln I0(x) - x: the asymptotic series from where its next term is 1e-6 (Abramowitz and Stegun 9.7.1).
double log_bessel(double x) {
  if (x < 30.0) return std::log(boost::math::cyl_bessel_i(0, x)) - x;
  return std::log1p(1.0 / (8.0 * x) + 9.0 / (128.0 * x * x)) - 0.5 * std::log(kTwoPi * x);
}

// Magnitudes of symbols over their root mean square.
std::vector<double> histogram(std::span<const std::complex<float>> symbols, double power) {
  std::vector<double> times(kBins);
  const double scale = static_cast<double>(kBins) / kReach / std::sqrt(power);
  for (const auto& y : symbols) {
    const auto bin = static_cast<std::size_t>(scale * std::sqrt(static_cast<double>(std::norm(y))));
    ++times[std::min(bin, kBins - 1)];
  }
  return times;
}

double log_likelihood(const std::vector<double>& times, const Constellation& points, double snr) {
  const double signal = snr / (1.0 + snr), noise = 1.0 / (1.0 + snr);
  double sum = 0.0;
  for (std::size_t bin = 0; bin < kBins; ++bin) {
    if (times[bin] == 0.0) continue;
    const double r = (static_cast<double>(bin) + 0.5) * kReach / static_cast<double>(kBins);
    double density = 0.0;
    for (const Ring& ring : points.rings()) {
      const double a = std::sqrt(signal * ring.power), away = (r - a) * (r - a) / noise;
      if (away < 40.0) density += ring.share * std::exp(log_bessel(2.0 * r * a / noise) - away);
    }
    sum += times[bin] * std::log(std::max(density, 1e-18) * r / noise);
  }
  return sum;
}

}  // namespace

double signal_share(std::span<const std::complex<float>> symbols, const Constellation& points) {
  const PowerSums sums = power_sums(symbols);
  if (!(sums.second > 0.0)) return 1.0;
  const auto times = histogram(symbols, sums.second / static_cast<double>(symbols.size()));
  constexpr int kDigits = 10;  // binary, of some 30 dB
  const auto [db, least] = boost::math::tools::brent_find_minima(
      [&](double x) { return -log_likelihood(times, points, from_db(x)); }, -3.0, 40.0, kDigits);
  const double snr = from_db(db);
  return snr / (1.0 + snr);
}

}  // namespace cohlink
