// Bessel low-pass: the shape that data sheets of drivers, photodiodes and amplifiers are close to.
#pragma once

#include <complex>
#include <span>
#include <vector>

namespace cohlink {

/// Bessel low-pass of order n, its constant delay taken out:
///   H(s) = theta_n(0) / theta_n(s),  theta_n(s) = sum_k (2n-k)! / (2^(n-k) k! (n-k)!) s^k,
/// s = i w_3 f / bandwidth with w_3 the 3 dB point of the unit-delay prototype, times exp(+i |s|).
/// W. E. Thomson, Proc. IEE 96(3) 487 (1949). std::invalid_argument for an order outside 1 to 10 or a
/// bandwidth that is not positive.
class BesselFilter {
 public:
  /// `bandwidth`: 3 dB, one-sided [Hz].
  BesselFilter(int order, double bandwidth);

  /// Response at `frequency` [Hz]; hermitian, so that real waveforms stay real.
  std::complex<double> operator()(double frequency) const;
  /// The same at many frequencies.
  std::vector<std::complex<double>> operator()(std::span<const double> frequencies) const;

  /// Of theta_n, lowest power first; and w_3 / bandwidth [s], for those who compute it elsewhere.
  const std::vector<double>& coefficients() const { return coefficients_; }
  double scale() const { return scale_; }

 private:
  std::complex<double> prototype(double w) const;
  std::vector<double> coefficients_;  // of theta_n, lowest power first
  double scale_;                      // w_3 / bandwidth
};

}  // namespace cohlink
