// Mach-Zehnder interferometers, and two of them nested into an IQ modulator.
#pragma once

#include <complex>
#include <cstdint>

#include "sim/signal/field.h"
#include "sim/transmitter/laser.h"

namespace cohlink {

/// Field transfer of a push-pull Mach-Zehnder interferometer whose arms differ by `phase` [rad]. The arms
/// carry the amplitudes (1 + g)/2 and (1 - g)/2, g = 10^(-extinction/20):
///   t = (1 + g)/2 exp(i phase/2) + (1 - g)/2 exp(-i phase/2) = cos(phase/2) + i g sin(phase/2).
/// |t|^2 runs from 1 down to g^2: the static extinction ratio is 1/g^2. M. Seimetz, High-Order Modulation for
/// Optical Fiber Transmission (Springer 2009), ch. 2.
inline std::complex<double> mach_zehnder(double phase, double arm_error) {
  return {std::cos(0.5 * phase), arm_error * std::sin(0.5 * phase)};
}

struct IqModulatorParameters {
  double v_pi = 4.0;          // V, changes a child's arms by pi
  double bias_error_i = 0.0;  // rad, of the child interferometers from their null
  double bias_error_q = 0.0;
  double inner_arm_error = 0.0;     // g of the children; 0 = infinite extinction
  double outer_arm_error = 0.0;     // g of the outer interferometer
  double phase_error = 0.0;         // rad, of the outer bias from quadrature
  double power_transmission = 1.0;  // at the maximum of both children, beyond the 3 dB of quadrature
};

/// Field transfer of an IQ modulator driven by V_I + i V_Q [V]. The children are biased at their
/// null, so each follows sin(pi V / (2 V_pi)):
///   t = 1/2 [(1 + g_o) t_I + i exp(i phase_error) (1 - g_o) t_Q] sqrt(transmission),
///   t_I = mach_zehnder(pi V_I / V_pi - pi + bias_error_i, g_i), t_Q alike.
/// g_o is the arm error of the outer interferometer, so that the light of an always-open modulator goes
/// through an extinction of 1/g_o^2 when its outer phase is turned.
class IqTransfer {
 public:
  explicit IqTransfer(const IqModulatorParameters& parameters);
  std::complex<double> operator()(std::complex<double> drive) const;

  /// The same of `volt_per_unit` times each sample of a row, in place. Returns the sum of what the negatives
  /// of all these drives would let through.
  std::complex<double> operator()(ComplexRow<double>& row, double volt_per_unit) const;

 private:
  std::complex<double> joined(std::complex<double> in_phase, std::complex<double> quadrature) const {
    return amplitude_ * ((1.0 + p_.outer_arm_error) * in_phase + of_quadrature_ * quadrature);
  }

  IqModulatorParameters p_;
  double amplitude_;
  std::complex<double> of_quadrature_;
};

/// Offsets of the two child biases from their null [rad].
struct BiasPoint {
  double in_phase = 0.0, quadrature = 0.0;
};

/// Where an automatic bias control brings the children under the drive V_I + i V_Q = `volt_per_unit` x
/// `drive`: to the point at which the mean field, the carrier, vanishes. A child of finite extinction leaks
/// -i g cos(pi V / (2 V_pi)) in quadrature to its own signal; the other child, biased off its null, cancels
/// the mean of that. What varies with |V| stays. Newton's method on
///   (1 + g_o) <t_I>(e_I) + i exp(i phase_error) (1 - g_o) <t_Q>(e_Q) = 0,
///   <t>(e) = c (sin(e/2) - i g cos(e/2)), c = <cos(pi V / (2 V_pi))>.
/// The control averages over far more than a frame, and data have no mean: <sin(...)> is left out.
/// Control by nulling the carrier: M. Sotoodeh, Y. Beaulieu, J. Harley and D. L. McGhan, JLT 29(15) 2235
/// (2011). The parameters' own bias errors are left out: they are what the control misses.
BiasPoint carrier_null(const ComplexRow<double>& drive, double volt_per_unit,
                       const IqModulatorParameters& parameters);

/// Drive in units (driver.h) that the sine of the modulator undoes: u -> asin(k u)/k on each lane, k = pi
/// volt_per_unit / (2 V_pi); beyond the reach of the sine (|k u| > 1) it stays at V_pi. Returns how many
/// samples of a lane did.
std::uint64_t predistort_arcsine(Field<double>& drive, double volt_per_unit, double v_pi);

}  // namespace cohlink
