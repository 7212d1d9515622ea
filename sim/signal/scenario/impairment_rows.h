// The impairments among the scenario's keys: what perfect hardware would have, and which way each gets worse.
#pragma once

#include <span>
#include <string_view>

namespace cohlink {

/// Which way an impairment gets worse; its end is that of the key's legal range. kAway: with the sign that it
/// has. kSwitch: it is there or not.
enum class Growth { kUp, kDown, kAway, kSwitch };

/// On what scale it grows, so that its headroom is a ratio: of the distance from its ideal value; of a power
/// in decibels; of the rounding step of a converter (a bit is a factor of 2); of one over the value.
enum class GrowthScale { kDifference, kDecibel, kBits, kInverse };

struct Impairment {
  std::string_view key;  // section.name, in the table of keys (scenario.h)
  Growth growth;
  std::string_view ideal;  // what perfect hardware has; "" = the key is absent
  GrowthScale scale;
  double usual;  // common practice: where a search that starts from the ideal value looks first
};

/// In the order of the table of keys.
std::span<const Impairment> impairment_rows();

}  // namespace cohlink
