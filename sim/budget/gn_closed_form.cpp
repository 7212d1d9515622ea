#include "sim/budget/gn_closed_form.h"

#include <algorithm>
#include <cmath>
#include <limits>
#include <optional>

#include "sim/signal/units.h"

namespace cohlink {
namespace {

/// asinh(x)/x, finite at 0.
double asinh_ratio(double x) { return x < 1e-6 ? 1.0 : std::asinh(x) / x; }

/// Spacing [Hz] of a regular comb of equals, 0 for one channel alone; nothing for other light.
std::optional<double> comb_spacing(const GnLight& light) {
  if (light.size() == 1) return 0.0;
  double low = 0.0, high = 0.0;
  for (const GnChannel& channel : light) {
    const PulseShape &own = light.front().pulse, &theirs = channel.pulse;
    if (channel.power != light.front().power || theirs.pulse != own.pulse || theirs.roll_off != own.roll_off)
      return std::nullopt;
    low = std::min(low, channel.frequency);
    high = std::max(high, channel.frequency);
  }
  const double spacing = (high - low) / static_cast<double>(light.size() - 1);
  for (const GnChannel& channel : light) {
    const double place = channel.frequency / spacing;
    if (std::abs(place - std::round(place)) > 1e-3) return std::nullopt;
  }
  return spacing;
}

/// One span's eta without coherence, and how strongly spans add in phase.
struct ClosedSpan {
  double eta, epsilon;
};

ClosedSpan closed_span(const GnSection& s, double rate, double band_squared) {
  // Without loss the efficiency is L^2 sinc^2(b L/2) over the mismatch b instead of a Lorentzian of width
  // 1/L_a; one of the same height and area has L_a = L/2.
  const bool lossless = s.loss * s.length < 1e-6;
  const double effective = lossless ? s.length : -std::expm1(-s.loss * s.length) / s.loss;
  const double asymptotic = lossless ? 0.5 * s.length : 1.0 / s.loss;
  // (8/27) gamma^2 G^3 L_eff^2 asinh(x) / (pi |beta2| L_a), x = pi^2/2 |beta2| L_a B^2, with G = P / Rs and
  // the density taken over the whole symbol rate.
  const double x = 0.5 * kPi * kPi * std::abs(s.beta2) * asymptotic * band_squared;
  const double mixing = 0.5 * kPi * band_squared * asinh_ratio(x);
  // N^(1+eps); at most 2, where everything adds in phase.
  const double epsilon =
      x > 0.0 ? std::min(1.0, 0.3 * std::log1p(6.0 * asymptotic / (s.length * std::asinh(x)))) : 1.0;
  return {8.0 / 27.0 * std::pow(s.gamma * s.relative_power * effective / rate, 2) * mixing, epsilon};
}

}  // namespace

double gn_closed_form(const GnLine& line, const GnLight& light, Accumulation accumulation) {
  if (line.empty()) return 0.0;
  const std::optional<double> spacing = comb_spacing(light);
  if (!spacing) return std::numeric_limits<double>::quiet_NaN();
  const double rate = light.front().pulse.symbol_rate;
  // A comb of N channels counts as one band of B^2 = Rs^2 (N^2)^(Rs / spacing).
  const double comb =
      light.size() > 1 ? std::pow(static_cast<double>(light.size()), 2.0 * rate / *spacing) : 1.0;
  double sum = 0.0;
  for (const GnSection& s : line) {
    const ClosedSpan span = closed_span(s, rate, rate * rate * comb);
    sum += accumulation == Accumulation::kIncoherent
               ? span.eta
               : span.eta * std::pow(static_cast<double>(line.size()), span.epsilon);
  }
  return sum;
}

}  // namespace cohlink
