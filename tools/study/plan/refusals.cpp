#include "tools/study/plan/refusals.h"

#include "tools/study/plan/numbers.h"

namespace cohlink {

void refuse_recording(const Scenario& scenario) {
  for (const char* key : {"trace.file", "trace.lane_files"})
    if (scenario.is_given(key))
      scenario.reject(key, "makes this the description of a recording; only receive takes it");
}

std::vector<std::string> keys_of(const std::vector<Draw>& draws) {
  std::vector<std::string> keys;
  for (const Draw& draw : draws) keys.push_back(draw.key);
  return keys;
}

void refuse_sparse_samples(double sample_rate, const Scenario& scenario, const std::string& name) {
  const double symbol_rate = scenario.number("signal.symbol_rate_gbd") * 1e9;
  if (sample_rate >= symbol_rate) return;
  throw InputError(name, readable(sample_rate / 1e9, 4) + " GSa/s are less than a sample a symbol at " +
                             readable(symbol_rate / 1e9, 4) + " GBd (signal.symbol_rate_gbd)");
}

void refuse_untouched_draws(const std::vector<Draw>& draws) {
  for (const Draw& draw : draws) {
    const ScenarioKey& key = *find_key(draw.key);
    const BenchStage stage = bench_stage(key);
    if (stage == BenchStage::kReceiver || stage == BenchStage::kStudy || key.section == "trace" ||
        key.section == "cost" || draw.key == "run.seed")
      throw InputError("draw " + draw.key,
                       "captures do not depend on it; its label would say what did not happen");
  }
}

void refuse_varied_osnr(const std::string& key, const std::string& measure, const std::string& origin) {
  if (key != "channel.osnr_db") return;
  throw InputError(
      origin.empty() ? "" : origin + " " + key, origin.empty() ? key : "",
      measure + " is found by a search over this very key, which would override it; vary another key");
}

}  // namespace cohlink
