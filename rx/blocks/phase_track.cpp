#include "rx/blocks/phase_track.h"

#include <algorithm>
#include <cmath>

#include "rx/blocks/blind_phase_search.h"
#include "rx/blocks/sliding_sum.h"
#include "sim/signal/units.h"

namespace cohlink {
namespace {

// Mean square change of the angle from one product to the `apart`-th after it, over what distance.
struct Change {
  double square = 0.0, distance = 0.0;
};

Change mean_change(std::span<const std::size_t> places, std::span<const std::complex<double>> products,
                   std::size_t apart) {
  Change mean;
  const std::size_t count = places.size() - apart;
  for (std::size_t n = 0; n < count; ++n) {
    const double turn = std::arg(products[n + apart] * std::conj(products[n]));
    mean.square += turn * turn / static_cast<double>(count);
    mean.distance += static_cast<double>(places[n + apart] - places[n]) / static_cast<double>(count);
  }
  return mean;
}

}  // namespace

PhaseWalk measure_walk(std::span<const std::size_t> places, std::span<const std::complex<double>> products) {
  constexpr std::size_t kFew = 32, kFar = 16;
  constexpr double kLeast = 1e-12, kLeastNoise = 1e-6;  // so that nothing divides by zero
  if (places.size() < kFew) return {kLeast, kLeastNoise};
  const Change near = mean_change(places, products, 1), far = mean_change(places, products, kFar);
  const double walk = std::max(kLeast, (far.square - near.square) / (far.distance - near.distance));
  return {walk, std::max(kLeastNoise, 0.5 * (near.square - walk * near.distance))};
}

std::vector<double> smooth_phase(std::span<const std::size_t> places,
                                 std::span<const std::complex<double>> products, const PhaseWalk& walk) {
  const std::size_t count = places.size();
  std::vector<double> phase(count), variance(count), grown(count);
  double at = 0.0, spread = kPi * kPi;  // nothing is known of the first
  for (std::size_t n = 0; n < count; ++n) {
    if (n > 0) spread += walk.walk * static_cast<double>(places[n] - places[n - 1]);
    grown[n] = spread;
    const double gain = spread / (spread + walk.noise);
    at += gain * std::arg(products[n] * std::polar(1.0, -at));
    spread *= 1.0 - gain;
    phase[n] = at;
    variance[n] = spread;
  }
  for (std::size_t n = count; n-- > 1;)
    phase[n - 1] += variance[n - 1] / grown[n] * (phase[n] - phase[n - 1]);
  return phase;
}

std::vector<double> between(std::span<const std::size_t> places, std::span<const double> phase,
                            std::size_t first, std::size_t last) {
  std::vector<double> out(last - first, 0.0);
  if (places.empty()) return out;
  std::size_t next = 0;  // first place at or after symbol k
  for (std::size_t k = first; k < last; ++k) {
    while (next < places.size() && places[next] < k) ++next;
    if (next == 0 || next == places.size()) {
      out[k - first] = next == 0 ? phase.front() : phase.back();
      continue;
    }
    const double share =
        static_cast<double>(k - places[next - 1]) / static_cast<double>(places[next] - places[next - 1]);
    out[k - first] = phase[next - 1] + share * (phase[next] - phase[next - 1]);
  }
  return out;
}

TogetherSeen::TogetherSeen(std::vector<std::size_t> places,
                           const std::array<std::vector<std::complex<double>>, 2>& products)
    : places_(std::move(places)), both_(products[0]), apart_(products[0].size()) {
  constexpr std::size_t kHalf = 16;
  std::vector<std::complex<double>> terms;
  for (std::size_t n = 0; n < both_.size(); ++n) terms.push_back(products[1][n] * std::conj(products[0][n]));
  sliding_sums(terms, kHalf,
               [&](std::size_t n, const std::complex<double>& sum) { apart_[n] = std::arg(sum); });
  if (!apart_.empty()) unwrap(apart_, kTwoPi);
  for (std::size_t n = 0; n < both_.size(); ++n) both_[n] += products[1][n] * std::polar(1.0, -apart_[n]);
}

std::array<std::vector<double>, 2> TogetherSeen::phase_between(const PhaseWalk& walk, std::size_t first,
                                                               std::size_t last) const {
  std::array<std::vector<double>, 2> out;
  out[0] = between(places_, smooth_phase(places_, both_, walk), first, last);
  out[1] = between(places_, apart_, first, last);
  for (std::size_t k = 0; k < out[0].size(); ++k) out[1][k] += out[0][k];
  return out;
}

}  // namespace cohlink
