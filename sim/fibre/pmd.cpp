#include "sim/fibre/pmd.h"

#include <cmath>

#include "sim/signal/units.h"

namespace cohlink {
namespace {

constexpr std::complex<double> kI{0.0, 1.0};

// Components of 1/2 v . sigma = m, real parts.
StokesVector pauli_components(const JonesMatrix& m) {
  return {(m.xx - m.yy).real(), (m.xy + m.yx).real(), (kI * (m.xy - m.yx)).real()};
}

double length_of(const StokesVector& v) { return std::sqrt(v[0] * v[0] + v[1] * v[1] + v[2] * v[2]); }

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
      multiply(s, stokes_rotation(turn->axis, turn->rate * turn->start));
    }
  }
  const JonesMatrix inverse_j = inverse(s.j), d = s.j1 * inverse_j;
  PmdState state;
  state.vector = pauli_components(kI * d);
  state.second_order = pauli_components(kI * (s.j2 * inverse_j - d * d));
  state.dgd = length_of(state.vector);
  state.second_order_magnitude = length_of(state.second_order);
  return state;
}

}  // namespace cohlink
