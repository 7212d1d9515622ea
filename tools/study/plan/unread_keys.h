// Keys that are legal and say nothing, because another key has made them idle.
#pragma once

#include <span>
#include <string>
#include <string_view>
#include <vector>

#include "sim/signal/scenario/scenario.h"

namespace cohlink {

/// `key` is read only where `decider` is one of `values` ("iq|ideal"); "*" stands for any value that is there
/// and is neither 0 nor false.
struct KeyUse {
  std::string_view key, decider, values;
};
std::span<const KeyUse> key_uses();

/// "section.key (needs section.other = a|b)" of every key that was given, off its default, and is not read in
/// this scenario. Keys whose decider is among `varied` are left out: it holds elsewhere.
std::vector<std::string> unread_keys(const Scenario& scenario, const std::vector<std::string>& varied = {});

}  // namespace cohlink
