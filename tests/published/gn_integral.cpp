#include "tests/published/gn_integral.h"

#include <algorithm>
#include <cmath>
#include <complex>
#include <vector>

#include "sim/signal/units.h"

namespace cohlink::gn {
namespace {

using Complex = std::complex<double>;

// Link response at the phase mismatch theta of one span:
// mu = (1 - exp(-a L) exp(j theta))/(a - j theta/L) sum_k exp(j k theta).
Complex response(const Link& link, double theta) {
  const Complex turn = std::polar(1.0, theta);
  const Complex one =
      (1.0 - std::exp(-link.loss * link.span_length) * turn) / Complex(link.loss, -theta / link.span_length);
  Complex sum = 0.0, power = 1.0;
  for (int k = 0; k < link.spans; ++k) {
    sum += power;
    power *= turn;
  }
  return one * sum;
}

double mismatch_scale(const Link& link) { return 4.0 * kPi * kPi * link.beta2 * link.span_length; }

// Integral of a function of theta from 0, tabulated and interpolated, so that an integral over a frequency on
// which theta depends linearly is a difference, however fast the function oscillates.
template <class Value>
class Cumulative {
 public:
  Cumulative(const std::function<Value(double)>& f, double reach, double step) : step_(step) {
    const auto n = static_cast<std::size_t>(reach / step) + 2;
    table_.resize(n, Value(0.0));
    Value left = f(0.0);
    for (std::size_t i = 1; i < n; ++i) {
      const double t = static_cast<double>(i) * step;
      const Value right = f(t);
      table_[i] = table_[i - 1] + step / 6.0 * (left + 4.0 * f(t - step / 2.0) + right);
      left = right;
    }
  }
  // theta >= 0.
  Value at(double theta) const {
    const double x = theta / step_;
    const auto i = std::min(static_cast<std::size_t>(x), table_.size() - 2);
    return table_[i] + (x - static_cast<double>(i)) * (table_[i + 1] - table_[i]);
  }

