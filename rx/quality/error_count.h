// Bits decided wrongly.
#pragma once

#include <complex>
#include <cstddef>
#include <span>
#include <vector>

#include "rx/quality/metrics.h"
#include "sim/signal/constellation.h"
#include "sim/signal/frame_layout.h"

namespace cohlink {

/// Where received symbols lie in the transmitted row of `period` symbols, which repeats: symbol k at start +
/// k.
struct Position {
  std::size_t start = 0, period = 0;
};

/// Those of `count` symbols from there that carry no data.
std::vector<std::size_t> not_payload_among(const Position& at, std::size_t count, const FrameLayout& layout);

/// Decided by the nearest point against `sent`, the bits of the whole transmitted row, without differential
/// coding.
ErrorCount count_errors(std::span<const std::complex<float>> received, const Position& at, const Bits& sent,
                        Modulation modulation, const FrameLayout& layout);

/// With it; the first symbol only serves as the one before the second.
ErrorCount count_differential_errors(std::span<const std::complex<float>> received, const Position& at,
                                     const Bits& sent, Modulation modulation, const FrameLayout& layout);

}  // namespace cohlink
