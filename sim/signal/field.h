// The two-row optical field and the aligned storage that FFTs and vector loops want.
#pragma once

#include <array>
#include <complex>
#include <cstddef>
#include <iterator>
#include <numeric>
#include <vector>

#include "sim/signal/sample_storage.h"

namespace cohlink {

/// Storage aligned to a cache line at least: see allocate_samples.
template <class T>
struct FftAllocator {
  using value_type = T;
  FftAllocator() = default;
  template <class U>
  FftAllocator(const FftAllocator<U>&) {}
  T* allocate(std::size_t n) { return static_cast<T*>(allocate_samples(n * sizeof(T))); }
  void deallocate(T* p, std::size_t n) { free_samples(p, n * sizeof(T)); }
  template <class U>
  bool operator==(const FftAllocator<U>&) const {
    return true;
  }
};

template <class T>
using AlignedVector = std::vector<T, FftAllocator<T>>;

/// One row of complex samples, uniform in time.
template <class Real>
using ComplexRow = AlignedVector<std::complex<Real>>;

/// Dual-polarisation optical field in sqrt(W): |x|^2 + |y|^2 is power. Both rows have equal length; a
/// field in the light path is one period of a periodic signal, sampled at `sample_rate` [Hz].
template <class Real>
struct Field {
  ComplexRow<Real> x, y;
  double sample_rate = 0.0;

  Field() = default;
  Field(std::size_t samples, double rate_hz) : x(samples), y(samples), sample_rate(rate_hz) {}

  std::size_t size() const { return x.size(); }
  std::array<ComplexRow<Real>*, 2> rows() { return {&x, &y}; }
  std::array<const ComplexRow<Real>*, 2> rows() const { return {&x, &y}; }
};

/// Mean of |a|^2 over a row that lies in one piece, summed in double.
template <class Range>
double mean_power(const Range& row) {
  using Real = typename Range::value_type::value_type;
  // Complex numbers lie in memory as pairs (ISO C++, [complex.numbers]).
  const Real* parts = reinterpret_cast<const Real*>(row.data());
  const std::size_t count = 2 * row.size(), whole = count / 8 * 8;
  double sums[8] = {};  // side by side: one alone would wait for every addition
  for (std::size_t t = 0; t < whole; t += 8)
    for (std::size_t k = 0; k < 8; ++k) sums[k] += static_cast<double>(parts[t + k]) * parts[t + k];
  for (std::size_t t = whole; t < count; ++t) sums[t - whole] += static_cast<double>(parts[t]) * parts[t];
  const double sum = std::accumulate(std::begin(sums), std::end(sums), 0.0);
  return row.empty() ? 0.0 : sum / static_cast<double>(row.size());
}

/// Mean power of both polarisations [W].
template <class Real>
double mean_power(const Field<Real>& field) {
  return mean_power(field.x) + mean_power(field.y);
}

/// The same field in another precision.
template <class To, class From>
Field<To> convert_field(const Field<From>& in) {
  Field<To> out(in.size(), in.sample_rate);
  for (std::size_t i = 0; i < in.size(); ++i) {
    out.x[i] = std::complex<To>(in.x[i]);
    out.y[i] = std::complex<To>(in.y[i]);
  }
  return out;
}

/// Frequency of FFT bin k [Hz], in (-rate/2, rate/2]; bin n/2 of an even length counts as negative.
/// With cohlink's sign of the fibre equation a positive bin is a LOWER optical frequency.
inline double bin_frequency(std::size_t k, std::size_t n, double sample_rate) {
  const auto index = static_cast<double>(k), length = static_cast<double>(n);
  return (2 * k < n ? index : index - length) * sample_rate / length;
}

}  // namespace cohlink
