// The table of what a reception puts out: reports, sweeps and the documentation name it from here.
#pragma once

#include <optional>
#include <span>

#include "rx/receiver.h"

namespace cohlink {

/// Numbers of one reception. What single blocks find stands in the table of blocks (rx/chain/table.h).
enum class Output {
  kQ,
  kSnr,
  kEvm,
  kSnrX,
  kSnrY,
  kBerX,
  kBerY,
  kMutualInformation,
  kGeneralisedInformation,
  kNormalisedInformation,
  kAchievableRate,
  kPostFecBer,
  kLostBlocks,
  kIterations,
  kErrorDispersion,
  kFrequencyOffset,
  kDispersion,
  kClockOffset,
  kIqSkewX,
  kIqSkewY,
  kTapsDgd,
  kTapsSkew,
  kTapsPdl,
  kTapsDispersion,
  kDiscarded,
  kScored
};

struct OutputRow {
  Output output;
  const char* name;     // of columns, facts and attributes; it ends in the unit (unit_of_column)
  const char* title;    // before it in a report; "" where it stands in another's line
  const char* meaning;  // in the documentation
  /// Absent where this reception has none: no lock, no truth, one polarisation, no such block.
  std::optional<double> (*of)(const ReceiverResult& received);
};

std::span<const OutputRow> output_rows();
const OutputRow& row_of(Output output);

/// What is counted as it happens, by the light path or the receiver (Counters).
struct EventRow {
  const char *name, *meaning;
};
std::span<const EventRow> event_rows();

}  // namespace cohlink
