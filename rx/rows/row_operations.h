// What is done with whole rows of symbols, at the full width of the processor's vectors: sums, decisions,
// turning.
#pragma once

#include <complex>
#include <cstddef>
#include <span>
#include <vector>

#include "sim/signal/constellation.h"
#include "sim/signal/field.h"

namespace cohlink {

using Row = std::span<const std::complex<float>>;

/// Sums over symbols of two rows y and a: y conj(a), |y|^2, |a|^2. Single precision inside a run of kRun,
/// double over the runs.
struct Correlation {
  static constexpr std::size_t kRun = 64;
  std::complex<double> cross = 0.0;
  double of_y = 0.0, of_a = 0.0;
  Correlation& operator+=(const Correlation& other);
};

/// Rows of one length (std::invalid_argument otherwise).
Correlation correlation(Row y, Row a);
/// Of each run of kRun symbols, the last as long as is left.
std::vector<Correlation> correlations(Row y, Row a);

/// Sum of |y - gain a|^2, as exact as the rows where there is little left.
double square_distance(Row y, Row a, std::complex<float> gain);

/// The constellation's points nearest to the row's symbols; `c` has points.
ComplexRow<float> nearest_points(Row row, const Constellation& c);

ComplexRow<float> fourth_powers(Row row);
/// Sum of Re(y^4 conj(expected)) / |y|^4; symbols of no size add nothing.
double fourth_power_coherence(Row row, std::complex<float> expected);

/// out[k] = weight[k] row[k].
void weigh(Row row, std::span<const float> weight, std::span<std::complex<float>> out);
/// power[k] += |row[k]|^2.
void add_powers(std::span<double> power, Row row);

/// Sums of |y|^2 and |y|^4.
struct PowerSums {
  double second = 0.0, fourth = 0.0;
};
PowerSums power_sums(Row row);

/// In single precision.
void narrow(std::span<const std::complex<double>> in, std::span<std::complex<float>> out);

/// exp(-i phase) to float precision: the phase [rad] reduced by quarter turns in double, then Taylor
/// polynomials on +-pi/4 (errors below 4e-7).
ComplexRow<float> phasors_back(std::span<const double> phase);
/// row[k] *= exp(-i phase[k]).
void turn_back(std::span<std::complex<float>> row, std::span<const double> phase);

/// row[k] *= exp(-i 2 pi cycles k).
void turn_steadily(std::span<std::complex<float>> row, double cycles);

/// row[k] *= factor.
void scale(std::span<std::complex<float>> row, std::complex<float> factor);
/// row[k] *= other[k].
void multiply(std::span<std::complex<float>> row, Row other);
/// row[k] -= factor other[k].
void subtract(std::span<std::complex<float>> row, std::complex<float> factor, Row other);

}  // namespace cohlink
