#include "rx/blocks/least_squares.h"

#include <Eigen/Dense>
#include <algorithm>
#include <complex>
#include <limits>
#include <vector>

#include "rx/blocks/phase_track.h"

namespace cohlink {
namespace {

using Matrix = Eigen::MatrixXcd;
using Vector = Eigen::VectorXcd;

constexpr std::size_t kMost = 4096;  // rows of any system of equations

Eigen::Index index(std::size_t n) { return static_cast<Eigen::Index>(n); }

// What the taps meet at each place, a row a place: input after input, tap after tap.
Matrix inputs_at(const ButterflyInput& in, const std::vector<std::size_t>& places) {
  const std::size_t columns = in.lanes().size();
  Matrix rows(index(places.size()), index(columns));
  for (std::size_t n = 0; n < places.size(); ++n)
    for (std::size_t t = 0; t < columns; ++t)
      rows(index(n), index(t)) = {in.lanes()[t].re[places[n]], in.lanes()[t].im[places[n]]};
  return rows;
}

// A^H A with so much more on the diagonal that directions without any signal stay out of the taps.
Matrix covariance(const Matrix& rows) {
  Matrix of = rows.adjoint() * rows;
  constexpr double kFloor = 1e-4;
  const double mean = of.trace().real() / static_cast<double>(of.rows());
  of.diagonal().array() += kFloor * mean;
  return of;
}

Matrix covariance(const ButterflyInput& in, std::size_t first, std::size_t last) {
  std::vector<std::size_t> places;
  const std::size_t apart = (last - first + kMost - 1) / kMost;
  for (std::size_t k = first; k < last; k += apart) places.push_back(k);
  return covariance(inputs_at(in, places));
}

// The direction that the correlations of all stretches share.
Vector shared_direction(const Matrix& rows, const Vector& sent, const std::vector<std::size_t>& places) {
  constexpr std::size_t kStretch = 512;  // symbols, over which phase and offset stand still
  Matrix sum = Matrix::Zero(rows.cols(), rows.cols());
  for (std::size_t from = 0, to = 0; from < places.size(); from = to) {
    while (to < places.size() && places[to] < places[from] + kStretch) ++to;
    const Vector one = rows.middleRows(index(from), index(to - from)).adjoint() *
                       sent.segment(index(from), index(to - from));
    sum += one * one.adjoint();
  }
  return Eigen::SelfAdjointEigenSolver<Matrix>(sum).eigenvectors().rightCols(1);
}

// y conj(s) of an output.
Vector product(const Matrix& rows, const Vector& taps, const Vector& sent) {
  return (rows * taps).cwiseProduct(sent.conjugate());
}

Vector vector_of(const Symbols& symbols, std::size_t count) {
  return Eigen::Map<const Vector>(symbols.data(), index(count));
}

// The sent symbols turned by the phase that both outputs show.
std::array<Vector, 2> turned(const Matrix& rows, const std::array<Vector, 2>& taps,
                             const std::array<Vector, 2>& sent, std::span<const std::size_t> places) {
  const Vector both = product(rows, taps[0], sent[0]) + product(rows, taps[1], sent[1]);
  const std::span<const std::complex<double>> seen(both.data(), places.size());
  const auto phase = smooth_phase(places, seen, measure_walk(places, seen));
  std::array<Vector, 2> out = sent;
  for (std::size_t n = 0; n < phase.size(); ++n)
    for (auto& row : out) row(index(n)) *= std::polar(1.0, phase[n]);
  return out;
}

// Squared, of both outputs.
double left_over(const Matrix& rows, const std::array<Vector, 2>& taps, const std::array<Vector, 2>& wanted) {
  return (rows * taps[0] - wanted[0]).squaredNorm() + (rows * taps[1] - wanted[1]).squaredNorm();
}

}  // namespace

double least_squares_start(const ButterflyInput& in, const KnownSymbols& known, std::size_t first,
                           std::size_t last, Butterfly& filters) {
  std::vector<std::size_t> places = known.places;
  places.resize(std::min(places.size(), kMost));
  const Matrix rows = inputs_at(in, places);
  const Eigen::LDLT<Matrix> white(covariance(in, first, last));
  std::array<Vector, 2> sent, taps;
  for (std::size_t p = 0; p < 2; ++p) {
    sent[p] = vector_of(known.symbols[p], places.size());
    taps[p] = white.solve(shared_direction(rows, sent[p], places));
    taps[p] /= (rows * taps[p]).norm();
  }
  const std::complex<double> apart =
      product(rows, taps[1], sent[1]).dot(product(rows, taps[0], sent[0]));  // conj(Y) X
  if (std::abs(apart) > 0.0) taps[1] *= apart / std::abs(apart);
  const Eigen::LDLT<Matrix> normal(covariance(rows));
  constexpr int kPasses = 3;
  double left = 0.0;
  for (int pass = 0; pass < kPasses; ++pass) {
    const auto wanted = turned(rows, taps, sent, places);
    for (std::size_t p = 0; p < 2; ++p) taps[p] = normal.solve(rows.adjoint() * wanted[p]);
    left = left_over(rows, taps, wanted);
  }
  const std::size_t each = in.lanes().size() / in.inputs();
  for (std::size_t p = 0; p < 2; ++p)
    for (std::size_t t = 0; t < in.lanes().size(); ++t)
      filters.set_tap(p, t / each, t % each, std::complex<float>(taps[p](index(t))));
  const double free = static_cast<double>(rows.rows() - rows.cols());
  return free > 0.0 ? 0.5 * left / free : std::numeric_limits<double>::infinity();
}

}  // namespace cohlink
