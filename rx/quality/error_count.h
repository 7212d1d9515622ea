// Bits decided wrongly.
#pragma once

#include <complex>
#include <cstddef>
#include <span>
#include <vector>

#include "rx/quality/metrics.h"
#include "sim/signal/constellation.h"

namespace cohlink {

/// Where received symbols lie in the transmitted row of `period` symbols, which repeats: symbol k at start +
/// k.
struct Position {
  std::size_t start = 0, period = 0;
};

/// Those of `count` symbols from there that are pilots, the first of every `spacing` of the row; none at 0.
std::vector<std::size_t> pilots_among(const Position& at, std::size_t count, std::size_t spacing);

/// Decided by the nearest point against `sent`, the bits of the whole transmitted row, without differential
/// coding.
ErrorCount count_errors(std::span<const std::complex<float>> received, const Position& at, const Bits& sent,
                        Modulation modulation, std::size_t pilot_spacing);

/// With it; the first symbol only serves as the one before the second.
ErrorCount count_differential_errors(std::span<const std::complex<float>> received, const Position& at,
                                     const Bits& sent, Modulation modulation, std::size_t pilot_spacing);

}  // namespace cohlink
