#include "tools/cohlink/refusals.h"

#include "tools/cohlink/console.h"
#include "tools/study/cautions.h"
#include "tools/study/plan/ties.h"

namespace cohlink {

void caution_unread(const Scenario& scenario, const std::vector<std::string>& varied) {
  const auto moving = with_followers(scenario, varied);
  if (const auto text = unread_caution(scenario, moving)) caution(*text);
  for (const std::string& text : idle_ties(scenario, varied)) caution(text);
}

Scenario scenario_to_study(const CommandLine& line, const std::string& command) {
  const CommonOptions& options = line.common();
  if (options.files.empty()) throw InputError(command + " needs a scenario file");
  check_output(options.output, options.files);
  Scenario scenario = layered(Scenario(), options.files, options);
  refuse_recording(scenario);
  return scenario;
}

void note_unused_draws(const Scenario& scenario, bool quiet) {
  if (scenario.draws().empty()) return;
  note(quiet, "[draw] is for dataset and outage; here " + scenario.draws().front().key +
                  (scenario.draws().size() > 1 ? " and the others stay" : " stays") +
                  " as the scenario has it elsewhere");
}

}  // namespace cohlink
