// What blocks do with one symbol, for plain numbers and for those that count (stage/counted.h): blocks run
// these functions, and what a block costs is counted in them.
#pragma once

#include <algorithm>
#include <complex>

namespace cohlink {

// std::complex of a counting number: products of 4 multiplications and 2 additions, as for plain ones with
// -fcx-limited-range.

template <class T>
T size_squared(const T& re, const T& im) {
  return re * re + im * im;
}

/// (R - |y|^2) y, the constant-modulus rule.
template <class T>
std::complex<T> modulus_error(const T& modulus, const T& re, const T& im) {
  const T g = modulus - re * re - im * im;
  return {g * re, g * im};
}

/// Of two rings apart at `border` the one that `power` belongs to.
template <class T>
T nearer_ring(const T& power, const T& border, const T& inner, const T& outer) {
  return power < border ? inner : outer;
}

/// (R_ring - |y|^2) y, the radius-directed rule.
template <class T>
std::complex<T> ring_error(const T& ring, const T& power, const T& re, const T& im) {
  const T g = ring - power;
  return {g * re, g * im};
}

/// (R - y_I^2) y_I + i (R - y_Q^2) y_Q, the constant modulus of each axis.
template <class T>
std::complex<T> axis_error(const T& level, const std::complex<T>& y) {
  return {(level - y.real() * y.real()) * y.real(), (level - y.imag() * y.imag()) * y.imag()};
}

/// Sums that tell the gain: outputs along their decisions, over the decisions' power.
template <class T>
struct GainSums {
  T aligned = 0.0f, power = 0.0f;
  void add(const std::complex<T>& z, const std::complex<T>& decision) {
    aligned += z.real() * decision.real() + z.imag() * decision.imag();
    power += std::norm(decision);
  }
};

/// The same that also tell the angle between them.
template <class T>
struct TurnSums {
  std::complex<T> turn = T(0.0f);
  T power = 0.0f;
  void add(const std::complex<T>& z, const std::complex<T>& decision) {
    turn += z * std::conj(decision);
    power += std::norm(decision);
  }
};

/// The running gain after a block, whose decisions have that power.
template <class T>
T moved_gain(const T& gain, const T& aligned, const T& power) {
  return std::clamp(gain * (T(1.0f) + T(0.02f) * (aligned / power - T(1.0f))), T(0.5f), T(1.5f));
}

/// A decision with carrier and offset put back on, less what came.
template <class T>
std::complex<T> decision_error(const std::complex<T>& decision, const std::complex<T>& carrier,
                               const std::complex<T>& offset, const std::complex<T>& y) {
  return decision * carrier * std::conj(offset) - y;
}

/// A sample and its conjugate with the carrier taken off, by the phasors that do so.
template <class T>
struct WithoutCarrier {
  std::complex<T> direct, image;
};
template <class T>
WithoutCarrier<T> without_carrier(const std::complex<T>& x, const std::complex<T>& back,
                                  const std::complex<T>& image_back) {
  return {x * back, std::conj(x) * image_back};
}

}  // namespace cohlink