 private:
  double step_;
  std::vector<Value> table_;
};

double step_for(const Link& link) { return 0.05 / link.spans; }

// Nodes and weights over u in (-reach, reach), fine towards 0, where the integrand is sharpest.
struct Rule {
  std::vector<double> node, weight;
};
// Cells grow by 4 % until they are `widest`.
Rule graded_rule(double reach, double widest) {
  Rule rule;
  for (double low = 0.0, high = reach * 1e-7; low < reach;) {
    high = std::min(high, reach);
    for (const double sign : {-1.0, 1.0}) {
      rule.node.push_back(sign * (low + high) / 2.0);
      rule.weight.push_back(high - low);
    }
    low = high;
    high = low + std::min(0.04 * low, widest);
  }
  return rule;
}

// Midpoint rule for the mean over the matched filter.
template <class F>
double mean_over_band(double edge, int points, const F& f) {
  double sum = 0.0;
  for (int i = 0; i < points; ++i) {
    const double frequency = edge * ((2.0 * i + 1.0) / points - 1.0);
    sum += f(frequency) * 2.0 * edge / points;
  }
  return sum;
}

double comb_density(const Comb& comb, double f) {
  const double nearest =
      std::clamp(std::round(f / comb.spacing), -1.0 * comb.channels_each_side, 1.0 * comb.channels_each_side);
  const double offset = f - nearest * comb.spacing;
  return std::abs(offset) < comb.edge ? comb.density(offset) : 0.0;
}

}  // namespace

double eta(const Link& link, const Comb& comb) {
  const double reach = comb.spacing * comb.channels_each_side + comb.edge,
               scale = std::abs(mismatch_scale(link));
  const Cumulative<double> cumulative([&](double theta) { return std::norm(response(link, theta)); },
                                      scale * 4.0 * reach * reach, step_for(link));
  const Rule rule = graded_rule(2.0 * reach, comb.symbol_rate / 60.0);
  const double cell = comb.symbol_rate / 80.0;
  // Integral over f1 = f + u1 and f2 = f + u2 of G G G |mu|^2: the density is constant over a cell of u2,
  // |mu|^2 is not.
  const auto noise_density = [&](double f) {
    double sum = 0.0;
    for (std::size_t i = 0; i < rule.node.size(); ++i) {
      const double u1 = rule.node[i], g1 = comb_density(comb, f + u1);
      if (g1 == 0.0) continue;
      const double slope = scale * std::abs(u1);
      double inner = 0.0;
      for (double f2 = -reach; f2 < reach; f2 += cell) {
        const double middle = f2 + cell / 2.0;
        const double g23 = comb_density(comb, middle) * comb_density(comb, middle + u1);
        if (g23 == 0.0) continue;
        const double low = f2 - f, high = low + cell;
        const auto side = [&](double u2) { return std::copysign(cumulative.at(slope * std::abs(u2)), u2); };
        inner += g23 * (side(high) - side(low)) / slope;
      }
      sum += rule.weight[i] * g1 * inner;
    }
    return sum;
  };
  const double averaged = mean_over_band(comb.edge, 20, [&](double f) {
    return comb.density(f) * noise_density(f + comb.under_test * comb.spacing);
  });
  // G = P/Rs density, and noise over signal is the filtered density over P.
  return 16.0 / 27.0 * link.gamma * link.gamma * averaged / std::pow(comb.symbol_rate, 3);
}

EgnEta eta_egn_single_channel(const Link& link, double symbol_rate, double phi, double psi) {
  const double half = symbol_rate / 2.0, scale = std::abs(mismatch_scale(link));
  const double reach = scale * symbol_rate * symbol_rate * 1.01, step = step_for(link);
  const Cumulative<double> squared([&](double t) { return std::norm(response(link, t)); }, reach, step);
  // A negative mismatch conjugates the response.
  const Cumulative<Complex> linear([&](double t) { return response(link, t); }, reach, step);
  const Rule rule = graded_rule(symbol_rate, symbol_rate / 2000.0);

  Complex bias = 0.0;
  constexpr int kBand = 8;
  const auto density = [&](double f) {
    double k1 = 0.0, k2 = 0.0;
    Complex whole = 0.0;
    for (std::size_t i = 0; i < rule.node.size(); ++i) {
      const double u1 = rule.node[i], f1 = f + u1, slope = scale * std::abs(u1);
      if (std::abs(f1) > half) continue;
      // f2 and f1 + f2 - f = f2 + u1 in the band.
      const double low = std::max(-half, -half - u1) - f, high = std::min(half, half - u1) - f;
      if (high <= low) continue;
      const auto side = [&](double u2) { return std::copysign(squared.at(slope * std::abs(u2)), u2); };
      const auto amplitude = [&](double u2) {
        const Complex value = linear.at(slope * std::abs(u2));
        return u1 * u2 < 0.0 ? std::conj(value) * std::copysign(1.0, u2) : value * std::copysign(1.0, u2);
      };
      const Complex inner = (amplitude(high) - amplitude(low)) / slope;
      k1 += rule.weight[i] * (side(high) - side(low)) / slope;
      k2 += rule.weight[i] * std::norm(inner);
      whole += rule.weight[i] * inner;
    }
    // The other pairing: f2 = f3 + f - f1 at fixed f3; the mismatch is quadratic in f1, a fine grid follows
    // it.
    double k2b = 0.0;
    constexpr int kOuter = 160;
    const int fine = 1000 + 200 * link.spans;
    for (int i = 0; i < kOuter; ++i) {
      const double f3 = half * ((2.0 * i + 1.0) / kOuter - 1.0);
      const double low = std::max(-half, f3 + f - half), high = std::min(half, f3 + f + half);
      Complex inner = 0.0;
      for (int j = 0; j < fine; ++j) {
        const double f1 = low + (high - low) * (j + 0.5) / fine;
        const double theta = scale * (f1 - f) * (f3 - f1);
        inner += theta < 0.0 ? std::conj(response(link, -theta)) : response(link, theta);
      }
      k2b += std::norm(inner * (high - low) / static_cast<double>(fine)) * symbol_rate / kOuter;
    }
    bias += whole / static_cast<double>(kBand);
    const double rs3 = std::pow(symbol_rate, 3);
    return 16.0 / 27.0 * k1 / rs3 + phi * (80.0 / 81.0 * k2 + 16.0 / 81.0 * k2b) / (rs3 * symbol_rate) +
           psi * 16.0 / 81.0 * std::norm(whole) / (rs3 * symbol_rate * symbol_rate);
  };
  const double noise = mean_over_band(half, kBand, density);
  const double gain = phi * phi * 16.0 / 81.0 * std::norm(bias) / std::pow(symbol_rate, 4);
  return {link.gamma * link.gamma * noise, link.gamma * link.gamma * gain};
}

}  // namespace cohlink::gn
