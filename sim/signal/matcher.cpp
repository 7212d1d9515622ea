#include "sim/signal/matcher.h"

#include <algorithm>
#include <boost/multiprecision/cpp_int.hpp>
#include <cmath>
#include <cstdint>
#include <iterator>
#include <numeric>
#include <stdexcept>

namespace cohlink {
namespace {

using Whole = boost::multiprecision::cpp_int;

// n! / prod n_i!, amplitude by amplitude: every step divides without remainder.
Whole arrangements(std::span<const std::size_t> composition) {
  Whole count = 1;
  std::uint64_t placed = 0;
  for (const std::size_t times : composition)
    for (std::uint64_t i = 1; i <= times; ++i) count = count * ++placed / i;
  return count;
}

// Goes through a block place by place. `choose` says which amplitude stands next, told how many arrangements
// of the rest begin with each: it is called with (amplitude, count) in turn until it answers yes.
template <class Choose>
void walk(std::vector<std::size_t> left, const Choose& choose) {
  Whole all = arrangements(left), begun;
  for (std::uint64_t places = std::accumulate(left.begin(), left.end(), std::uint64_t{0}); places > 0;
       --places)
    for (unsigned a = 0; a < left.size(); ++a) {
      if (left[a] == 0) continue;
      begun = all * left[a] / places;
      if (!choose(a, begun)) continue;
      --left[a];
      std::swap(all, begun);
      break;
    }
}

}  // namespace

std::vector<std::size_t> composition_of(std::span<const double> probability, std::size_t block) {
  std::vector<std::size_t> times;
  std::vector<std::pair<double, std::size_t>> remainder;
  for (const double p : probability) {
    const double wanted = p * static_cast<double>(block);
    remainder.emplace_back(std::floor(wanted) - wanted, times.size());  // the largest first, when sorted
    times.push_back(static_cast<std::size_t>(wanted));
  }
  std::sort(remainder.begin(), remainder.end());
  const std::size_t given = std::accumulate(times.begin(), times.end(), std::size_t{0});
  for (std::size_t i = 0; given + i < block && i < remainder.size(); ++i) ++times[remainder[i].second];
  if (std::find(times.begin(), times.end(), std::size_t{0}) != times.end())
    throw std::invalid_argument("a block of " + std::to_string(block) +
                                " is too short to hold every amplitude once");
  return times;
}

ConstantCompositionMatcher::ConstantCompositionMatcher(std::vector<std::size_t> composition)
    : composition_(std::move(composition)),
      block_(std::accumulate(composition_.begin(), composition_.end(), std::size_t{0})) {
  if (composition_.size() < 2 ||
      std::find(composition_.begin(), composition_.end(), std::size_t{0}) != composition_.end())
    throw std::invalid_argument("a matcher needs two amplitudes or more, each at least once in a block");
  bits_ = msb(arrangements(composition_));
}

double ConstantCompositionMatcher::loss() const {
  const auto n = static_cast<double>(block_);
  double entropy = 0.0;
  for (const std::size_t times : composition_) {
    const double p = static_cast<double>(times) / n;
    entropy -= p * std::log2(p);
  }
  return entropy - static_cast<double>(bits_) / n;
}

std::vector<unsigned> ConstantCompositionMatcher::match(std::span<const std::uint8_t> bits) const {
  if (bits.size() != bits_)
    throw std::invalid_argument("a matcher's block takes " + std::to_string(bits_) + " bits");
  Whole number;
  import_bits(number, bits.begin(), bits.end(), 1);
  std::vector<unsigned> amplitudes;
  amplitudes.reserve(block_);
  walk(composition_, [&](unsigned a, const Whole& begun) {
    if (number >= begun) {
      number -= begun;
      return false;
    }
    amplitudes.push_back(a);
    return true;
  });
  return amplitudes;
}

Bits ConstantCompositionMatcher::dematch(std::span<const unsigned> amplitudes) const {
  std::vector<std::size_t> times(composition_.size());
  for (const unsigned a : amplitudes)
    if (a < times.size()) ++times[a];
  if (times != composition_) throw std::invalid_argument("a block of another composition");
  Whole number;
  std::size_t place = 0;
  walk(composition_, [&](unsigned a, const Whole& begun) {
    if (amplitudes[place] != a) {
      number += begun;
      return false;
    }
    ++place;
    return true;
  });
  Bits bits(bits_);
  for (std::size_t i = 0; i < bits_; ++i) bits[bits_ - 1 - i] = bit_test(number, static_cast<unsigned>(i));
  return bits;
}

}  // namespace cohlink
