// What is true about one frame, gathered from the blocks that know.
#pragma once

#include <array>

#include "sim/link_setup.h"
#include "sim/signal/propagation/plan.h"
#include "sim/signal/record/capture.h"

namespace cohlink {

/// What the receiver's hardware did in one frame.
struct ReceiverFrame {
  LaserTrace oscillator;
  ReceiverInput input;
  PowerAtDiodes power;
  std::array<double, 4> transimpedance = {1, 1, 1, 1};
  double sine_jitter_start = 0.0;  // rad
};

/// InputError, naming the key, where polarisation turns so fast over so long a frame that the Jones matrices
/// of its truth would take more than 1 GiB.
void check_truth_size(const Scenario& scenario, const LinkSetup& setup);

/// Bytes of those matrices.
double jones_bytes(const LinkSetup& setup, const PropagationPlan& path);

/// The truth of a frame that was sent as `sent` over `path`. Traces are taken at the symbol centres; the
/// optical path's Jones matrix over the signal's band and the frame (path_truth.h); the OSNR counts the noise
/// of transmitter, line, loading and pre-amplifier.
Truth link_truth(const LinkSetup& setup, const AdcErrors& adc_errors, const PropagationPlan& path,
                 const TransmittedFrame& sent, const ReceiverFrame& received);

}  // namespace cohlink
