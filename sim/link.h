// The whole light path, readable top to bottom as a bench would be wired: bits to ADC codes.
#pragma once

#include <cstdint>
#include <memory>
#include <span>
#include <vector>

#include "sim/signal/execution/execution.h"
#include "sim/signal/field.h"
#include "sim/signal/record/capture.h"
#include "sim/signal/scenario/scenario.h"

namespace cohlink {

/// The random streams of one stage in one frame: RandomStreams(seed, frame, point).
struct StreamAddress {
  std::uint64_t frame = 0, point = 0;
};

/// A frame's light somewhere on its way, and what is known of it so far.
struct LightFrame {
  LightFrame();
  ~LightFrame();
  LightFrame(const LightFrame&);
  LightFrame(LightFrame&&) noexcept;
  LightFrame& operator=(LightFrame&&) noexcept;

  Field<double> light;                     // sqrt(W)
  struct History;                          // what was sent, and the path it took
  std::shared_ptr<const History> history;  // shared by all that goes on from here
  /// Memory it holds [bytes].
  std::size_t bytes() const;
};

/// Those of the stages behind the transmitter.
struct ArrivalAddresses {
  StreamAddress line, optics, frontend;
};

/// A link made from a scenario: checked and planned once, called for every frame.
class Link {
 public:
  /// Throws InputError for values that do not fit together (sampling too coarse, pattern file missing...).
  Link(const Scenario& scenario, Execution execution);
  ~Link();
  Link(Link&&) noexcept;

  /// Simulates one frame: the capture with its truth. Deterministic in (seed, frame, point); thread-safe. The
  /// execution hears of its progress; throws Stopped if that was told to stop.
  Capture operator()(std::uint64_t frame, std::uint64_t point = 0) const;
  /// A batch of frames, the same as one by one, on up to as many threads as the execution has.
  std::vector<Capture> operator()(std::span<const StreamAddress> addresses) const;

  /// The same stage by stage, so that what comes before a stage may serve several links that differ only
  /// behind it (bench_stage, scenario.h). The stages in order: BenchStage::kTransmitter ...
  LightFrame transmit(const StreamAddress& address) const;
  LightFrame propagate(LightFrame sent, const StreamAddress& address) const;   // kLine
  LightFrame deliver(LightFrame arrived, const StreamAddress& address) const;  // kOptics
  /// kFrontend; std::logic_error for a frame that was not delivered.
  Capture detect(LightFrame delivered, const StreamAddress& address) const;
  /// Whatever of the last three the frame has not passed, in one. The same capture; light on a card stays
  /// there.
  Capture arrive(LightFrame frame, const ArrivalAddresses& at) const;
  /// Whether frames are detected on a card, and all behind the transmitter done there.
  bool arrives_on_card() const;

  /// Highest power in the fibre at any place [W], for the light-hazard caution.
  double peak_fibre_power() const;

 private:
  struct Parts;
  std::unique_ptr<Parts> parts_;
};

}  // namespace cohlink
