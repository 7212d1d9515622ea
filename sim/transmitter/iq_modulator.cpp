#include "sim/transmitter/iq_modulator.h"

#include <algorithm>
#include <cmath>

#include "sim/signal/phasors.h"
#include "sim/signal/units.h"

namespace cohlink {

IqTransfer::IqTransfer(const IqModulatorParameters& parameters)
    : p_(parameters),
      amplitude_(0.5 * std::sqrt(p_.power_transmission)),
      of_quadrature_(std::polar(1.0, 0.5 * kPi + p_.phase_error) * (1.0 - p_.outer_arm_error)) {}

std::complex<double> IqTransfer::operator()(std::complex<double> drive) const {
  const auto child = [&](double volt, double bias_error) {
    return mach_zehnder(kPi * volt / p_.v_pi - kPi + bias_error, p_.inner_arm_error);
  };
  const auto in_phase = child(drive.real(), p_.bias_error_i);
  const auto quadrature = child(drive.imag(), p_.bias_error_q);
  return joined(in_phase, quadrature);
}

namespace {

// A child interferometer by exp(i pi V / (2 V_pi)) of its drive: half the phase between its arms is that
// turned by its bias, and of the negative drive the conjugate turned.
struct Child {
  std::complex<double> bias;
  double arm_error;

  std::complex<double> operator()(std::complex<double> drive) const {
    const std::complex<double> half = drive * bias;
    return {half.real(), arm_error * half.imag()};
  }
};

}  // namespace

std::complex<double> IqTransfer::operator()(ComplexRow<double>& row, double volt_per_unit) const {
  constexpr std::size_t kBlock = 512;
  const double k = 0.5 * kPi * volt_per_unit / p_.v_pi;
  const auto child = [&](double bias_error) {
    return Child{std::polar(1.0, 0.5 * (bias_error - kPi)), p_.inner_arm_error};
  };
  const Child in_phase = child(p_.bias_error_i), quadrature = child(p_.bias_error_q);
  std::complex<double> sum_i = 0.0, sum_q = 0.0;
  for (std::size_t start = 0; start < row.size(); start += kBlock) {
    const std::size_t count = std::min(kBlock, row.size() - start);
    double phase[2 * kBlock];
    std::complex<double> drive[2 * kBlock];
    for (std::size_t t = 0; t < count; ++t) {
      phase[2 * t] = k * row[start + t].real();
      phase[2 * t + 1] = k * row[start + t].imag();
    }
    fill_phasors({phase, 2 * count}, {drive, 2 * count});
    for (std::size_t t = 0; t < count; ++t) {
      const std::complex<double> i = drive[2 * t], q = drive[2 * t + 1];
      sum_i += i, sum_q += q;
      row[start + t] = joined(in_phase(i), quadrature(q));
    }
  }
  return joined(in_phase(std::conj(sum_i)), quadrature(std::conj(sum_q)));
}

namespace {

// A child's mean transfer at bias offset e, and its derivative; c is a mean over the drive.
struct ChildMean {
  double c = 0.0, arm_error = 0.0;
  std::complex<double> transfer(double e) const {
    return {c * std::sin(0.5 * e), -arm_error * c * std::cos(0.5 * e)};
  }
  std::complex<double> slope(double e) const {
    return {0.5 * c * std::cos(0.5 * e), 0.5 * arm_error * c * std::sin(0.5 * e)};
  }
};

}  // namespace

BiasPoint carrier_null(const ComplexRow<double>& drive, double volt_per_unit,
                       const IqModulatorParameters& p) {
  ChildMean in_phase{0.0, p.inner_arm_error}, quadrature = in_phase;
  const double k = 0.5 * kPi * volt_per_unit / p.v_pi, each = 1.0 / static_cast<double>(drive.size());
  for (const auto& u : drive) {
    in_phase.c += each * std::cos(k * u.real());
    quadrature.c += each * std::cos(k * u.imag());
  }
  const double weight_i = 1.0 + p.outer_arm_error;
  const auto weight_q = std::polar(1.0 - p.outer_arm_error, 0.5 * kPi + p.phase_error);
  BiasPoint bias;
  for (int step = 0; step < 20; ++step) {
    const std::complex<double> carrier =
        weight_i * in_phase.transfer(bias.in_phase) + weight_q * quadrature.transfer(bias.quadrature);
    const auto by_i = weight_i * in_phase.slope(bias.in_phase),
               by_q = weight_q * quadrature.slope(bias.quadrature);
    const double determinant = by_i.real() * by_q.imag() - by_i.imag() * by_q.real();
    if (std::abs(carrier) < 1e-15 || determinant == 0.0) break;
    bias.in_phase -= (carrier.real() * by_q.imag() - carrier.imag() * by_q.real()) / determinant;
    bias.quadrature -= (by_i.real() * carrier.imag() - by_i.imag() * carrier.real()) / determinant;
  }
  return bias;
}

std::uint64_t predistort_arcsine(Field<double>& drive, double volt_per_unit, double v_pi) {
  const double k = kPi * volt_per_unit / (2.0 * v_pi);
  std::uint64_t clipped = 0;
  const auto undo = [&](double u) {
    clipped += std::abs(k * u) > 1.0;
    return std::asin(std::clamp(k * u, -1.0, 1.0)) / k;
  };
  for (auto* row : drive.rows()) {
    for (auto& z : *row) z = {undo(z.real()), undo(z.imag())};
  }
  return clipped;
}

}  // namespace cohlink
