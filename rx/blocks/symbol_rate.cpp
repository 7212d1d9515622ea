#include "rx/blocks/symbol_rate.h"

#include <algorithm>
#include <bit>
#include <cmath>
#include <vector>

namespace cohlink {
namespace {

// At twice the samples, which the product needs.
ComplexRow<float> upsampled(const ComplexRow<float>& row, std::size_t n, const FftCache& fft) {
  ComplexRow<float> low(row.begin(), row.begin() + static_cast<std::ptrdiff_t>(n)), high(2 * n);
  fft.get<float>(n).forward(low);
  std::copy_n(low.begin(), n / 2, high.begin());
  std::copy_n(low.begin() + static_cast<std::ptrdiff_t>(n / 2), n / 2,
              high.begin() + static_cast<std::ptrdiff_t>(2 * n - n / 2));
  fft.get<float>(2 * n).inverse(high);
  return high;
}

void add_product(std::vector<double>& power, const ComplexRow<float>& a, const ComplexRow<float>& b,
                 const FftCache& fft) {
  ComplexRow<float> product(a.size());
  std::complex<double> mean = 0.0;
  for (std::size_t k = 0; k < a.size(); ++k) {
    product[k] = a[k] * std::conj(b[k]);
    mean += std::complex<double>(product[k]);
  }
  const auto dc = std::complex<float>(mean / static_cast<double>(a.size()));
  for (auto& p : product) p -= dc;
  fft.get<float>(a.size()).forward(product);
  for (std::size_t k = 0; k < power.size(); ++k) power[k] += std::norm(product[k]);
}

}  // namespace

std::optional<double> find_symbol_rate(const Field<float>& signal, const FftCache& fft) {
  constexpr std::size_t kLongest = std::size_t{1} << 17, kFewest = 4096;
  constexpr double kLine = 60.0;  // of a sum of three exponentials of mean 1; of row X alone 20, of 1e5 bins
  const std::size_t n = std::min(std::bit_floor(signal.size()), kLongest);
  if (n < kFewest) return std::nullopt;
  const ComplexRow<float> x = upsampled(signal.x, n, fft), y = upsampled(signal.y, n, fft);
  std::vector<double> power(n);  // bin k at k / n of the sample rate
  add_product(power, x, x, fft);
  add_product(power, y, y, fft);
  add_product(power, x, y, fft);
  // Half the sample rate is bin n / 2. The floor changes slowly along the band: it is taken about each bin.
  const std::size_t from = 3 * n / 10, to = 7 * n / 10, about = n / 128;
  double sum = 0.0, most = 0.0;
  for (std::size_t k = from - about; k < from + about; ++k) sum += power[k];
  std::size_t best = 0;
  for (std::size_t k = from; k < to; sum += power[k + about] - power[k - about], ++k)
    if (const double over = power[k] * 2.0 * static_cast<double>(about) * 3.0 / sum; over > most)
      most = over, best = k;
  if (most < kLine) return std::nullopt;
  return static_cast<double>(best) / static_cast<double>(n) * signal.sample_rate;
}

}  // namespace cohlink
