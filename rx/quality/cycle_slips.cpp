#include "rx/quality/cycle_slips.h"

#include <algorithm>
#include <cmath>
#include <vector>

#include "sim/signal/units.h"

namespace cohlink {
namespace {

double median(std::vector<double> values) {
  const auto middle = values.begin() + static_cast<std::ptrdiff_t>(values.size() / 2);
  std::nth_element(values.begin(), middle, values.end());
  return *middle;
}

}  // namespace

std::optional<std::size_t> suspected_slips(std::span<const double> phase, std::size_t window) {
  constexpr double kThreshold = 0.25 * kPi;
  if (window == 0 || phase.size() < 16 * window) return std::nullopt;
  std::vector<double> change(phase.size() - window);
  for (std::size_t k = 0; k < change.size(); ++k) change[k] = phase[k + window] - phase[k];
  // A thinned copy is as good for the two medians.
  std::vector<double> few;
  for (std::size_t k = 0; k < change.size(); k += window) few.push_back(change[k]);
  const double usual = median(few);
  for (double& c : few) c = std::abs(c - usual);
  const double spread = 1.4826 * median(few);  // of a Gaussian
  if (5.0 * spread > kThreshold) return std::nullopt;
  // A slip lifts `window` changes in a row: one run above the threshold. Runs a window or less apart are one,
  // whose excursion is over the whole of it: a quarter turn up and back is no slip that stays.
  std::size_t slips = 0;
  for (std::size_t k = 0; k < change.size();) {
    if (std::abs(change[k] - usual) < kThreshold) {
      ++k;
      continue;
    }
    const std::size_t start = k;
    std::size_t quiet = 0;
    while (k < change.size() && quiet <= window) {
      quiet = std::abs(change[k] - usual) < kThreshold ? quiet + 1 : 0;
      ++k;
    }
    const std::size_t end = std::min(phase.size() - 1, k + window / 2);
    const double moved =
        phase[end] - phase[start] - usual * static_cast<double>(end - start) / static_cast<double>(window);
    slips += static_cast<std::size_t>(std::lround(std::abs(moved) / (0.5 * kPi)));
  }
  return slips;
}

}  // namespace cohlink
