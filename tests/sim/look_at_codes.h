// What an independent look at the codes finds of the hardware: one impairment at a time, every lane fitted to
// the waveform that an ideal transmitter would have sent. Nothing of the light path is used but the capture
// it made.
//
// Noise is the quantiser's alone (16 bits), so every estimate comes with the standard error that the fit's
// own residual gives; truth and estimate agree within five of them.
#pragma once

#include <doctest/doctest.h>

#include <array>
#include <cmath>
#include <initializer_list>
#include <numeric>
#include <vector>

#include "sim/link.h"
#include "sim/signal/pulse.h"
#include "sim/signal/record/hardware_truth.h"
#include "sim/signal/units.h"
#include "tests/ffts.h"

namespace cohlink::test {

using Complex = std::complex<double>;
using Row = std::vector<double>;

inline constexpr double kRate =
    128e9;  // of converter and simulation alike: each sample is one instant of the light
inline constexpr std::size_t kSymbols = 4096, kPerSymbol = 4, kSamples = kSymbols * kPerSymbol;

inline Capture capture_with(std::initializer_list<const char*> flaw) {
  Scenario s;
  for (const char* assignment :
       {"signal.symbols=4096", "adc.sample_rate_gsa=128", "run.samples_per_symbol=4", "adc.bits=16"})
    s.set(assignment);
  for (const char* assignment : flaw) s.set(assignment);
  return Link(s, ffts())(0);
}

/// What an ideal transmitter sends and an ideal receiver sees, unit power: real part lane I, imaginary lane
/// Q.
struct Reference {
  std::array<ComplexRow<double>, 2> row, slope;  // slope: derivative over time [1/s]
  explicit Reference(const Capture& c) {
    const auto& transform = ffts().get<double>(kSamples);
    for (std::size_t p = 0; p < 2; ++p) {
      row[p] = shape_symbols(c.truth->symbols[p], {Pulse::kRrc, 0.1, 32e9}, kPerSymbol, ffts());
      slope[p] = row[p];
      transform.forward(slope[p]);
      for (std::size_t k = 0; k < kSamples; ++k)
        slope[p][k] *= Complex(0.0, kTwoPi * bin_frequency(k, kSamples, kRate) / kSamples);
      transform.inverse(slope[p]);
    }
  }
  Row lane(std::size_t l) const { return part(row[l / 2], l % 2); }
  Row slope_of_lane(std::size_t l) const { return part(slope[l / 2], l % 2); }
  static Row part(const ComplexRow<double>& row, bool imaginary) {
    Row out(row.size());
    for (std::size_t k = 0; k < out.size(); ++k) out[k] = imaginary ? row[k].imag() : row[k].real();
    return out;
  }
};

/// Photocurrent of a lane as its codes tell it [A].
inline Row current(const Capture& c, std::size_t lane) {
  Row out(c.lanes[lane].begin(), c.lanes[lane].end());
  for (double& x : out) x *= c.ampere_per_code[lane];
  return out;
}

/// An estimate with its standard error.
struct Estimate {
  double value = 0.0, error = 0.0;
};

/// `sharp`: the largest relative standard error with which the look still says something.
inline void agrees(const Estimate& estimate, double truth, double sharp = 2e-3) {
  INFO("measured " << estimate.value << " +- " << estimate.error << ", truth " << truth);
  CHECK(std::abs(estimate.value - truth) < 5.0 * estimate.error);
  CHECK(estimate.error < sharp * std::abs(truth));
}

using Matrix = std::vector<Row>;

/// Inverse of a positive definite matrix by Gauss and Jordan's elimination.
inline Matrix inverse(Matrix a) {
  const std::size_t n = a.size();
  for (std::size_t i = 0; i < n; ++i) {
    a[i].resize(2 * n, 0.0);
    a[i][n + i] = 1.0;
  }
  for (std::size_t i = 0; i < n; ++i) {
    const double pivot = a[i][i];
    for (double& x : a[i]) x /= pivot;
    for (std::size_t j = 0; j < n; ++j) {
      const double factor = a[j][i];
      for (std::size_t k = 0; j != i && k < 2 * n; ++k) a[j][k] -= factor * a[i][k];
    }
  }
  for (auto& row : a) row.erase(row.begin(), row.begin() + static_cast<std::ptrdiff_t>(n));
  return a;
}

inline double dot(const Row& a, const Row& b) {
  return std::inner_product(a.begin(), a.end(), b.begin(), 0.0);
}

/// Least squares of a lane on other rows. Those are scaled to unit power for the sake of the numbers.
struct Fit {
  Row c;
  Matrix covariance;
  double residual = 0.0;  // mean square

