// One frame of one point, simulated, received and counted: the unit of work of every study.
#pragma once

#include <cstdint>
#include <string>
#include <vector>

#include "rx/metrics.h"
#include "rx/receiver.h"
#include "sim/link.h"
#include "sim/signal/capture.h"

namespace cohlink {

/// What one frame counted: plain data, small enough to send or to write down by the million. Sums, so that
/// adding frames in frame order gives the point.
struct FrameResult {
  ErrorCount count;
  double symbols = 0;           // scored, both polarisations: the weight of the two sums that follow
  double noise_sum = 0;         // symbols x noise-to-signal power ratio
  double evm_sum = 0;           // symbols x (EVM as a ratio) squared
  std::uint64_t discarded = 0;  // symbols at the edges, not scored
  std::uint64_t warned = 0;     // frames in which the receiver warned
  std::uint64_t unlocked = 0;   // frames with bits to score in which it found nothing of what was sent
  double dgd_sum_ps = 0;        // differential group delay at the carrier, summed over frames
  Counters counters;            // of capture and receiver
  std::string first_warning;

  FrameResult& operator+=(const FrameResult& next);
  double snr_db() const;       // NaN before anything was scored
  double evm_percent() const;  // NaN before anything was scored
};

/// A capture, received and counted.
FrameResult count_frame(const Capture& capture, const Receiver& receiver);

/// Both in one. Pure: the same (link, receiver, frame, address) gives the same result on any thread, in any
/// order.
FrameResult run_frame(const Link& link, const Receiver& receiver, std::uint64_t frame, std::uint64_t address);

}  // namespace cohlink
