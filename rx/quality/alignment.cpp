#include "rx/quality/alignment.h"

#include <cmath>
#include <stdexcept>

namespace cohlink {
namespace {

// A second-best peak at least this large is as good as the best: then the shorter delay decides.
constexpr double kAsGood = 0.9;

struct Peak {
  double size = 0.0, peak_to_rms = 0.0;
  long delay = 0;
};

// Products of neighbours of the received row, laid onto the transmitted row's period.
// In single precision, which is ample for a peak over noise.
ComplexRow<float> neighbour_products(const ComplexRow<float>& row, std::size_t first, std::size_t last,
                                     std::size_t period) {
  ComplexRow<float> out(period);
  std::size_t place = first % period;
  for (std::size_t k = first + 1; k < last; ++k) {
    if (++place == period) place = 0;
    out[place] += row[k] * std::conj(row[k - 1]);
  }
  return out;
}

ComplexRow<float> neighbour_products(const Symbols& row) {
  ComplexRow<float> out(row.size());
  out[0] = std::complex<float>(row.front() * std::conj(row.back()));
  for (std::size_t k = 1; k < row.size(); ++k) out[k] = std::complex<float>(row[k] * std::conj(row[k - 1]));
  return out;
}

double root_sum(const ComplexRow<float>& row) {
  return std::sqrt(mean_power(row) * static_cast<double>(row.size()));
}

Peak correlate(const ComplexRow<float>& received, const ComplexRow<float>& sent, const Fft<float>& fft,
               double norm) {
  const std::size_t n = received.size();
  ComplexRow<float> c(n);
  for (std::size_t k = 0; k < n; ++k) c[k] = received[k] * std::conj(sent[k]);
  fft.inverse(c);  // c[d] = n sum_k y[k] conj(a[k - d])
  Peak peak;
  std::size_t at = 0;
  double total = 0.0;
  for (std::size_t d = 0; d < n; ++d) {
    const double power = std::norm(std::complex<double>(c[d]));
    total += power;
    if (power > peak.size) peak.size = power, at = d;
  }
  // Relative to what the other delays hold, so that a strong match does not raise its own floor.
  const double floor = (total - peak.size) / static_cast<double>(std::max<std::size_t>(1, n - 1));
  peak.peak_to_rms = floor > 0.0 ? std::sqrt(peak.size / floor) : 0.0;
  peak.size = norm > 0.0 ? std::sqrt(peak.size) / (static_cast<double>(n) * norm) : 0.0;
  peak.delay = static_cast<long>(at);
  if (2 * at > n) peak.delay -= static_cast<long>(n);
  return peak;
}

// Whether b is the better match.
bool better(const Peak& b, const Peak& a) {
  if (b.size > kAsGood * a.size && a.size > kAsGood * b.size) return std::labs(b.delay) < std::labs(a.delay);
  return b.size > a.size;
}

}  // namespace

bool Alignment::found(std::size_t row) const { return peak_to_rms[row] >= kAlignmentLock; }

Alignment align(const Field<float>& received, std::size_t first, std::size_t last,
                const std::array<Symbols, 2>& sent, const FftCache& cache) {
  const std::size_t n = sent[0].size();
  if (n == 0 || sent[1].size() != n)
    throw std::invalid_argument("alignment needs two transmitted rows of one length");
  const Fft<float>& fft = cache.get<float>(n);
  std::array<ComplexRow<float>, 2> a;
  std::array<double, 2> size;
  for (std::size_t j = 0; j < 2; ++j) {
    a[j] = neighbour_products(sent[j]);
    size[j] = root_sum(a[j]);
    fft.forward(a[j]);
  }
  Alignment alignment;
  for (std::size_t i = 0; i < 2; ++i) {
    ComplexRow<float> y = neighbour_products(*received.rows()[i], first, last, n);
    const double y_size = root_sum(y);
    fft.forward(y);
    const Peak x_peak = correlate(y, a[0], fft, y_size * size[0]),
               y_peak = correlate(y, a[1], fft, y_size * size[1]);
    const bool from_y = better(y_peak, x_peak);
    const Peak& peak = from_y ? y_peak : x_peak;
    alignment.source[i] = from_y ? 1 : 0;
    alignment.delay[i] = peak.delay;
    alignment.peak_to_rms[i] = peak.peak_to_rms;
  }
  return alignment;
}

}  // namespace cohlink
