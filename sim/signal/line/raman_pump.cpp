#include "sim/signal/line/raman_pump.h"

#include <boost/math/quadrature/gauss_kronrod.hpp>
#include <cmath>

#include "sim/signal/units.h"

namespace cohlink {
namespace {

constexpr double kInversion = 1.14;    // 1/(1 - exp(-h 13.2 THz/k T)) at 300 K
constexpr double kPumpDbPerKm = 0.25;  // at about 1450 nm

}  // namespace

double backward_raman_noise_factor(const Span& span, double gain) {
  const double pump_loss = db_per_km_to_per_m(kPumpDbPerKm);
  const double reach = -std::expm1(-pump_loss * span.length) / pump_loss;
  const double strength = std::log(gain) / reach;  // of g at the end, 1/m
  // By the distance from the fibre's end.
  const auto scattered = [&](double x) {
    const double amplified = strength * -std::expm1(-pump_loss * x) / pump_loss;
    return kInversion * strength * std::exp(-pump_loss * x + amplified - span.loss * x);
  };
  using Rule = boost::math::quadrature::gauss_kronrod<double, 31>;
  const double photons = Rule::integrate(scattered, 0.0, span.length, 8, 1e-9);
  return (2.0 * photons + 1.0) / gain;
}

// Of the noise (F_R G_R - 1)/2 that leaves the fibre (h nu = 1) the lumped loss l leaves a part, and the
// amplifier of gain E = G/G_R adds (F E - 1)/2: ((F_R G_R - 1)/l E + F E - 1)/2 = (F_all G - 1)/2.
double hybrid_noise_factor(const LineSection& section, double gain) {
  const double lost = section.lumped_loss * section.module_loss;
  return backward_raman_noise_factor(section.span, gain) / lost +
         (section.amplifier.noise_factor - 1.0 / lost) / gain;
}

}  // namespace cohlink
