#include "sim/electronics/lanes.h"

#include <algorithm>
#include <cmath>
#include <functional>
#include <numeric>

#include "sim/signal/units.h"

namespace cohlink {

namespace {

// Calls for each frequency that has a bin, with that bin and the one of its negative: responses are
// hermitian, so that they are asked for once.
template <class Function>
void for_each_frequency(std::size_t n, double sample_rate, Function&& function) {
  for (std::size_t k = 0; 2 * k <= n && k < n; ++k)
    function(k, (n - k) % n, bin_frequency(k, n, sample_rate));
}

}  // namespace

void filter_lanes(ComplexRow<double>& row, double sample_rate, const LaneResponse& response,
                  const FftCache& fft) {
  const std::size_t n = row.size();
  fft.get<double>(n).forward(row);
  for_each_frequency(n, sample_rate, [&](std::size_t k, std::size_t mirror, double f) {
    const std::complex<double> h = response(f) / static_cast<double>(n);
    row[k] *= h;
    if (mirror != k) row[mirror] *= std::conj(h);
  });
  fft.get<double>(n).inverse(row);
}

void filter_lanes(ComplexRow<double>& row, double sample_rate, const LaneResponse& of_i,
                  const LaneResponse& of_q, const FftCache& fft) {
  const std::size_t n = row.size();
  fft.get<double>(n).forward(row);
  // The spectra of the lanes are the hermitian and anti-hermitian parts of the row's.
  for_each_frequency(n, sample_rate, [&](std::size_t k, std::size_t mirror, double f) {
    const std::complex<double> here = row[k], there = std::conj(row[mirror]);
    const std::complex<double> i = 0.5 * (here + there) * of_i(f), q = 0.5 * (here - there) * of_q(f);
    row[k] = (i + q) / static_cast<double>(n);
    if (mirror != k) row[mirror] = std::conj(i - q) / static_cast<double>(n);
  });
  fft.get<double>(n).inverse(row);
}

void delay_lanes(ComplexRow<double>& row, double sample_rate, double delay_i, double delay_q,
                 const FftCache& fft) {
  if (delay_i == 0.0 && delay_q == 0.0) return;
  const auto later_by = [](double delay) {
    return [delay](double f) { return std::polar(1.0, -(kTwoPi * f) * delay); };
  };
  filter_lanes(row, sample_rate, later_by(delay_i), later_by(delay_q), fft);
}

std::vector<double> lane_of(const ComplexRow<double>& row, bool quadrature) {
  std::vector<double> out(row.size());
  std::transform(row.begin(), row.end(), out.begin(),
                 [&](auto z) { return quadrature ? z.imag() : z.real(); });
  return out;
}

double rms(const std::vector<double>& lane) {
  if (lane.empty()) return 0.0;
  // In whatever order: a sum from left to right would wait for every addition.
  const double sum =
      std::transform_reduce(lane.begin(), lane.end(), 0.0, std::plus<>(), [](double x) { return x * x; });
  return std::sqrt(sum / static_cast<double>(lane.size()));
}

ComplexRow<double> folded_spectrum(const ComplexRow<double>& spectrum, std::size_t m) {
  const std::size_t n = spectrum.size();
  const std::size_t positive = (n + 1) / 2;  // bins 0 to positive - 1, then those below zero
  ComplexRow<double> out(m);
  const auto add = [&](std::size_t from, std::size_t to, std::size_t place) {
    for (std::size_t k = from; k < to; ++k) {
      out[place] += spectrum[k];
      if (++place == m) place = 0;
    }
  };
  add(0, positive, 0);
  add(positive, n, (m - (n - positive) % m) % m);
  return out;
}

}  // namespace cohlink
