#include "sim/signal/awgn_information.h"

#include <algorithm>
#include <array>
#include <boost/math/tools/toms748_solve.hpp>
#include <cmath>
#include <stdexcept>

#include "sim/signal/units.h"

namespace cohlink {
namespace {

using Complex = std::complex<double>;

constexpr std::size_t kMostBits = 16;

// Points of a line or a plane, how often each is sent, and the bits that name them by their index.
struct Alphabet {
  std::vector<Complex> points;
  std::vector<double> share;
  int bits = 0;
};

Alphabet one_axis(const Constellation& c) {
  Alphabet axis;
  const std::size_t count = c.axis().count();
  for (std::size_t i = 0; i < count; ++i) {
    axis.points.emplace_back(c.axis().level[i]);
    axis.share.push_back(0.0);
    for (std::size_t j = 0; j < count; ++j) axis.share.back() += c.probability(i * count + j);
  }
  axis.bits = c.bits() / 2;
  return axis;
}

Alphabet whole_plane(const Constellation& c) {
  Alphabet plane{{c.begin(), c.end()}, {}, c.bits()};
  for (std::size_t i = 0; i < c.size(); ++i) plane.share.push_back(c.probability(i));
  return plane;
}

double entropy(const Alphabet& a) {
  double bits = 0.0;
  for (const double p : a.share) bits -= p > 0.0 ? p * std::log2(p) : 0.0;
  return bits;
}

// Shares of all points in what is received, and of those that have a bit as the point sent has it, over that
// of the point sent, which is never small beside the largest: nothing is lost to underflow.
struct Shares {
  double all = 0.0;
  std::array<double, kMostBits> as_sent = {};
};

Shares shares(const Alphabet& a, std::size_t sent, Complex received, double noise) {
  const double own = std::norm(received - a.points[sent]);
  Shares out;
  for (std::size_t i = 0; i < a.points.size(); ++i) {
    const double p = a.share[i] * std::exp((own - std::norm(received - a.points[i])) / noise);
    out.all += p;
    for (int b = 0; b < a.bits; ++b)
      if (((i ^ sent) >> b & 1u) == 0) out.as_sent[static_cast<std::size_t>(b)] += p;
  }
  return out;
}

// The mean of a function of noise of unit power, by the trapezoidal rule, which for a Gaussian weight
// converges faster than any power of its step.
template <class Function>
double mean_over_noise(bool plane, const Function& of) {
  constexpr double kReach = 5.4;  // exp(-5.4^2) = 2e-13
  const double step = plane ? 0.15 : 0.1;
  const int count = static_cast<int>(std::lround(kReach / step));
  double sum = 0.0, weights = 0.0;
  for (int i = -count; i <= count; ++i)
    for (int j = plane ? -count : 0; j <= (plane ? count : 0); ++j) {
      const Complex z(step * i, step * j);
      const double weight = std::exp(-std::norm(z));
      sum += weight * of(z);
      weights += weight;
    }
  return sum / weights;
}

// Mean over points and noise of a function of those shares.
template <class Function>
double mean_over_light(const Alphabet& a, bool plane, double noise, const Function& of) {
  double mean = 0.0;
  for (std::size_t sent = 0; sent < a.points.size(); ++sent)
    mean += a.share[sent] * mean_over_noise(plane, [&](Complex z) {
              return of(shares(a, sent, a.points[sent] + std::sqrt(noise) * z, noise));
            });
  return mean;
}

double mutual_bits(const Alphabet& a, bool plane, double noise) {
  return -mean_over_light(a, plane, noise, [](const Shares& seen) { return std::log2(seen.all); });
}

double generalised_bits(const Alphabet& a, bool plane, double noise) {
  return entropy(a) - mean_over_light(a, plane, noise, [&](const Shares& seen) {
           double lost = a.bits * std::log2(seen.all);
           for (int b = 0; b < a.bits; ++b) lost -= std::log2(seen.as_sent[static_cast<std::size_t>(b)]);
           return lost;
         });
}

// Of one axis too the density exp(-x^2 / N0) has the noise N0 / 2 that falls to it.
template <class Bits>
double of_format(const Constellation& points, double snr, const Bits& bits) {
  if (points.empty()) throw std::invalid_argument("Gaussian symbols carry no bits");
  if (!(snr > 0.0)) throw std::invalid_argument("information needs an SNR above zero");
  return points.axis().count() > 0 ? 2.0 * bits(one_axis(points), false, 1.0 / snr)
                                   : bits(whole_plane(points), true, 1.0 / snr);
}

}  // namespace

double awgn_mutual_bits(const Constellation& points, double snr) {
  return of_format(points, snr, mutual_bits);
}

double awgn_generalised_bits(const Constellation& points, double snr) {
  return of_format(points, snr, generalised_bits);
}

double awgn_ngmi(const Constellation& points, double snr) {
  return 1.0 - (entropy(whole_plane(points)) - awgn_generalised_bits(points, snr)) / points.bits();
}

double awgn_snr_for_ngmi(const Constellation& points, double ngmi) {
  if (!(ngmi > 0.02 && ngmi < 1.0 - 1e-9))
    throw std::invalid_argument("an NGMI between 0.02 and 1 is needed");
  const auto missing = [&](double db) { return awgn_ngmi(points, from_db(db)) - ngmi; };
  double low = -30.0, high = 60.0;
  if (missing(low) > 0.0) throw std::invalid_argument("the format has more than that NGMI at any SNR");
  std::uintmax_t steps = 60;
  const auto [below, above] = boost::math::tools::toms748_solve(
      missing, low, high, boost::math::tools::eps_tolerance<double>(30), steps);
  return from_db(0.5 * (below + above));
}

}  // namespace cohlink
