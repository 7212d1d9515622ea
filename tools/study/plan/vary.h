// What a sweep varies: one axis per key.
#pragma once

#include <string>
#include <vector>

namespace cohlink {

/// One dimension of a sweep.
struct Axis {
  std::string key;                  // full name, "channel.osnr_db"
  std::vector<std::string> values;  // as the scenario would spell them, in the order given
  bool numeric = false;             // the key holds a number or an integer
  std::string origin;               // what messages about it begin with, "--vary"; "" = nothing

  /// The values as numbers; NaN for an axis that is not numeric.
  std::vector<double> numbers() const;
};

inline constexpr std::size_t kMaximumAxes = 3;
inline constexpr std::size_t kMaximumAxisValues = 1'000'000;

/// "KEY=...,KEY=...": a comma parts two only where a new "section.key=" follows it, so that list values may
/// hold commas.
std::vector<std::string> split_assignments(const std::string& text);

/// Reads "KEY=a:step:b" (both ends included; the step may be negative, and a whole number of them leads to
/// b), "KEY=v1|v2|v3" and several of them parted by commas, from all arguments in order. Values
/// are not yet checked against a key's range. Throws InputError, beginning with `origin`, for an unknown or
/// repeated key, a step that does not lead from a to b, an empty or repeated value, no axis, or more than
/// three.
std::vector<Axis> parse_vary(const std::vector<std::string>& arguments, const std::string& origin = "");

}  // namespace cohlink
