#include "tools/study/plan/ties.h"

#include <algorithm>

#include "sim/signal/scenario/strings.h"
#include "tools/study/plan/vary.h"

namespace cohlink {

std::vector<std::string> take_ties(Scenario& scenario, const std::vector<std::string>& arguments,
                                   const std::string& origin) {
  std::vector<std::string> others;
  for (const std::string& argument : arguments)
    for (const std::string& text : split_assignments(argument)) {
      const auto equals = text.find('=');
      const std::string key = trim(text.substr(0, equals));
      const std::string value = equals == std::string::npos ? "" : trim(text.substr(equals + 1));
      if (writes_tie(key, value))
        scenario.set("tie." + key, value, origin);
      else
        others.push_back(text);
    }
  return others;
}

BenchStage first_stage(const Scenario& scenario, const std::string& key) {
  BenchStage first = bench_stage(*find_key(key));
  for (const std::string& follower : scenario.followers(key))
    first = std::min(first, bench_stage(*find_key(follower)));
  return first;
}

std::vector<std::string> with_followers(const Scenario& scenario, std::vector<std::string> keys) {
  const std::vector<std::string> first = keys;
  for (const std::string& key : first)
    for (std::string& follower : scenario.followers(key)) keys.push_back(std::move(follower));
  return keys;
}

std::vector<std::string> idle_ties(const Scenario& scenario, const std::vector<std::string>& varied) {
  const std::vector<std::string> moving = with_followers(scenario, varied);
  std::vector<std::string> idle;
  for (const Tie& tie : scenario.ties())
    if (!scenario.is_set(tie.key) && std::find(moving.begin(), moving.end(), tie.key) == moving.end())
      idle.push_back(tie.key + " stays absent, as a key of '" + tie.text + "' is, which it follows");
  return idle;
}

}  // namespace cohlink
