// What a sweep varies: one axis per key.
#pragma once

#include <string>
#include <vector>

#include "sim/signal/scenario/scenario.h"

namespace cohlink {

/// One dimension of a sweep: a key, or several that move together.
struct Axis {
  std::string key;  // full name, "channel.osnr_db"; of several, "signal.modulation+signal.symbol_rate_gbd"
  std::vector<std::string>
      values;            // as the scenario would spell them, in the order given; of several keys, "qpsk:124"
  bool numeric = false;  // one key, which holds a number or an integer
  std::string origin;    // what messages about it begin with, "--vary"; "" = nothing

  std::vector<std::string> keys() const;
  /// Gives `scenario` one of the values. InputError for what a key does not accept.
  void set(Scenario& scenario, const std::string& value, const Origin& where) const;

  /// The values as numbers; NaN for an axis that is not numeric.
  std::vector<double> numbers() const;
};

inline constexpr std::size_t kMaximumAxes = 3;
inline constexpr std::size_t kMaximumAxisValues = 1'000'000;

/// "KEY=...,KEY=...": a comma parts two only where a new "section.key=" follows it, so that list values may
/// hold commas.
std::vector<std::string> split_assignments(const std::string& text);

/// Reads "KEY=a:step:b" (both ends included; the step may be negative, and a whole number of them leads to
/// b), "KEY=v1|v2|v3", "KEY+KEY=v:w|v:w" of keys that move together (where an empty one leaves its key
/// absent) and several of them parted by commas, from all arguments in order. Values are not yet checked
/// against a key's range. Throws InputError, beginning with `origin`, for an unknown or repeated key, a step
/// that does not lead from a to b, an empty or repeated value, no axis, or more than three.
std::vector<Axis> parse_vary(const std::vector<std::string>& arguments, const std::string& origin = "");

/// Whether the name of an axis is that of several keys that move together.
bool moves_together(const std::string& axis);

/// All keys of the axes.
std::vector<std::string> varied_keys(const std::vector<Axis>& axes);

}  // namespace cohlink
