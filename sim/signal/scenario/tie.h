// Keys that move together: one follows others by an arithmetic expression of theirs.
#pragma once

#include <string>
#include <string_view>
#include <vector>

#include "sim/signal/scenario/errors.h"

namespace cohlink {

/// factor x the keys in `times` / the keys in `over`, in the units of the keys.
struct TieTerm {
  double factor = 1;
  std::vector<std::string> times, over;
};

/// `key` is the sum of the terms.
struct Tie {
  std::string key, text;  // as written: "0.5 * transmitter.laser_linewidth_khz + 3"
  Origin origin;
  std::vector<TieTerm> terms;

  bool names(const std::string& other) const;
};

/// The sum of products that `text` writes: numbers and keys that hold numbers, joined by + - * and /; at
/// least one key. InputError, naming `key` and the term, for anything else and for a key that holds no
/// number.
Tie parse_tie(const std::string& key, const std::string& text, const Origin& origin);

/// Whether `text` is meant as an expression of other keys rather than as a value or a law of `key`.
bool writes_tie(std::string_view key, const std::string& text);

}  // namespace cohlink
