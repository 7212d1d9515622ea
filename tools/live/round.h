// One round of the bench: a frame simulated, received, counted and pictured.
#pragma once

#include <cstdint>
#include <memory>
#include <string>

#include "rx/receiver.h"
#include "sim/link.h"
#include "tools/live/packet.h"
#include "tools/live/pictures.h"
#include "tools/live/settings.h"
#include "tools/study/run/frame.h"

namespace cohlink::live {

/// A bench set up from a scenario; its rounds are the frames 0, 1, ... of that scenario, and so those of a
/// sweep's first point.
class Rounds {
 public:
  /// InputError for a scenario that cannot be set up or is too short for its chain.
  Rounds(const Scenario& scenario, const Execution& execution);

  /// The next round, as the page takes it. Throws Stopped if its execution was told to stop.
  Packet next(const Look& look);
  std::uint64_t counted() const { return rounds_; }

 private:
  struct Seen;
  void add_numbers(Packet& packet, const FrameResult& frame, const ReceiverResult& received) const;
  void add_blocks(Packet& packet, const Seen& seen, const ReceiverResult& received) const;
  void add_traces(Packet& packet, const Capture& capture, const ReceiverResult& received) const;
  void add_line(Packet& packet) const;
  void add_theory(Packet& packet) const;

  Scenario scenario_;
  Link link_;
  Receiver receiver_;
  PictureMaker pictures_;
  FrameResult total_;
  std::uint64_t rounds_ = 0;
};

}  // namespace cohlink::live
