#include "rx/blocks/overlap_save.h"

#include <algorithm>
#include <cmath>
#include <stdexcept>
#include <utility>

#include "rx/rows/row_operations.h"

namespace cohlink {
namespace {

constexpr std::size_t kSmallestBlock = 256, kLargestBlock = std::size_t{1} << 20;

// The power of two with least work per output sample; beyond 2^14 the transform leaves the fast caches,
// which the last factor stands for.
std::size_t best_block(std::size_t overlap) {
  std::size_t best = 0;
  double least = 0.0;
  for (std::size_t n = kSmallestBlock; n <= kLargestBlock; n *= 2) {
    if (n <= overlap) continue;
    const double bits = std::log2(static_cast<double>(n));
    const double cost = static_cast<double>(n) * (bits + 1.0) / static_cast<double>(n - overlap) *
                        (n > (1u << 14) ? 1.2 : 1.0);
    if (best == 0 || cost < least) best = n, least = cost;
  }
  if (best == 0) throw std::invalid_argument("filter longer than the largest overlap-save block");
  return best;
}

}  // namespace

OverlapSaveFilter::OverlapSaveFilter(const std::function<std::complex<double>(double)>& response,
                                     double sample_rate, double reach, Execution execution)
    : sample_rate_(sample_rate),
      reach_(static_cast<std::size_t>(std::ceil(reach * sample_rate))),
      execution_(std::move(execution)) {
  const std::size_t n = best_block(2 * reach_);
  fft_ = &execution_.ffts().get<float>(n);
  response_.resize(n);
  for (std::size_t k = 0; k < n; ++k)
    response_[k] = std::complex<float>(response(bin_frequency(k, n, sample_rate)) / static_cast<double>(n));
}

Field<float> OverlapSaveFilter::operator()(Field<float> signal) const {
  if (std::abs(signal.sample_rate - sample_rate_) > 1e-9 * sample_rate_)
    throw std::invalid_argument("overlap-save filter made for another sample rate");
  ComplexRow<float> scratch(block());
  for (auto* row : signal.rows()) filter_row(*row, scratch);
  return signal;
}

void OverlapSaveFilter::filter_row(ComplexRow<float>& row, ComplexRow<float>& scratch) const {
  const std::size_t n = block(), hop = n - 2 * reach_;
  ComplexRow<float> before(reach_);  // the samples before `start` as they came in, zero outside the capture
  const auto middle = scratch.begin() + static_cast<std::ptrdiff_t>(reach_);
  for (std::size_t start = 0; start < row.size(); start += hop) {
    execution_.check();
    const auto here = row.begin() + static_cast<std::ptrdiff_t>(start);
    std::copy(before.begin(), before.end(), scratch.begin());
    const auto end = std::copy_n(here, std::min(n - reach_, row.size() - start), middle);
    std::fill(end, scratch.end(), std::complex<float>(0));
    std::copy_n(scratch.begin() + static_cast<std::ptrdiff_t>(hop), reach_, before.begin());
    fft_->forward(scratch);
    multiply(scratch, response_);
    fft_->inverse(scratch);
    // The ends hold what wrapped around; the middle is the convolution.
    std::copy_n(middle, std::min(hop, row.size() - start), here);
  }
}

}  // namespace cohlink
