// The commands of cohlink, one file each.
#pragma once

#include <string>
#include <vector>

namespace cohlink {

/// Exit statuses, the same for every command.
inline constexpr int kDone = 0, kRequirementFailed = 1, kBadInput = 2, kRunFailed = 3;

using Arguments = std::vector<std::string>;

// Each takes what follows its name and returns the exit status; InputError and RunError pass through.
int simulate(const Arguments& arguments);
int receive(const Arguments& arguments);
int score(const Arguments& arguments);
int sweep(const Arguments& arguments);
int merge(const Arguments& arguments);
int keys(const Arguments& arguments);
int inspect(const Arguments& arguments);
int budget(const Arguments& arguments);
int limit(const Arguments& arguments);
int margins(const Arguments& arguments);
int economise(const Arguments& arguments);
int outage(const Arguments& arguments);
int qualify(const Arguments& arguments);
int report(const Arguments& arguments);
int dataset(const Arguments& arguments);
int live_bench(const Arguments& arguments);

}  // namespace cohlink
