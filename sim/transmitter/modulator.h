// The dual-polarisation modulator: laser light and four drive waveforms in, the field of both polarisations
// out. One IQ modulator a polarisation, fed from one laser and joined by a polarisation combiner: M. Seimetz,
// High-Order Modulation for Optical Fiber Transmission (Springer 2009), ch. 2.
#pragma once

#include <array>

#include "sim/signal/field.h"
#include "sim/transmitter/iq_modulator.h"
#include "sim/transmitter/laser.h"

namespace cohlink {

/// kIdeal: linear, trimmed to the launch power (transmitter.cpp makes up for what the drive lost). kIq: two
/// nested IQ interferometers (iq_modulator.h).
enum class ModulatorKind { kIdeal, kIq };

struct ModulatorParameters {
  ModulatorKind kind = ModulatorKind::kIdeal;
  IqModulatorParameters iq;
  double laser_power = 40e-3;   // W, split between the two polarisations
  double xy_power_ratio = 1.0;  // power of X over Y; the sum is kept
  bool predistortion = false;   // arcsine, kIq only
  bool bias_control = false;    // kIq only: the children's bias errors count from the carrier's null
};

/// What is left to be done by the launch amplifier.
struct ModulatedLight {
  double power = 0.0;       // W, both polarisations, out of the modulator
  double power_gain = 1.0;  // still to be applied to the field to reach the launch power
  // Of X and Y (kIq): power of the transfer's mean over all data (each drive value and its negative) over
  // that of its variation, and where the children stand.
  std::array<double, 2> carrier = {0, 0};
  std::array<BiasPoint, 2> bias = {};
};

/// Turns the drive (units of driver.h) into light in place. A polarisation combiner joins X and Y without
/// loss.
///   kIdeal: E = sqrt(launch share) (u_I + i exp(i phase_error) u_Q) a(t) exp(i phi(t)); the mean power over
///     all data is the launch power and a frame's own differs by what its data happen to be. Its output is
///     taken to be the laser's power times the transmission.
///   kIq: E = sqrt(laser power x share) IqTransfer(u volt_per_unit) a(t) exp(i phi(t)); with bias control
///   each
///     polarisation's children sit where carrier_null puts them, plus their errors.
/// Field in sqrt(W). a(t), phi(t): relative amplitude and phase of the laser; share: r / (1 + r) for X, 1 /
/// (1 + r) for Y, r the power ratio.
ModulatedLight modulate(Field<double>& drive, const LaserTrace& laser, const ModulatorParameters& parameters,
                        double volt_per_unit, double launch_power);

}  // namespace cohlink
