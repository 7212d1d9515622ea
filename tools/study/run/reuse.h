// Nothing is computed twice: light and captures that several points of a study have in common.
//
// The rule comes from the table of scenario keys (bench_stage, scenario.h): what a stage puts out depends on
// the keys that act up to it, and on the frame and the address of its random streams. Two points for which
// all of these agree get the same object. Linewidth of the transmit laser, launch power, fibre: these act
// before or in the fibre and force it to be computed anew. OSNR, DGD, filter: the fibre is shared. Local
// oscillator, front end, ADC: all optics are shared. DSP: the capture is shared.
#pragma once

#include <array>
#include <condition_variable>
#include <cstdint>
#include <functional>
#include <map>
#include <memory>
#include <mutex>
#include <string>
#include <thread>
#include <tuple>
#include <vector>

#include "rx/receiver.h"
#include "sim/link.h"
#include "tools/study/plan/fingerprint.h"
#include "tools/study/run/frame.h"

namespace cohlink {

/// The stages whose output can be kept: BenchStage::kTransmitter to kFrontend.
inline constexpr std::size_t kCuts = 4;

/// `point` of the random streams of each of these stages.
using StageAddresses = std::array<std::uint64_t, kCuts>;

/// Everything that the output of each of these stages depends on, but frame and address.
using StageInputs = std::array<Fingerprint, kCuts>;
StageInputs stage_inputs(const Scenario& scenario);

/// Both ends of a scenario, set up, with what is needed to know its equals.
struct Bench {
  /// InputError for a scenario whose parts do not fit together, or whose frames are too short to receive.
  Bench(const Scenario& scenario, const FftCache& fft);
  Link link;
  Receiver receiver;
  StageInputs inputs;
  bool fibre_redrawn;
};

/// Whether what a frame needs of others' work is there, not yet begun, or being made by another thread.
enum class Readiness { kReady, kNew, kMaking };

struct ReuseRule {
  std::array<bool, kCuts> cuts{};  // outputs worth keeping; none: reuse is off
  std::size_t memory_bytes = 0;    // at most
  std::size_t most_entries = SIZE_MAX;
  /// Full memory: drop what was used longest ago (sweeps, which go frame by frame); false: not if it has the
  /// same inputs (searches, which come back to frame 0 again and again).
  bool drop_oldest = true;
};

/// For a search that varies these keys over `scenario`.
ReuseRule search_reuse_rule(const Scenario& scenario, const std::vector<std::string>& varied);

/// Runs frames, keeping what the rule says. Thread-safe; results do not depend on the rule.
class FrameReuse {
 public:
  explicit FrameReuse(const ReuseRule& rule) : rule_(rule) {}

  /// Where the receiver decodes several frames together (fec.frames), these count as one: frame `frame` and
  /// those of the same number beyond all that a study counts, n << kFrameBits above it.
  FrameResult run(const Bench& bench, std::uint64_t frame, const StageAddresses& addresses);
  static constexpr unsigned kFrameBits = 36;
  Readiness readiness(const StageInputs& inputs, std::uint64_t frame, const StageAddresses& addresses) const;
  /// The calling thread will run this frame: what it must make first counts as being made from now on.
  void claim(const StageInputs& inputs, std::uint64_t frame, const StageAddresses& addresses);
  /// Called, from any thread, whenever something became ready.
  void listen(std::function<void()> listener) { listener_ = std::move(listener); }

 private:
  struct Product {
    LightFrame light;  // of every cut but the last
    Capture capture;   // of the last
    std::size_t bytes = 0;
  };
  using Shared = std::shared_ptr<const Product>;
  using Key = std::tuple<std::size_t, Fingerprint, std::uint64_t, StageAddresses>;  // cut, inputs, frame
  struct Entry {
    Shared product;  // null while it is being made
    std::uint64_t used = 0;
    std::thread::id maker = {};
  };
  struct Order {
    const Bench& bench;
    std::uint64_t frame;
    const StageAddresses& addresses;
  };
  bool keeps(std::size_t cut) const { return rule_.cuts[cut] && !too_big_[cut]; }
  static Key key(const StageInputs& inputs, std::uint64_t frame, StageAddresses addresses, std::size_t cut);
  FrameResult run_together(const Bench& bench, std::uint64_t frame, const StageAddresses& addresses);
  Shared behind(const Order& order, std::size_t cut);
  Product make(const Order& order, std::size_t cut);
  Capture capture_of(const Order& order);
  LightFrame light_before(const Order& order, std::size_t cut);
  void keep(const Key& key, Shared product);
  bool make_room(const Key& newcomer, std::size_t bytes);
  void announce();

  ReuseRule rule_;
  std::function<void()> listener_;
  mutable std::mutex mutex_;
  std::condition_variable made_;
  std::map<Key, Entry> entries_;
  std::array<bool, kCuts> too_big_{};
  std::size_t bytes_ = 0;
  std::uint64_t clock_ = 0;
};

}  // namespace cohlink
