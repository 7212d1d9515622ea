#include "sim/transmitter/iq_modulator.h"

#include <algorithm>
#include <cmath>

#include "sim/signal/units.h"

namespace cohlink {

std::complex<double> iq_transfer(std::complex<double> drive, const IqModulatorParameters& p) {
  const auto child = [&](double volt, double bias_error) {
    return mach_zehnder(kPi * volt / p.v_pi - kPi + bias_error, p.inner_arm_error);
  };
  const auto in_phase = child(drive.real(), p.bias_error_i);
  const auto quadrature = child(drive.imag(), p.bias_error_q);
  const auto quarter_turn = std::polar(1.0, 0.5 * kPi + p.phase_error);
  return 0.5 * std::sqrt(p.power_transmission) *
         ((1.0 + p.outer_arm_error) * in_phase + quarter_turn * (1.0 - p.outer_arm_error) * quadrature);
}

void predistort_arcsine(Field<double>& drive, double volt_per_unit, double v_pi) {
  const double k = kPi * volt_per_unit / (2.0 * v_pi);
  const auto undo = [k](double u) { return std::asin(std::clamp(k * u, -1.0, 1.0)) / k; };
  for (auto* row : drive.rows()) {
    for (auto& z : *row) z = {undo(z.real()), undo(z.imag())};
  }
}

}  // namespace cohlink
