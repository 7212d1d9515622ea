// What studies must know of keys that move together (the scenario's [tie] section).
#pragma once

#include <string>
#include <vector>

#include "sim/signal/scenario/scenario.h"

namespace cohlink {

/// Ties, in `scenario`, what arguments such as "laser_lo.linewidth_khz=transmitter.laser_linewidth_khz" tie
/// (parse_tie), and returns the other arguments, several parted by commas taken apart. Messages begin with
/// `origin`.
std::vector<std::string> take_ties(Scenario& scenario, const std::vector<std::string>& arguments,
                                   const std::string& origin);

/// The first stage of the bench that meets a key or what follows it.
BenchStage first_stage(const Scenario& scenario, const std::string& key);

/// `keys`, and what follows them.
std::vector<std::string> with_followers(const Scenario& scenario, std::vector<std::string> keys);

/// A sentence on every tie that says nothing because a key that it names is absent; those that follow a
/// `varied` key are left out.
std::vector<std::string> idle_ties(const Scenario& scenario, const std::vector<std::string>& varied);

}  // namespace cohlink
