// One frame of one point, simulated, received and counted: the unit of work of every study.
#pragma once

#include <cstdint>
#include <map>
#include <string>
#include <vector>

#include "rx/quality/metrics.h"
#include "rx/receiver.h"
#include "sim/link.h"
#include "sim/signal/record/capture.h"
#include "tools/study/plan/outputs.h"
#include "tools/study/plan/realisations.h"

namespace cohlink {

/// What one frame counted: plain data, small enough to send or to write down by the million. Adding frames in
/// frame order to an empty one gives the point.
struct FrameResult {
  ErrorCount count;
  double symbols = 0;           // scored, both polarisations: the weight of the two sums that follow
  double noise_sum = 0;         // symbols x noise-to-signal power ratio
  double evm_sum = 0;           // symbols x (EVM as a ratio) squared
  std::uint64_t discarded = 0;  // symbols at the edges, not scored
  std::uint64_t warned = 0;     // frames in which the receiver warned
  std::uint64_t unlocked = 0;   // frames with bits to score in which it found nothing of what was sent
  double dgd_sum_ps = 0;        // differential group delay at the carrier, summed over frames
  double pdl_sum_db = 0;        // polarisation-dependent loss of the path there, alike
  bool fibre_redrawn = false;   // a frame: its fibre was drawn for it alone
  Counters counters;            // of capture and receiver
  std::string first_warning;
  /// Of one frame; only what a study asked for need be kept: `keep_output`.
  Outputs outputs;
  double coding_bunching = 1;  // of errors, by differential coding (Score::bunching)
  double ngmi = 0;             // of one frame with bits; none in it where nothing was recognised
  double ngmi_variance = 0;    // of its estimate; of a sum, added up
  fec::PostFec post_fec;       // no blocks: nothing was decoded
  // Of a sum: how its frames differ.
  std::uint64_t scored_frames = 0;       // with bits
  double error_squares = 0;              // over these, errors^2 / bits
  std::map<std::string, Spread> spread;  // of the outputs
  Spread ngmis;                          // of frames with bits
  std::vector<FibreResult> fibres;       // of frames whose fibre was redrawn

  /// Counts one frame more.
  FrameResult& operator+=(const FrameResult& frame);
  /// Forgets all other outputs; "" all.
  void keep_output(const std::string& name);
  /// Of a sum: variance of its errors over the binomial one. By the coding, or if it is more, as the frames
  /// differ (chi-squared over its degrees of freedom: slips and other bursts), where eight or more tell.
  double bunching() const;
  /// 95 % interval of a sum's BER, or of a frame's: error_interval (rx/quality/metrics.h) with bunching();
  /// over realisations where the fibre was redrawn (realisations.h), and [0, 1] where they are too few.
  Interval ber_interval(double confidence = 0.95) const;
  /// 95 % interval of a sum's mean NGMI, or of a frame's: normal with the frames' own standard errors, or as
  /// they differ where eight or more tell; over realisations where the fibre was redrawn, and [0, 1] where
  /// they are too few.
  Interval ngmi_interval(double confidence = 0.95) const;
  /// 95 % interval of a sum's BER after decoding, by lost blocks (rx/quality/metrics.h).
  Interval post_fec_interval(double confidence = 0.95) const;
  double mean_ngmi() const { return ngmis.frames > 0 ? ngmis.mean : ngmi; }
  double ngmi_deviation() const;  // standard error of that
  /// The same of the SNR [dB], where the fibre was redrawn: everything where realisations are too few.
  std::optional<Interval> snr_over_realisations(double confidence = 0.95) const;
  double snr_db() const;       // NaN before anything was scored
  double evm_percent() const;  // NaN before anything was scored
};

/// A capture, received and counted.
FrameResult count_frame(const Capture& capture, const Receiver& receiver);
/// The same of a capture that was received already.
FrameResult count_received(const Capture& capture, const ReceiverResult& received);

/// Both in one. Pure: the same (link, receiver, frame, address) gives the same result on any thread, in any
/// order.
FrameResult run_frame(const Link& link, const Receiver& receiver, std::uint64_t frame, std::uint64_t address);

}  // namespace cohlink
