// The receiver: a chain of DSP blocks from ADC codes to decisions, readable top to bottom.
#pragma once

#include <algorithm>
#include <array>
#include <functional>
#include <memory>
#include <optional>
#include <string>
#include <vector>

#include "rx/blocks/equaliser.h"
#include "rx/chain/cost.h"
#include "rx/chain/stage.h"
#include "rx/quality/metrics.h"
#include "rx/quality/tap_reading.h"
#include "sim/signal/execution/fft.h"
#include "sim/signal/field.h"
#include "sim/signal/record/capture.h"
#include "sim/signal/scenario/scenario.h"

namespace cohlink {

struct ReceiverResult {
  Field<float> symbols;       // recovered, one sample a symbol, signal part of unit power, [2][symbols]
  Stage input;                // the lanes as two rows, before the first block, if asked for
  std::vector<Stage> stages;  // one per block, in chain order, if asked for
  std::optional<double> frequency_offset_hz;        // estimated; absent: no frequency block found any
  std::optional<std::array<double, 2>> iq_skew_ps;  // estimated, of X and Y (dsp.deskew = blind)
  std::optional<double> dispersion_ps_per_nm;       // estimated (dsp.dispersion = blind)
  std::optional<double>
      clock_offset_ppm;              // estimated: the receiver's clock faster than its name; absent: no lock
  double compensated_ps_per_nm = 0;  // by the dispersion block
  EqualiserTaps taps;                // of the equaliser at the end; empty without one
  std::optional<ChannelReading> channel;     // what those say
  std::size_t discarded_symbols = 0;         // both ends together: what the filters' edges spoil; not scored
  std::size_t judged_symbols = 0;            // per polarisation: all but those
  std::size_t first_judged = 0;              // of `symbols`
  std::vector<double> clock_delay;           // ClockResult::delay; empty: no clock, or no lock
  std::vector<std::string> used_known_data;  // blocks that used training or truth ("phase (genie)", ...)
  std::vector<std::string> warnings;   // failed lock, both outputs on one polarisation, ... one line each
  Counters counters;                   // cycle slips, equaliser singularities, ...
  double snr_db = 0, evm_percent = 0;  // decision-aided when there is no truth, data-aided with it
  std::optional<Score> score;          // only when the capture has truth and the outputs match it
  std::array<double, 2> coherence = {0, 0};  // of each output's carrier (rx/quality/lock.h), blind
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

/// A receiver made from a scenario's [signal], [dsp] and [fec] sections; never looks at the simulator.
class Receiver {
 public:
  /// Throws InputError for a chain that cannot work (unknown order, genie without truth is found later).
  Receiver(const Scenario& scenario, FftCache& fft);
  ~Receiver();
  Receiver(Receiver&&) noexcept;

  /// Thread-safe. Throws InputError for a capture too short for the chain or lacking needed truth. `record`:
  /// keep the stages, for pictures. `after`, where given, is called when each step is done, with the block's
  /// name, "lanes" before the first, "stage record" after each and "score" last: what a benchmark needs.
  using StepDone = std::function<void(const std::string& step)>;
  ReceiverResult operator()(const Capture& capture, bool record = true, const StepDone& after = {}) const;

  /// A piece that follows another. `joined` in the result says whether the outputs fit on.
  ReceiverResult go_on(const Capture& capture, const Continuation& from) const;

  /// A piece from inside a recording, received from a cold start, and blindly: training symbols are those the
  /// recording begins with. Its first `judged` symbols belong to the piece before and are left out of score
  /// and lock.
  ReceiverResult start_inside(const Capture& capture, std::size_t judged, bool record) const;

  /// Throws InputError when captures of so many symbols, sampled at `adc_rate` [Hz], are too short for the
  /// chain's filters (those that blind estimates choose left out): known before there is one.
  void check_length(double adc_rate, std::size_t symbols) const;

  /// What each block costs on captures of `symbols` symbols sampled at `adc_rate` [Hz], in chain order.
  std::vector<BlockCost> cost(double adc_rate, std::size_t symbols) const;

 private:
  struct Place;
  ReceiverResult receive(const Capture& capture, bool record, const StepDone& after,
                         const Place& place) const;
  struct Parts;
  std::unique_ptr<Parts> parts_;
};

}  // namespace cohlink
