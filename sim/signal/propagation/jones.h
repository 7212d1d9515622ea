// 2x2 complex matrices on the two polarisations, and their relation to Stokes space.
#pragma once

#include <array>
#include <complex>

namespace cohlink {

/// Acts on the column (x, y): x' = xx x + xy y, y' = yx x + yy y. Dimensionless field transfer.
struct JonesMatrix {
  std::complex<double> xx{1.0}, xy{0.0}, yx{0.0}, yy{1.0};
};

inline JonesMatrix operator*(const JonesMatrix& a, const JonesMatrix& b) {
  return {a.xx * b.xx + a.xy * b.yx, a.xx * b.xy + a.xy * b.yy, a.yx * b.xx + a.yy * b.yx,
          a.yx * b.xy + a.yy * b.yy};
}
inline JonesMatrix operator*(std::complex<double> s, const JonesMatrix& a) {
  return {s * a.xx, s * a.xy, s * a.yx, s * a.yy};
}
inline JonesMatrix operator+(const JonesMatrix& a, const JonesMatrix& b) {
  return {a.xx + b.xx, a.xy + b.xy, a.yx + b.yx, a.yy + b.yy};
}
inline JonesMatrix operator-(const JonesMatrix& a, const JonesMatrix& b) { return a + (-1.0) * b; }

inline std::complex<double> determinant(const JonesMatrix& a) { return a.xx * a.yy - a.xy * a.yx; }

/// Conjugate transpose; the inverse of a unitary matrix.
inline JonesMatrix adjoint(const JonesMatrix& a) {
  return {std::conj(a.xx), std::conj(a.yx), std::conj(a.xy), std::conj(a.yy)};
}

/// Inverse; a singular matrix (an ideal polariser) gives infinities.
inline JonesMatrix inverse(const JonesMatrix& a) {
  return (1.0 / determinant(a)) * JonesMatrix{a.yy, -a.xy, -a.yx, a.xx};
}

/// Vector in Stokes space: (S1, S2, S3) = linear 0/90, linear +45/-45, circular.
using StokesVector = std::array<double, 3>;

/// cos(theta/2) - i sin(theta/2) (axis . sigma): turns Stokes space by `theta` [rad] about the unit vector
/// `axis`. Pauli matrices in the Stokes order: sigma1 = diag(1, -1), sigma2 = [0 1; 1 0],
/// sigma3 = [0 -i; i 0] (Gordon and Kogelnik, PNAS 97(9) 4541, 2000).
JonesMatrix stokes_rotation(const StokesVector& axis, double theta);

/// Polarisation-dependent loss of `pdl` >= 1 (largest over smallest power transmission) with its axes along x
/// (transmitted fully) and y. Mean transmission over all polarisations is below one: the insertion loss is
/// real. Throws std::invalid_argument below 1.
JonesMatrix pdl_element(double pdl);

/// Part of the power of unpolarised light that an element lets through, the mean over all polarisations: half
/// the squared Frobenius norm.
inline double mean_transmission(const JonesMatrix& m) {
  return 0.5 * (std::norm(m.xx) + std::norm(m.xy) + std::norm(m.yx) + std::norm(m.yy));
}

}  // namespace cohlink
