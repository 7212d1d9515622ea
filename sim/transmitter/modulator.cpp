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

// Power of the mean over that of what varies.
double carrier_to_signal(const ComplexRow<double>& transfer) {
  std::complex<double> sum = 0.0;
  for (const auto& t : transfer) sum += t;
  const double carrier = std::norm(sum / static_cast<double>(transfer.size()));
  const double signal = mean_power(transfer) - carrier;
  return signal > 0.0 ? carrier / signal : 0.0;
}

ModulatedLight interferometers(Field<double>& drive, const LaserTrace& laser, const ModulatorParameters& p,
                               double volt_per_unit, double launch_power) {
  ModulatedLight out;
  for (std::size_t pol = 0; pol < 2; ++pol) {
    auto& row = *drive.rows()[pol];
    const IqModulatorParameters iq = biased(row, volt_per_unit, p);
    for (auto& u : row) u = iq_transfer(volt_per_unit * u, iq);
    out.bias[pol] = {iq.bias_error_i, iq.bias_error_q};
    out.carrier[pol] = carrier_to_signal(row);
    const double amplitude = std::sqrt(p.laser_power * shares(p)[pol]);
    for (std::size_t t = 0; t < row.size(); ++t)
      row[t] *= std::polar(amplitude * laser.amplitude(t), laser.phase[t]);
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
