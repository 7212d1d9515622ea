// What every search over a scenario key shares: frames of one scenario counted on all cores, with the
// statistics that decide when enough is known.
#pragma once

#include <cstdint>
#include <functional>
#include <memory>
#include <mutex>
#include <set>
#include <string>
#include <vector>

#include "rx/quality/metrics.h"
#include "sim/signal/constellation.h"
#include "sim/signal/execution/fft.h"
#include "sim/signal/scenario/scenario.h"
#include "tools/study/plan/fec.h"
#include "tools/study/run/frame.h"
#include "tools/study/run/reuse.h"

namespace cohlink {

/// One frame of a scenario, by number.
using FrameSource = std::function<FrameResult(std::uint64_t frame)>;

/// Sets a scenario up and gives its frames. Thread-safe sources; the tests put models in place of the link.
using SourceMaker = std::function<FrameSource(const Scenario&)>;

/// Frames of a scenario that is set up when the first of them is computed: most of a resumed study needs no
/// link at all.
FrameSource late(const SourceMaker& source, const Scenario& scenario);

/// The same, calling `done` after every frame, from whatever thread it ran on.
SourceMaker watched(SourceMaker source, std::function<void()> done);

/// Simulates and receives; a frame that the receiver could not lock to counts as guessed (half its bits
/// wrong, SNR 0 dB). Every scenario sees the same random streams (address `address`): common random numbers,
/// which sharpen differences between scenarios. `reuse` keeps what scenarios have in common; null: nothing.
SourceMaker simulation(const FftCache& fft, std::shared_ptr<FrameReuse> reuse = nullptr,
                       std::uint64_t address = 0);

/// Sets every scenario up once, both ends: one that does not fit must not surface after an hour. Returns the
/// highest power in a fibre [W].
double check_scenarios(const std::vector<Scenario>& scenarios, const FftCache& fft, unsigned threads);

class Journal;

/// The same frames, each written to `journal` when it is counted and taken from there where it already
/// stands: a study that was interrupted walks the same way again and finds what it had. A frame is known by
/// its scenario and number, so any study of these scenarios may go on from it. Null journal: `source` itself.
SourceMaker recorded(SourceMaker source, Journal* journal);

/// Records of frames as `recorded` makes them, in memory: for parts of a study. Thread-safe.
class FrameLog {
 public:
  void add(const std::string& record);
  /// In an order that does not depend on who counted first.
  std::vector<std::string> records() const;

 private:
  mutable std::mutex mutex_;
  std::set<std::string> records_;
};

/// The same frames, each that was asked for noted in `log`; those that `known` holds, records of other logs,
/// are not computed.
SourceMaker logged(SourceMaker source, FrameLog& log);
SourceMaker known_from(const std::vector<std::string>& known, SourceMaker source);

/// The same frames, each computed once and kept in memory: for a search that comes back to scenarios it had.
SourceMaker remembered(SourceMaker source);

/// Frames of one scenario, counted in order.
class Meter {
 public:
  Meter(FrameSource source, unsigned threads) : source_(std::move(source)), threads_(threads) {}

  /// Counts `frames` more.
  void run(std::uint64_t frames);

  std::uint64_t frames() const { return frames_; }
  const FrameResult& total() const { return total_; }
  double ber() const { return total_.count.ber(); }

 private:
  FrameSource source_;
  unsigned threads_;
  FrameResult total_;
  std::uint64_t frames_ = 0;
};

/// The scale on which BER is nearly a straight line over OSNR, and NGMI too: the SNR [dB] that ideal
/// reception would need for it. Slope 1 for a receiver at constant distance from theory. The NGMI is that of
/// symbols, whatever a differential coding before the mapping costs. A BER after decoding is taken as one
/// without a code: the scale is then steep.
class EquivalentSnr {
 public:
  /// Throws InputError for symbols without bits.
  explicit EquivalentSnr(const Scenario& scenario, Quality quality = Quality::kBer);
  /// BER clamped to [1e-12, 0.35], NGMI to what is received at -25 dB, but 0.05 at least, and 1 - 1e-7.
  double db(double value) const;

  /// A sum of frames on this scale, with its interval.
  struct Reading {
    double db, low_db, high_db;
    bool lower_bound = false;  // no errors: the end of the interval is all that is known, `high_db` endless
  };
  Reading read(const FrameResult& total, double confidence) const;
  /// Standard error of a sum's equivalent SNR [dB].
  double deviation_db(const FrameResult& total) const;

 private:
  /// |d dB / d value|, of a BER per unit of its logarithm.
  double slope(double value) const;

  Modulation modulation_;
  bool differential_;
  Quality quality_;
  double least_ngmi_ = 0.05;
};

}  // namespace cohlink
