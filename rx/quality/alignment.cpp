#include "rx/quality/alignment.h"

#include <algorithm>
#include <cmath>
#include <optional>
#include <stdexcept>
#include <utility>

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

// Of places [from, from + count) of the transmitted row, which repeats.
ComplexRow<float> neighbour_products(const Symbols& row, std::size_t from, std::size_t count) {
  ComplexRow<float> out(count);
  std::size_t place = from % row.size();
  std::complex<double> before = row[(place + row.size() - 1) % row.size()];
  for (auto& product : out) {
    product = std::complex<float>(row[place] * std::conj(before));
    before = row[place];
    if (++place == row.size()) place = 0;
  }
  return out;
}

double sum_of_powers(const ComplexRow<float>& row) {
  return mean_power(row) * static_cast<double>(row.size());
}

void add_cross_spectrum(ComplexRow<float>& sum, const ComplexRow<float>& received,
                        const ComplexRow<float>& sent) {
  for (std::size_t k = 0; k < sum.size(); ++k) sum[k] += received[k] * std::conj(sent[k]);
}

// Of the cross spectrum c of two rows whose sizes have the product `norm`.
Peak peak_of(ComplexRow<float> c, const Fft<float>& fft, double norm) {
  const std::size_t n = c.size();
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

void set(Alignment& alignment, std::size_t row, const Peak& x, const Peak& y) {
  const bool from_y = better(y, x);
  const Peak& peak = from_y ? y : x;
  alignment.source[row] = from_y ? 1 : 0;
  alignment.delay[row] = peak.delay;
  alignment.peak_to_rms[row] = peak.peak_to_rms;
}

constexpr std::size_t kNearBlock = 512, kNearest = kNearBlock / 4, kNearReceived = kNearBlock / 2;
constexpr std::size_t kNearBlocks = 64, kNearFrom = 8 * kNearBlock;

// Delays of up to kNearest symbols either way, by blocks spread over the row. A peak that holds more than
// half of what there is to hold (the correlations with all delays of white symbols share it) has no rival
// further off; nothing where there is none.
std::optional<Alignment> align_near(const Field<float>& received, std::size_t first, std::size_t last,
                                    const std::array<Symbols, 2>& sent, const Fft<float>& fft) {
  const std::size_t whole = (last - first) / kNearReceived, blocks = std::min(whole, kNearBlocks);
  ComplexRow<float> cross[2][2];
  double of_received[2] = {}, of_sent[2] = {};
  for (auto& row : cross)
    for (auto& c : row) c.resize(kNearBlock);
  for (std::size_t b = 0; b < blocks; ++b) {
    const std::size_t start = first + b * whole / blocks * kNearReceived;
    ComplexRow<float> a[2];
    for (std::size_t j = 0; j < 2; ++j) {
      a[j] = neighbour_products(sent[j], start + sent[j].size() - kNearest, kNearBlock);
      of_sent[j] += 0.5 * sum_of_powers(a[j]);
      fft.forward(a[j]);
    }
    for (std::size_t i = 0; i < 2; ++i) {
      ComplexRow<float> y(kNearBlock);
      const ComplexRow<float>& row = *received.rows()[i];
      for (std::size_t k = std::max<std::size_t>(start, 1); k < start + kNearReceived; ++k)
        y[kNearest + k - start] = row[k] * std::conj(row[k - 1]);
      of_received[i] += sum_of_powers(y);
      fft.forward(y);
      for (std::size_t j = 0; j < 2; ++j) add_cross_spectrum(cross[i][j], y, a[j]);
    }
  }
  Alignment alignment;
  for (std::size_t i = 0; i < 2; ++i) {
    if (of_received[i] == 0.0) continue;  // not recorded
    std::array<Peak, 2> peaks;
    for (std::size_t j = 0; j < 2; ++j)
      peaks[j] = peak_of(std::move(cross[i][j]), fft, std::sqrt(of_received[i] * of_sent[j]));
    constexpr double kHalf = 0.5;
    const double most = std::max(peaks[0].size, peaks[1].size);
    if (!(most * most > kHalf)) return std::nullopt;
    set(alignment, i, peaks[0], peaks[1]);
    if (std::labs(alignment.delay[i]) > static_cast<long>(kNearest)) return std::nullopt;
  }
  return alignment;
}

}  // namespace

bool Alignment::found(std::size_t row) const { return peak_to_rms[row] >= kAlignmentLock; }

Alignment align(const Field<float>& received, std::size_t first, std::size_t last,
                const std::array<Symbols, 2>& sent, const FftCache& cache) {
  const std::size_t n = sent[0].size();
  if (n == 0 || sent[1].size() != n)
    throw std::invalid_argument("alignment needs two transmitted rows of one length");
  if (n >= kNearFrom && last - first >= kNearReceived)
    if (const auto near = align_near(received, first, last, sent, cache.get<float>(kNearBlock))) return *near;
  const Fft<float>& fft = cache.get<float>(n);
  std::array<ComplexRow<float>, 2> a;
  std::array<double, 2> size;
  for (std::size_t j = 0; j < 2; ++j) {
    a[j] = neighbour_products(sent[j], 0, n);
    size[j] = sum_of_powers(a[j]);
    fft.forward(a[j]);
  }
  Alignment alignment;
  for (std::size_t i = 0; i < 2; ++i) {
    ComplexRow<float> y = neighbour_products(*received.rows()[i], first, last, n);
    const double y_size = sum_of_powers(y);
    fft.forward(y);
    std::array<Peak, 2> peaks;
    for (std::size_t j = 0; j < 2; ++j) {
      ComplexRow<float> cross(n);
      add_cross_spectrum(cross, y, a[j]);
      peaks[j] = peak_of(std::move(cross), fft, std::sqrt(y_size * size[j]));
    }
    set(alignment, i, peaks[0], peaks[1]);
  }
  return alignment;
}

}  // namespace cohlink