  Fit(const Row& lane, const std::vector<Row>& basis) {
    const std::size_t n = lane.size(), m = basis.size();
    Row size(m);
    for (std::size_t i = 0; i < m; ++i) size[i] = std::sqrt(dot(basis[i], basis[i]));
    covariance.assign(m, Row(m));
    for (std::size_t i = 0; i < m; ++i)
      for (std::size_t j = 0; j < m; ++j) covariance[i][j] = dot(basis[i], basis[j]) / (size[i] * size[j]);
    covariance = inverse(covariance);
    c.assign(m, 0.0);
    for (std::size_t j = 0; j < m; ++j) {
      const double projection = dot(basis[j], lane) / size[j];
      for (std::size_t i = 0; i < m; ++i) c[i] += covariance[i][j] * projection / size[i];
    }
    Row rest = lane;
    for (std::size_t i = 0; i < m; ++i)
      for (std::size_t k = 0; k < n; ++k) rest[k] -= c[i] * basis[i][k];
    const double variance = residual = dot(rest, rest) / static_cast<double>(n - m);
    for (std::size_t i = 0; i < m; ++i)
      for (std::size_t j = 0; j < m; ++j) covariance[i][j] *= variance / (size[i] * size[j]);
  }
  /// Mean square of what the fit leaves of a lane of white noise, its standard error that of a chi-square.
  Estimate noise_power(std::size_t samples) const {
    return {residual, residual * std::sqrt(2.0 / static_cast<double>(samples))};
  }
  Estimate operator()(std::size_t j) const { return {c[j], std::sqrt(covariance[j][j])}; }
  /// Any function of the coefficients; its error from its slope along each, one standard error wide.
  template <class Function>
  Estimate of(Function f) const {
    Row gradient(c.size());
    double variance = 0.0;
    for (std::size_t j = 0; j < c.size(); ++j) {
      Row moved = c;
      const double step = std::sqrt(covariance[j][j]);
      moved[j] += step;
      gradient[j] = (f(moved) - f(c)) / step;
    }
    for (std::size_t i = 0; i < c.size(); ++i) variance += gradient[i] * dot(covariance[i], gradient);
    return {f(c), std::sqrt(variance)};
  }
};

inline Estimate ratio_db(const Estimate& a, const Estimate& b) {
  const double relative = std::hypot(a.error / a.value, b.error / b.value);
  return {20.0 * std::log10(a.value / b.value), 20.0 / std::log(10.0) * relative};
}

inline const Row kOnes(kSamples, 1.0);

/// A lane on both parts of its polarisation's reference.
inline Fit fit_of_beat(const Capture& c, const Reference& r, std::size_t lane) {
  return Fit(current(c, lane), {r.lane(lane & ~1u), r.lane(lane | 1u)});
}

/// The same with what an imperfect balance lets through: the oscillator's light, constant, and the signal's.
inline Fit with_leak(const Capture& c, const Reference& r, std::size_t lane) {
  Row square(kSamples);
  for (std::size_t k = 0; k < kSamples; ++k) square[k] = std::norm(r.row[lane / 2][k]);
  return Fit(current(c, lane), {kOnes, r.lane(lane & ~1u), r.lane(lane | 1u), square});
}

/// Delay of a lane against the reference [ps]: slope of the cross spectrum's phase, each frequency weighted
/// by what it tells; its error from the scatter of the phases.
inline Estimate delay_ps(const Capture& c, const Reference& r, std::size_t lane) {
  const auto spectrum = [](const Row& x) {
    ComplexRow<double> row(x.begin(), x.end());
    ffts().get<double>(row.size()).forward(row);
    return row;
  };
  const auto seen = spectrum(current(c, lane)), sent = spectrum(r.lane(lane));
  double s2 = 0.0, s1 = 0.0, scatter = 0.0;
  std::size_t count = 0;
  const auto sum = [&](auto&& term) {
    for (std::size_t k = 1; bin_frequency(k, kSamples, kRate) < 17e9; ++k)
      term(kTwoPi * bin_frequency(k, kSamples, kRate), std::arg(seen[k] * std::conj(sent[k])),
           std::norm(sent[k]));
  };
  sum([&](double w, double phase, double weight) {
    s2 += weight * w * w, s1 -= weight * w * phase, ++count;
  });
  const double delay = s1 / s2;
  sum([&](double w, double phase, double weight) { scatter += weight * std::pow(phase + w * delay, 2); });
  return {delay * 1e12, std::sqrt(scatter / (static_cast<double>(count - 1) * s2)) * 1e12};
}

inline double beat_squared(const FrontendTruth& t,
                           std::size_t lane) {  // of one balanced output, over all phases
  return std::pow(
      2.0 * t.responsivity_a_per_w[lane][0] * std::sqrt(t.signal_power_w[lane][0] * t.lo_power_w[lane][0]) +
          2.0 * t.responsivity_a_per_w[lane][1] *
              std::sqrt(t.signal_power_w[lane][1] * t.lo_power_w[lane][1]),
      2);
}

inline double total_lo(const FrontendTruth& t, std::size_t lane) {
  return t.lo_power_w[lane][0] + t.lo_power_w[lane][1];
}

}  // namespace cohlink::test
