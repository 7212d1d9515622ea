#include "sim/electronics/lanes.h"

#include <algorithm>
#include <cmath>
#include <functional>
#include <numeric>

#include "sim/signal/instruction_sets.h"
#include "sim/signal/phasors.h"
#include "sim/signal/units.h"

namespace cohlink {

namespace {

// exp(-2 pi i f delay).
LaneFilter later_by(double delay, const std::vector<double>& frequencies) {
  LaneFilter filter(frequencies.size(), 1.0);
  if (delay == 0.0) return filter;
  std::vector<double> phase(frequencies.size());
  for (std::size_t k = 0; k < phase.size(); ++k) phase[k] = -(kTwoPi * frequencies[k]) * delay;
  fill_phasors(phase, filter);
  return filter;
}

// Eight sums side by side: one alone would wait for every addition.
COHLINK_VECTOR_CLONES
void add_squares(const double* x, std::size_t count, double (&sums)[8]) {
  for (std::size_t t = 0; t + 8 <= count; t += 8)
    for (std::size_t k = 0; k < 8; ++k) sums[k] += x[t + k] * x[t + k];
}

}  // namespace

std::vector<double> bins_from_zero(std::size_t n, double sample_rate) {
  std::vector<double> frequencies(n / 2 + 1);
  for (std::size_t k = 0; k < frequencies.size(); ++k) frequencies[k] = bin_frequency(k, n, sample_rate);
  return frequencies;
}

void filter_lanes(ComplexRow<double>& row, const LaneFilter& filter, const FftCache& fft) {
  const std::size_t n = row.size();
  fft.get<double>(n).forward(row);
  for (std::size_t k = 0; 2 * k <= n && k < n; ++k) {
    const std::complex<double> h = filter[k] / static_cast<double>(n);
    row[k] *= h;
    if (k > 0 && 2 * k < n) row[n - k] *= std::conj(h);
  }
  fft.get<double>(n).inverse(row);
}

void filter_lanes(ComplexRow<double>& row, const LaneFilter& of_i, const LaneFilter& of_q,
                  const FftCache& fft) {
  const std::size_t n = row.size();
  const double half = 0.5 / static_cast<double>(n);
  fft.get<double>(n).forward(row);
  // The spectra of the lanes are the hermitian and anti-hermitian parts of the row's.
  for (std::size_t k = 0; 2 * k <= n && k < n; ++k) {
    const std::size_t mirror = k > 0 ? n - k : 0;
    const std::complex<double> here = row[k], there = std::conj(row[mirror]);
    const std::complex<double> i = half * (here + there) * of_i[k], q = half * (here - there) * of_q[k];
    row[k] = i + q;
    if (mirror != k) row[mirror] = std::conj(i - q);
  }
  fft.get<double>(n).inverse(row);
}

void delay_lanes(ComplexRow<double>& row, double sample_rate, double delay_i, double delay_q,
                 const FftCache& fft) {
  if (delay_i == 0.0 && delay_q == 0.0) return;
  const std::vector<double> frequencies = bins_from_zero(row.size(), sample_rate);
  const LaneFilter of_i = later_by(delay_i, frequencies);
  if (delay_i == delay_q) return filter_lanes(row, of_i, fft);
  filter_lanes(row, of_i, later_by(delay_q, frequencies), fft);
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

std::array<double, 2> lane_rms(const ComplexRow<double>& row) {
  if (row.empty()) return {0.0, 0.0};
  const std::size_t whole = row.size() / 4 * 4;
  double sums[8] = {};
  add_squares(reinterpret_cast<const double*>(row.data()), 2 * whole, sums);
  for (std::size_t t = whole; t < row.size(); ++t) {
    sums[0] += row[t].real() * row[t].real();
    sums[1] += row[t].imag() * row[t].imag();
  }
  const auto n = static_cast<double>(row.size());
  return {std::sqrt((sums[0] + sums[2] + sums[4] + sums[6]) / n),
          std::sqrt((sums[1] + sums[3] + sums[5] + sums[7]) / n)};
}

ComplexRow<double> folded_spectrum(const ComplexRow<double>& spectrum, std::size_t m, const Band& band) {
  const std::size_t n = spectrum.size();
  const std::size_t above = band.above(n), below = band.below(n);
  ComplexRow<double> out(m);
  const auto add = [&](std::size_t from, std::size_t to, std::size_t place) {
    for (std::size_t k = from; k < to; ++k) {
      out[place] += spectrum[k];
      if (++place == m) place = 0;
    }
  };
  add(0, above, 0);
  add(n - below, n, (m - below % m) % m);
  return out;
}

}  // namespace cohlink
