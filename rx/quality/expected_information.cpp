#include "rx/quality/expected_information.h"

#include <Eigen/Eigenvalues>
#include <array>
#include <cmath>
#include <stdexcept>

namespace cohlink {
namespace {

constexpr int kNodes = 32;

struct Rule {
  Eigen::VectorXd at, weight;  // of the mean over a normal variable of variance 1/2
};

/// The nodes are the eigenvalues of the Hermite polynomials' recurrence, the weights the squared first parts
/// of its eigenvectors.
Rule gauss_hermite() {
  Eigen::VectorXd beside(kNodes - 1);
  for (int i = 1; i < kNodes; ++i) beside[i - 1] = std::sqrt(0.5 * i);
  Eigen::SelfAdjointEigenSolver<Eigen::MatrixXd> solver;
  solver.computeFromTridiagonal(Eigen::VectorXd::Zero(kNodes), beside);
  return {solver.eigenvalues(), solver.eigenvectors().row(0).transpose().cwiseAbs2()};
}

struct Loss {
  double symbol = 0.0, bit = 0.0;  // bits
};

/// Of one value received where points[a] was sent. Its own likelihood is never so small that it is lost.
Loss loss_at(const Constellation& points, std::size_t a, std::complex<double> y, double noise) {
  double total = 0.0;
  std::array<double, 16> as_sent{};
  for (std::size_t b = 0; b < points.size(); ++b) {
    const double p = std::exp(-std::norm(y - points[b]) / noise);
    total += p;
    for (std::size_t bit = 0; bit < static_cast<std::size_t>(points.bits()); ++bit)
      if (((a ^ b) >> bit & 1u) == 0) as_sent[bit] += p;
  }
  Loss loss{std::log2(total) + std::norm(y - points[a]) / noise / std::log(2.0), 0.0};
  for (std::size_t bit = 0; bit < static_cast<std::size_t>(points.bits()); ++bit)
    loss.bit += std::log2(total / as_sent[bit]);
  return loss;
}

}  // namespace

Information expected_information(Modulation modulation, double snr) {
  const Constellation& points = constellation(modulation);
  if (points.empty())
    throw std::invalid_argument("information of a constellation: Gaussian symbols have none");
  if (!(snr > 0.0)) throw std::invalid_argument("information needs an SNR above zero");
  static const Rule rule = gauss_hermite();
  const double noise = 1.0 / snr, step = std::sqrt(noise);
  Loss loss;
  for (std::size_t a = 0; a < points.size(); ++a)
    for (int i = 0; i < kNodes; ++i)
      for (int j = 0; j < kNodes; ++j) {
        const double weight = points.probability(a) * rule.weight[i] * rule.weight[j];
        const Loss here = loss_at(points, a, points[a] + step * std::complex(rule.at[i], rule.at[j]), noise);
        loss.symbol += weight * here.symbol;
        loss.bit += weight * here.bit;
      }
  const double bits = points.bits();
  return {bits - loss.symbol, bits - loss.bit, 1.0 - loss.bit / bits};
}

}  // namespace cohlink
