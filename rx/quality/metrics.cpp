#include "rx/quality/metrics.h"

#include <boost/math/special_functions/beta.hpp>
#include <boost/math/special_functions/erf.hpp>
#include <cmath>
#include <limits>
#include <stdexcept>

#include "rx/rows/row_operations.h"
#include "sim/signal/units.h"

namespace cohlink {

namespace {

/// Of `errors` among `trials`, whole numbers or not.
Interval beta_interval(double k, double n, double confidence) {
  if (k > n) throw std::invalid_argument("more errors than trials");
  if (!(confidence > 0.0 && confidence < 1.0)) throw std::invalid_argument("confidence outside (0, 1)");
  if (n == 0.0) return {0.0, 1.0};
  const double tail = (1.0 - confidence) / 2.0;
  Interval interval;
  // The bounds are quantiles of beta distributions: B(k, n - k + 1) and B(k + 1, n - k).
  interval.low = k == 0.0 ? 0.0 : boost::math::ibeta_inv(k, n - k + 1.0, tail);
  interval.high = k == n ? 1.0 : boost::math::ibeta_inv(k + 1.0, n - k, 1.0 - tail);
  return interval;
}

}  // namespace

Interval clopper_pearson(std::uint64_t errors, std::uint64_t trials, double confidence) {
  return beta_interval(static_cast<double>(errors), static_cast<double>(trials), confidence);
}

Interval error_interval(const ErrorCount& count, double bunching, double confidence) {
  return beta_interval(static_cast<double>(count.errors) / bunching,
                       static_cast<double>(count.bits) / bunching, confidence);
}

Interval post_fec_interval(const fec::PostFec& counted, double received_ber, double confidence) {
  const Interval lost = clopper_pearson(counted.lost_blocks, counted.blocks, confidence);
  if (counted.blocks == 0) return lost;
  const double in_lost_block =
      counted.lost_blocks == 0
          ? received_ber
          : counted.ber() * static_cast<double>(counted.blocks) / static_cast<double>(counted.lost_blocks);
  return {lost.low * in_lost_block, lost.high * in_lost_block};
}

double q_from_ber_db(double ber) {
  if (ber <= 0.0) return std::numeric_limits<double>::infinity();
  if (ber >= 0.5) return -std::numeric_limits<double>::infinity();
  return 20.0 * std::log10(std::sqrt(2.0) * boost::math::erfc_inv(2.0 * ber));
}

double ErrorVector::snr_db() const { return to_db(snr); }

double ErrorVector::evm_percent() const { return 100.0 / std::sqrt(snr); }

ErrorVector error_vector(std::span<const std::complex<float>> received,
                         std::span<const std::complex<double>> reference) {
  if (received.size() != reference.size()) throw std::invalid_argument("error vector of unequal lengths");
  std::complex<double> cross = 0.0;
  double received_power = 0.0, reference_power = 0.0;
  for (std::size_t k = 0; k < received.size(); ++k) {
    const std::complex<double> y(received[k]);
    cross += y * std::conj(reference[k]);
    received_power += std::norm(y);
    reference_power += std::norm(reference[k]);
  }
  if (reference_power == 0.0) return {1.0, 0.0};
  ErrorVector fit;
  fit.gain = cross / reference_power;
  const double signal = std::norm(fit.gain) * reference_power;
  fit.snr = signal / std::max(received_power - signal, 0.0);
  return fit;
}

ErrorVector error_vector(std::span<const std::complex<float>> received,
                         std::span<const std::complex<float>> reference) {
  const Correlation both = correlation(received, reference);
  if (both.of_a == 0.0) return {1.0, 0.0};
  ErrorVector fit;
  fit.gain = both.cross / both.of_a;
  fit.snr =
      std::norm(fit.gain) * both.of_a / square_distance(received, reference, std::complex<float>(fit.gain));
  return fit;
}

ErrorVector combine(const ErrorVector& x, const ErrorVector& y) {
  return {1.0, 2.0 / (1.0 / x.snr + 1.0 / y.snr)};
}

}  // namespace cohlink
