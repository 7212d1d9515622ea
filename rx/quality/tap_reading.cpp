#include "rx/quality/tap_reading.h"

#include <algorithm>
#include <cmath>
#include <vector>

#include "sim/signal/units.h"

namespace cohlink {
namespace {

std::complex<double> determinant(const Jones& m) { return m[0][0] * m[1][1] - m[0][1] * m[1][0]; }

Jones inverse(const Jones& m) {
  const auto d = 1.0 / determinant(m);
  return {{{m[1][1] * d, -m[0][1] * d}, {-m[1][0] * d, m[0][0] * d}}};
}

Jones product(const Jones& a, const Jones& b) {
  Jones c;
  for (std::size_t i = 0; i < 2; ++i)
    for (std::size_t j = 0; j < 2; ++j) c[i][j] = a[i][0] * b[0][j] + a[i][1] * b[1][j];
  return c;
}

// Angle between the two eigenvalues, 0 to pi.
double eigenvalue_angle(const Jones& m) {
  const auto half = 0.5 * (m[0][0] + m[1][1]), root = std::sqrt(half * half - determinant(m));
  return std::abs(std::arg((half + root) / (half - root)));
}

// Ratio of the squared singular values, largest over smallest, in dB.
double singular_ratio_db(const Jones& m) {
  double power = 0.0;
  for (const auto& row : m)
    for (const auto& value : row) power += std::norm(value);
  const double det = std::norm(determinant(m));
  const double root = std::sqrt(std::max(0.0, power * power - 4.0 * det));
  return to_db((power + root) / (power - root));
}

Jones response(const EqualiserTaps& taps, double frequency, double sample_rate, long y_delay_samples) {
  Jones w{};
  for (std::size_t i = 0; i < 2; ++i)
    for (std::size_t j = 0; j < 2; ++j) {
      const auto& h = taps[i][j];
      const std::size_t middle = h.size() / 2;
      const auto centre = static_cast<double>(middle);
      for (std::size_t n = 0; n < h.size(); ++n) {
        // Output Y late by whole symbols: its taps look that much earlier than X's do.
        const double at =
            static_cast<double>(n) - centre + (i == 1 ? static_cast<double>(y_delay_samples) : 0.0);
        w[i][j] += std::complex<double>(h[n]) * std::polar(1.0, kTwoPi * frequency * at / sample_rate);
      }
    }
  return w;
}

// Least-squares coefficient of x^2 in phase = c0 + c1 x + c2 x^2, x symmetric about 0.
double curvature(const std::vector<double>& x, const std::vector<double>& phase) {
  double s2 = 0.0, s4 = 0.0, p0 = 0.0, p2 = 0.0;
  for (std::size_t i = 0; i < x.size(); ++i) {
    const double q = x[i] * x[i];
    s2 += q, s4 += q * q, p0 += phase[i], p2 += phase[i] * q;
  }
  const auto n = static_cast<double>(x.size());
  return (n * p2 - s2 * p0) / (n * s4 - s2 * s2);
}

// Mean delay that row i of W takes back [s], over steps of so many points.
double row_delay(const std::vector<Jones>& w, std::size_t i, std::size_t step, double spacing) {
  std::complex<double> turned = 0.0;
  for (std::size_t k = 0; k + step < w.size(); ++k)
    for (std::size_t j = 0; j < 2; ++j) turned += std::conj(w[k][i][j]) * w[k + step][i][j];
  return std::arg(turned) / (kTwoPi * static_cast<double>(step) * spacing);
}

}  // namespace

std::optional<ChannelReading> read_taps(const EqualiserTaps& taps, const TapReadingParameters& p,
                                        long relative_delay) {
  constexpr int kPoints = 33, kMiddle = kPoints / 2;
  const double sample_rate = 2.0 * p.symbol_rate, spacing = 2.0 * p.band * p.symbol_rate / (kPoints - 1);
  std::vector<Jones> w;
  std::vector<double> omega, phase;
  for (int i = 0; i < kPoints; ++i) {
    const double f = (i - kMiddle) * spacing;
    w.push_back(response(taps, f, sample_rate, 2 * relative_delay));
    const auto det = determinant(w.back());
    if (!(std::norm(det) > 0.0)) return std::nullopt;
    omega.push_back(kTwoPi * f / (kTwoPi * p.symbol_rate));
    double half = std::arg(det);
    if (!phase.empty()) half += kTwoPi * std::round((phase.back() - half) / kTwoPi);
    phase.push_back(half);
  }
  ChannelReading reading;
  // Steps of several points: the angle grows with the step, the noise of the taps does not.
  constexpr int kStep = 6;
  double angle = 0.0, pdl_db = 0.0;
  for (int i = 0; i + kStep < kPoints; ++i) angle += eigenvalue_angle(product(inverse(w[i + kStep]), w[i]));
  for (const Jones& matrix : w) pdl_db += singular_ratio_db(matrix);
  reading.dgd = angle / ((kPoints - kStep) * kTwoPi * kStep * spacing);
  reading.pdl = from_db(pdl_db / kPoints);
  reading.xy_skew = row_delay(w, 1, kStep, spacing) - row_delay(w, 0, kStep, spacing);
  // det W carries exp(-i beta2 L w^2 / 2) once for each polarisation.
  reading.beta2_length = -curvature(omega, phase) / std::pow(kTwoPi * p.symbol_rate, 2);
  return reading;
}

std::optional<ChannelReading> read_taps_blindly(const EqualiserTaps& taps, const TapReadingParameters& p) {
  std::optional<ChannelReading> best;
  for (long delay = -2; delay <= 2; ++delay) {
    const auto reading = read_taps(taps, p, delay);
    if (reading && (!best || reading->dgd < best->dgd)) best = reading;
  }
  if (best) best->xy_skew.reset();
  return best;
}

std::optional<double> true_pdl_db(const Truth& truth) {
  const std::size_t count = std::min(truth.jones.size(), truth.jones_frequency_hz.size());
  if (count == 0) return std::nullopt;
  std::size_t nearest = 0;
  for (std::size_t i = 1; i < count; ++i)
    if (std::abs(truth.jones_frequency_hz[i]) < std::abs(truth.jones_frequency_hz[nearest])) nearest = i;
  return singular_ratio_db(truth.jones[nearest]);
}

}  // namespace cohlink
