#include "rx/blocks/overlap_save.h"

#include <algorithm>
#include <cmath>
#include <stdexcept>
#include <utility>

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

Field<float> OverlapSaveFilter::operator()(const Field<float>& signal) const {
  if (std::abs(signal.sample_rate - sample_rate_) > 1e-9 * sample_rate_)
    throw std::invalid_argument("overlap-save filter made for another sample rate");
  Field<float> out(signal.size(), signal.sample_rate);
  ComplexRow<float> scratch(block());
  filter_row(signal.x, out.x, scratch);
  filter_row(signal.y, out.y, scratch);
  return out;
}

void OverlapSaveFilter::filter_row(const ComplexRow<float>& in, ComplexRow<float>& out,
                                   ComplexRow<float>& scratch) const {
  const std::size_t n = block(), hop = n - 2 * reach_;
  const auto length = static_cast<std::ptrdiff_t>(in.size());
  for (std::size_t start = 0; start < in.size(); start += hop) {
    execution_.check();
    // Input from `reach` before the first wanted sample on, zero outside the capture.
    const std::ptrdiff_t from = static_cast<std::ptrdiff_t>(start) - static_cast<std::ptrdiff_t>(reach_);
    const std::ptrdiff_t first = std::clamp<std::ptrdiff_t>(from, 0, length);
    const std::ptrdiff_t last = std::clamp<std::ptrdiff_t>(from + static_cast<std::ptrdiff_t>(n), 0, length);
    std::fill(scratch.begin(), scratch.begin() + (first - from), std::complex<float>(0));
    std::copy(in.begin() + first, in.begin() + last, scratch.begin() + (first - from));
    std::fill(scratch.begin() + (last - from), scratch.end(), std::complex<float>(0));
    fft_->forward(scratch);
    for (std::size_t k = 0; k < n; ++k) scratch[k] *= response_[k];
    fft_->inverse(scratch);
    // The ends hold what wrapped around; the middle is the convolution.
    const std::size_t keep = std::min(hop, in.size() - start);
    std::copy_n(scratch.begin() + static_cast<std::ptrdiff_t>(reach_), keep,
                out.begin() + static_cast<std::ptrdiff_t>(start));
  }
}

}  // namespace cohlink
