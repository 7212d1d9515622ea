// Parts of a data set that are kept apart: to train on, to choose by, to test with.
#pragma once

#include <cstdint>
#include <string>
#include <vector>

namespace cohlink {

struct Split {
  std::string name;
  double share = 0;  // of the items
};

/// "train:0.8,validation:0.1,test:0.1": names of letters, digits, - and _, each once, shares above 0 that add
/// up to 1; "" is none. InputError else.
std::vector<Split> parse_splits(const std::string& text);

/// As parse_splits reads it.
std::string split_text(const std::vector<Split>& splits);

/// Where item `number` goes: drawn for itself from the seed, so that a larger set leaves every item where it
/// was, and the shares are those of a draw and not exact. "" without splits.
std::string split_of(const std::vector<Split>& splits, std::uint64_t seed, std::uint64_t number);

}  // namespace cohlink
