// Variants of a chain: what becomes of the signal when a block is missing.
#pragma once

#include <string>
#include <vector>

namespace cohlink {

struct ChainVariant {
  std::string without;             // the block left out, as people call it
  std::vector<std::string> chain;  // without it
  std::string refusal;             // why that chain cannot work; "" when it can
};

/// The chain with each block left out in turn. The block that brings the signal to one sample a symbol cannot
/// be missing, but decimate can stand in for the equaliser: that variant follows.
std::vector<ChainVariant> knock_outs(const std::vector<std::string>& chain);

}  // namespace cohlink
