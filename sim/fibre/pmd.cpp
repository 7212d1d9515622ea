#include "sim/fibre/pmd.h"

#include <cmath>

#include "sim/signal/units.h"

namespace cohlink {
namespace {

constexpr std::complex<double> kI{0.0, 1.0};

using ComplexVector = std::array<std::complex<double>, 3>;

// Components of 1/2 v . sigma = m.
ComplexVector pauli_components(const JonesMatrix& m) {
  return {m.xx - m.yy, m.xy + m.yx, kI * (m.xy - m.yx)};
}

// Without conjugation.
std::complex<double> dot(const ComplexVector& a, const ComplexVector& b) {
  return a[0] * b[0] + a[1] * b[1] + a[2] * b[2];
}
double dot(const StokesVector& a, const StokesVector& b) { return a[0] * b[0] + a[1] * b[1] + a[2] * b[2]; }
StokesVector cross(const StokesVector& a, const StokesVector& b) {
  return {a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]};
}
double length_of(const StokesVector& v) { return std::sqrt(dot(v, v)); }

StokesVector real_part(const ComplexVector& v) { return {v[0].real(), v[1].real(), v[2].real()}; }
StokesVector imaginary_part(const ComplexVector& v) { return {v[0].imag(), v[1].imag(), v[2].imag()}; }

// a u + b v.
template <class T, class Vector>
Vector combined(T a, const Vector& u, T b, const Vector& v) {
  return {a * u[0] + b * v[0], a * u[1] + b * v[1], a * u[2] + b * v[2]};
}

// The slow principal state and its derivative from those of W = omega n, n . n = 1. With n = a + i b the
// eigenvector of n . sigma has the Stokes vector s = (a + a x b)/a^2: its projector is 1/2 (1 + n . sigma),
// and that times its adjoint is proportional to 1 + s . sigma.
PmdState principal_state(const ComplexVector& w, const ComplexVector& w1) {
  const std::complex<double> omega = std::sqrt(dot(w, w));  // its real part is not negative: the slow state
  PmdState state;
  if (omega == 0.0) {
    state.second_order = real_part(w1);
    return state;
  }
  const std::complex<double> omega1 = dot(w, w1) / omega;
  const ComplexVector n = combined(1.0 / omega, w, std::complex<double>(0.0), w);
  const ComplexVector n1 = combined(1.0 / omega, w1, -omega1 / omega, n);
  const StokesVector a = real_part(n), b = imaginary_part(n), a1 = real_part(n1), b1 = imaginary_part(n1);
  const double size = dot(a, a);
  const StokesVector s = combined(1.0 / size, a, 1.0 / size, cross(a, b));
  const StokesVector cross1 = combined(1.0, cross(a1, b), 1.0, cross(a, b1));
  const StokesVector s1 =
      combined(1.0, combined(1.0 / size, a1, 1.0 / size, cross1), -2.0 * dot(a, a1) / size, s);
  state.dgd = omega.real();
  state.vector = combined(state.dgd, s, 0.0, s);
  state.second_order = combined(omega1.real(), s, state.dgd, s1);
  return state;
}

// J(w) with its first two derivatives.
struct JonesSeries {
  JonesMatrix j, j1{0.0, 0.0, 0.0, 0.0}, j2{0.0, 0.0, 0.0, 0.0};
};

void multiply(JonesSeries& s, const JonesMatrix& fixed) { s = {fixed * s.j, fixed * s.j1, fixed * s.j2}; }

// The section is r d(w), d = diag(exp(-i w t/2), exp(+i w t/2)): d' = k d, d'' = k k d with k = diag(-i t/2,
// i t/2).
void multiply(JonesSeries& s, const PmdSection& section, double w) {
  const std::complex<double> half = kI * (section.dgd / 2.0);
  const std::complex<double> slow = std::polar(1.0, -w * section.dgd / 2.0);
  const JonesMatrix d{slow, 0.0, 0.0, std::conj(slow)}, k{-half, 0.0, 0.0, half};
  const JonesMatrix d1 = k * d, d2 = k * d1;
  const JonesMatrix j2 = d2 * s.j + 2.0 * (d1 * s.j1) + d * s.j2, j1 = d1 * s.j + d * s.j1;
  s = {section.rotation * (d * s.j), section.rotation * j1, section.rotation * j2};
}

}  // namespace

JonesMatrix random_unitary(RandomStream& random) {
  double q[4], sum = 0.0;
  for (double& component : q) {
    component = random.normal();
    sum += component * component;
  }
  const double scale = 1.0 / std::sqrt(sum);
  const std::complex<double> a(q[0] * scale, q[1] * scale), b(q[2] * scale, q[3] * scale);
  return {a, b, -std::conj(b), std::conj(a)};
}

std::vector<double> varied_section_lengths(double total, std::size_t count, RandomStream& random) {
  std::vector<double> lengths(count);
  double sum = 0.0;
  for (double& length : lengths) sum += length = 0.5 + random.uniform();
  for (double& length : lengths) length *= total / sum;
  return lengths;
}

PmdSection random_pmd_section(double coefficient, double length, RandomStream& random) {
  return {random_unitary(random), std::sqrt(3.0 * kPi / 8.0) * coefficient * std::sqrt(length)};
}

PmdState pmd_state(const PropagationPlan& plan, double frequency) {
  JonesSeries s;
  for (const PlanElement& element : plan.elements) {
    if (const auto* section = std::get_if<PmdSection>(&element)) multiply(s, *section, kTwoPi * frequency);
    if (const auto* lumped = std::get_if<LumpedJones>(&element)) multiply(s, lumped->matrix);
    if (const auto* turn = std::get_if<PolarisationRotation>(&element)) {
      multiply(s, turn_at(*turn, 0.0));
    }
    if (const auto* track = std::get_if<PolarisationTrack>(&element)) multiply(s, turn_at(*track, 0.0));
  }
  const JonesMatrix inverse_j = inverse(s.j), d = s.j1 * inverse_j;
  PmdState state =
      principal_state(pauli_components(kI * d), pauli_components(kI * (s.j2 * inverse_j - d * d)));
  state.second_order_magnitude = length_of(state.second_order);
  return state;
}

}  // namespace cohlink
