// The whole light path, readable top to bottom as a bench would be wired: bits to ADC codes.
#pragma once

#include <cstdint>
#include <memory>

#include "sim/signal/capture.h"
#include "sim/signal/fft.h"
#include "sim/signal/scenario.h"

namespace cohlink {

/// A link made from a scenario: checked and planned once, called for every frame.
class Link {
 public:
  /// Throws InputError for values that do not fit together (sampling too coarse, pattern file missing...).
  Link(const Scenario& scenario, FftCache& fft);
  ~Link();
  Link(Link&&) noexcept;

  /// Simulates one frame: the capture with its truth. Deterministic in (seed, frame, point); thread-safe.
  Capture operator()(std::uint64_t frame, std::uint64_t point = 0) const;

  /// Highest power in the fibre at any place [W], for the light-hazard caution.
  double peak_fibre_power() const;

 private:
  struct Parts;
  std::unique_ptr<Parts> parts_;
};

}  // namespace cohlink
