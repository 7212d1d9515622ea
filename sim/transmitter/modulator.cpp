#include "sim/transmitter/modulator.h"

#include <array>
#include <cmath>

#include "sim/signal/phasors.h"

namespace cohlink {
namespace {

// u_I + i exp(i error) u_Q.
std::complex<double> skewed(std::complex<double> u, double sine, double cosine) {
  return {u.real() - sine * u.imag(), cosine * u.imag()};
}

// Parts of the power that go to X and Y.
std::array<double, 2> shares(const ModulatorParameters& p) {
  const double x = p.xy_power_ratio / (1.0 + p.xy_power_ratio);
  return {x, 1.0 - x};
}

/// Of unit mean power, the same for both polarisations.
ComplexRow<double> light_of(const LaserTrace& laser) {
  ComplexRow<double> light(laser.phase.size());
  fill_phasors(laser.phase, light);
  if (!laser.relative_power.empty())
    for (std::size_t t = 0; t < light.size(); ++t) light[t] *= laser.amplitude(t);
  return light;
}

ModulatedLight ideal(Field<double>& drive, const LaserTrace& laser, const ModulatorParameters& p,
                     double launch_power) {
  const double sine = std::sin(p.iq.phase_error), cosine = std::cos(p.iq.phase_error);
  const ComplexRow<double> light = light_of(laser);
  for (std::size_t pol = 0; pol < 2; ++pol) {
    auto& row = *drive.rows()[pol];
    const double amplitude = std::sqrt(launch_power * shares(p)[pol]);
    for (std::size_t t = 0; t < row.size(); ++t)
      row[t] = skewed(row[t], sine, cosine) * (amplitude * light[t]);
  }
  return {p.laser_power * p.iq.power_transmission, 1.0, {}, {}};
}

// The modulator of one polarisation as its bias control leaves it.
IqModulatorParameters biased(const ComplexRow<double>& drive, double volt_per_unit,
                             const ModulatorParameters& p) {
  IqModulatorParameters iq = p.iq;
  if (!p.bias_control) return iq;
  const BiasPoint null = carrier_null(drive, volt_per_unit, p.iq);
  iq.bias_error_i += null.in_phase;
  iq.bias_error_q += null.quadrature;
  return iq;
}

// Power of what a modulator lets through of itself over that of what varies. The data's own mean, which a
// frame has by chance and a longer one less of, is no carrier: over every value and its negative it is none.
double carrier_to_signal(const ComplexRow<double>& transfer, std::complex<double> sum_of_negatives) {
  std::complex<double> sum = 0.0;
  for (const auto& t : transfer) sum += t;
  const double each = 1.0 / static_cast<double>(transfer.size());
  const std::complex<double> mean = sum * each, carrier = 0.5 * (sum + sum_of_negatives) * each;
  // Mean of |t - carrier|^2.
  const double signal = mean_power(transfer) - 2.0 * (std::conj(carrier) * mean).real() + std::norm(carrier);
  return signal > 0.0 ? std::norm(carrier) / signal : 0.0;
}

ModulatedLight interferometers(Field<double>& drive, const LaserTrace& laser, const ModulatorParameters& p,
                               double volt_per_unit, double launch_power) {
  ModulatedLight out;
  const ComplexRow<double> light = light_of(laser);
  for (std::size_t pol = 0; pol < 2; ++pol) {
    auto& row = *drive.rows()[pol];
    const IqModulatorParameters iq = biased(row, volt_per_unit, p);
    const std::complex<double> sum_of_negatives = IqTransfer(iq)(row, volt_per_unit);
    out.carrier[pol] = carrier_to_signal(row, sum_of_negatives);
    out.bias[pol] = {iq.bias_error_i, iq.bias_error_q};
    const double amplitude = std::sqrt(p.laser_power * shares(p)[pol]);
    for (std::size_t t = 0; t < row.size(); ++t) row[t] *= amplitude * light[t];
  }
  out.power = mean_power(drive);
  out.power_gain = out.power > 0.0 ? launch_power / out.power : 1.0;
  return out;
}

}  // namespace

ModulatedLight modulate(Field<double>& drive, const LaserTrace& laser, const ModulatorParameters& p,
                        double volt_per_unit, double launch_power) {
  if (p.kind == ModulatorKind::kIdeal) return ideal(drive, laser, p, launch_power);
  return interferometers(drive, laser, p, volt_per_unit, launch_power);
}

}  // namespace cohlink
