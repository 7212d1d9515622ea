#include "sim/transmitter/modulator.h"

#include <array>
#include <cmath>

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

ModulatedLight ideal(Field<double>& drive, const LaserTrace& laser, const ModulatorParameters& p,
                     double launch_power) {
  const double sine = std::sin(p.iq.phase_error), cosine = std::cos(p.iq.phase_error);
  for (std::size_t pol = 0; pol < 2; ++pol) {
    auto& row = *drive.rows()[pol];
    const double amplitude = std::sqrt(launch_power * shares(p)[pol]);
    for (std::size_t t = 0; t < row.size(); ++t)
      row[t] = skewed(row[t], sine, cosine) * std::polar(amplitude * laser.amplitude(t), laser.phase[t]);
  }
  return {p.laser_power * p.iq.power_transmission, 1.0};
}

ModulatedLight interferometers(Field<double>& drive, const LaserTrace& laser, const ModulatorParameters& p,
                               double volt_per_unit, double launch_power) {
  for (std::size_t pol = 0; pol < 2; ++pol) {
    auto& row = *drive.rows()[pol];
    const double amplitude = std::sqrt(p.laser_power * shares(p)[pol]);
    for (std::size_t t = 0; t < row.size(); ++t)
      row[t] = iq_transfer(volt_per_unit * row[t], p.iq) *
               std::polar(amplitude * laser.amplitude(t), laser.phase[t]);
  }
  const double power = mean_power(drive);
  return {power, power > 0.0 ? launch_power / power : 1.0};
}

}  // namespace

ModulatedLight modulate(Field<double>& drive, const LaserTrace& laser, const ModulatorParameters& p,
                        double volt_per_unit, double launch_power) {
  if (p.kind == ModulatorKind::kIdeal) return ideal(drive, laser, p, launch_power);
  return interferometers(drive, laser, p, volt_per_unit, launch_power);
}

}  // namespace cohlink
