// What a receiver found.
#pragma once

#include <algorithm>
#include <array>
#include <cstddef>
#include <optional>
#include <string>
#include <vector>

#include "rx/quality/equaliser_taps.h"
#include "rx/quality/metrics.h"
#include "rx/quality/tap_reading.h"
#include "rx/stage/stage.h"
#include "sim/signal/field.h"
#include "sim/signal/record/capture.h"
#include "sim/signal/units.h"

namespace cohlink {

/// A number that a block found, under the name that its row of the table gives it.
struct BlockMeasurement {
  std::string output;
  double value;
};

struct ReceiverResult {
  Field<float> symbols;       // recovered, one sample a symbol, signal part of unit power, [2][symbols]
  Stage input;                // the lanes as two rows, before the first block, if asked for
  std::vector<Stage> stages;  // one per block, in chain order, if asked for
  std::optional<double> frequency_offset_hz;        // estimated; absent: no frequency block found any
  std::optional<std::array<double, 2>> iq_skew_ps;  // estimated, of X and Y (dsp.deskew = blind)
  std::optional<double> beta2_length;               // s^2, of the path, estimated (dsp.dispersion = blind)
  std::optional<double>
      clock_offset_ppm;  // estimated: the receiver's clock faster than its name; absent: no lock
  double compensated_beta2_length = 0;  // s^2, by the dispersion block
  double wavelength = kWavelength;      // m, of the carrier: dispersions in ps/nm refer to it
  double in_ps_per_nm(double accumulated) const {
    return beta2_length_to_accumulated(accumulated, wavelength);
  }
  EqualiserTaps taps;                        // of the equaliser at the end; empty without one
  std::optional<ChannelReading> channel;     // what those say
  std::size_t discarded_symbols = 0;         // both ends together: what the filters' edges spoil; not scored
  std::size_t judged_symbols = 0;            // per polarisation: all but those
  std::size_t first_judged = 0;              // of `symbols`
  std::vector<double> clock_delay;           // ClockResult::delay; empty: no clock, or no lock
  std::vector<std::string> used_known_data;  // blocks that used training or truth ("phase (genie)", ...)
  std::vector<std::string> warnings;       // failed lock, both outputs on one polarisation, ... one line each
  std::vector<BlockMeasurement> measured;  // by blocks, in chain order; no entry: not found
  Counters counters;                       // cycle slips, equaliser singularities, ...
  double snr_db = 0, evm_percent = 0;      // data-aided with truth; without the likeliest (likelihood.h)
  double snr_spread = 0;                   // standard deviation of ln SNR; of EVM, relative, half of it
  std::size_t phase_averaged = 0;  // symbols that turned each by their decisions, itself one of them; or 0
  std::optional<Score> score;      // only when the capture has truth and the outputs match it
  std::array<double, 2> coherence = {0, 0};  // of each output's carrier (rx/quality/lock.h), blind
  double payload_rate = 0;        // symbols a second and polarisation that carry data: all but the pilots
  double matcher_loss_bits = 0;   // of a shaped symbol, what its matcher takes of whatever is carried
  bool one_polarisation = false;  // X alone was recorded: row Y is nought, and nothing said here is about it
  std::size_t rows() const { return one_polarisation ? 1 : 2; }
  double least_coherence() const {
    return one_polarisation ? coherence[0] : std::min(coherence[0], coherence[1]);
  }
  double coherence_needed = 0;  // below it an output has not locked
  bool locked_blindly = true;   // by coherence and pilots, with truth or without
  double blind_snr_db = 0;      // against the decisions, with truth or without
  bool joined = false;          // to the piece before (Continuation)
  bool locked = true;  // with truth: the outputs match it; without: by coherence. False: see warnings
};

/// What a piece of a recording goes on from: the result of the piece before, which began `hop` symbols (by
/// the receiver's clock) earlier and locked. Its dispersion, skews and offset are taken over, its taps are
/// where the equaliser starts, its clock settles the half symbol; and the new piece is joined to it: judged
/// from the symbol on that follows its last one, X, Y and quarter turns as there.
struct Continuation {
  const ReceiverResult& before;
  std::size_t hop = 0;
};

/// Symbols that a piece must share with the one before, beyond what both lose at their ends, to be joined.
inline constexpr std::size_t kSeam = 256;

}  // namespace cohlink
