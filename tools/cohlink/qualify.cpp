// cohlink qualify: every requirement of a spec sheet, pass or fail.
#include <algorithm>
#include <iostream>
#include <optional>

#include "tools/cohlink/command_line.h"
#include "tools/cohlink/commands.h"
#include "tools/cohlink/console.h"
#include "tools/cohlink/merged.h"
#include "tools/cohlink/refusals.h"
#include "tools/cohlink/resume.h"
#include "tools/study/files/study_file.h"
#include "tools/study/parts/frames_part.h"
#include "tools/study/parts/ranks.h"
#include "tools/study/plan/arithmetic.h"
#include "tools/study/plan/numbers.h"
#include "tools/study/run/executor.h"
#include "tools/study/run/rank_frames.h"
#include "tools/study/run/record.h"
#include "tools/study/search/spec_sheet.h"

namespace cohlink {

namespace {

// The scenario as every requirement sets it.
std::vector<Scenario> set_scenarios(const Scenario& base, const std::vector<Requirement>& requirements) {
  std::vector<Scenario> all{base};
  for (const Requirement& requirement : requirements) {
    const Scenario set = with_settings(base, requirement);
    all.push_back(set);
    for (const Axis& axis : requirement.axes) {
      for (const std::string& value : axis.values) {
        all.push_back(set);
        axis.set(all.back(), value, "require." + requirement.name + ".vary");
      }
    }
    if (requirement.limit_key.empty()) continue;
    for (const double value : {requirement.from, requirement.to}) {
      all.push_back(set);
      all.back().set(requirement.limit_key, short_decimal(value), "require." + requirement.name + ".vary");
    }
  }
  return all;
}

// Keys that some requirement gives a value of its own.
std::vector<std::string> keys_of(const std::vector<Requirement>& requirements) {
  std::vector<std::string> keys;
  for (const Requirement& requirement : requirements) {
    for (const auto& [key, value] : requirement.settings) keys.push_back(key);
    for (std::string& key : varied_keys(requirement.axes)) keys.push_back(std::move(key));
    if (!requirement.limit_key.empty()) keys.push_back(requirement.limit_key);
  }
  return keys;
}

/// All requirements, or those named by --only.
std::vector<Requirement> chosen_requirements(const Scenario& scenario, const std::vector<std::string>& only) {
  auto requirements = read_spec_sheet(scenario);
  for (const auto& name : only)
    if (std::none_of(requirements.begin(), requirements.end(),
                     [&](const Requirement& l) { return l.name == name; }))
      throw InputError("--only " + name + ": the scenario has no [require." + name + "]");
  if (!only.empty())
    std::erase_if(requirements, [&](const Requirement& l) {
      return std::find(only.begin(), only.end(), l.name) == only.end();
    });
  return requirements;
}

/// Each requirement, told as it is decided.
std::vector<RequirementOutcome> check_all(const std::vector<Requirement>& requirements,
                                          const Scenario& scenario, const SourceMaker& source,
                                          unsigned threads, bool quiet) {
  std::vector<RequirementOutcome> outcomes;
  for (const auto& requirement : requirements) {
    outcomes.push_back(check_requirement(scenario, requirement, source, threads));
    const RequirementOutcome& out = outcomes.back();
    note(quiet, requirement.name + ": " + out.verdict + (out.remark.empty() ? "" : " (" + out.remark + ")"));
  }
  return outcomes;
}

struct Order {
  const Scenario& scenario;
  const std::vector<Requirement>& requirements;
  std::optional<Part> part = {};
};

PartedStudy parted(const Order& order) {
  std::string names;
  for (const Requirement& requirement : order.requirements) names += requirement.name + "\n";
  return {"qualify",
          order.scenario,
          {{"scenario", order.scenario.resolved()}, {"requirements", names}},
          order.part};
}

std::vector<Requirement> of_part(const Order& order) {
  std::vector<Requirement> mine;
  for (std::size_t i = 0; i < order.requirements.size(); ++i)
    if (!order.part || is_of_part(i, *order.part)) mine.push_back(order.requirements[i]);
  return mine;
}

/// Prints and writes what was found; the exit status.
int show(const Order& order, const std::vector<RequirementOutcome>& outcomes, const CommonOptions& options) {
  const Table table = spec_table(order.requirements, outcomes);
  if (!options.output.empty())
    write_study({"qualify", {{"requirements", table}}, {}}, order.scenario, options.output);
  print(std::cout, table, options.format);
  const bool passed = std::all_of(outcomes.begin(), outcomes.end(),
                                  [](const RequirementOutcome& out) { return out.verdict == "pass"; });
  return passed ? kDone : kRequirementFailed;
}

/// What the rank does that checks and prints.
int lead(const Order& order, const SourceMaker& simulated, const FftCache& fft, unsigned threads,
         const CommandLine& line) {
  const auto& [scenario, requirements, part] = order;
  const CommonOptions& options = line.common();
  note_unused_draws(scenario, options.quiet);
  caution_unread(scenario, keys_of(requirements));
  set_up_cautions(set_scenarios(scenario, requirements));
  light_hazard_caution(check_scenarios(set_scenarios(scenario, requirements), fft, threads));
  const auto journal = open_journal(options, journal_identity(parted(order)));
  std::vector<RequirementOutcome> outcomes;
  FrameLog log;
  const auto study = [&](const FrameWork& work) {
    const SourceMaker source = recorded(work.source, journal.get());
    outcomes = check_all(of_part(order), order.scenario, order.part ? logged(source, log) : source,
                         work.threads, options.quiet);
  };
  share_frames(simulated, fft, threads, study, [&](const std::string& text) { note(options.quiet, text); });
  if (part) {
    write_frames_part(parted(order), log.records(), arithmetic_of(fft), options.output);
    note_part(options, *part);
  }
  const int status = part ? kDone : show(order, outcomes, options);
  end_journal(journal.get());
  return status;
}

}  // namespace

int merge_qualify_parts(const CommandLine& line) {
  const CommonOptions& options = line.common();
  const MergedFrames merged = merge_frames("qualify", options.files);
  if (!merged.remark.empty()) caution(merged.remark);
  Scenario scenario;
  scenario.read_text(merged.asked("scenario"), merged.path + ":/question/scenario");
  const auto requirements = chosen_requirements(scenario, lines_of(merged.asked("requirements")));
  FftCache fft(planning_of(scenario));
  const SourceMaker source = known_from(merged.records, simulation(fft));
  const unsigned threads = thread_count(asked_threads(options, scenario),
                                        static_cast<std::size_t>(scenario.integer("run.frames")));
  const auto outcomes = check_all(requirements, scenario, source, threads, options.quiet);
  return show({scenario, requirements}, outcomes, options);
}

int qualify(const Arguments& arguments) {
  CommandLine line(
      "qualify SCENARIO...",
      "Checks every [require.NAME] section of the scenario: a key at its extreme or swept, a measured\n"
      "quantity, a bound. Prints pass, fail or undecided with the margin and, in the column remark, why.\n"
      "Exit status 0 when all pass, 1 when any fails or stays undecided.\n"
      "Each point is counted until its 95 % interval leaves the bound out, at most run.frames frames.");
  namespace po = boost::program_options;
  line.own()("only", po::value<std::vector<std::string>>()->composing()->value_name("NAME"),
             "check this requirement alone; may be repeated")(
      "part", po::value<std::string>()->value_name("k/n"),
      "only every n-th requirement, from the k-th, for batch systems; 'cohlink merge' joins them")(
      "output,o", po::value<std::string>()->value_name("FILE"), "write the table as HDF5, for reports");
  if (!line.parse(arguments)) return kDone;
  const Scenario scenario = scenario_to_study(line, "qualify");
  const auto requirements = chosen_requirements(scenario, line.texts("only"));
  const std::optional<Part> part = asked_part(line);
  FftCache fft(planning_of(scenario));
  const unsigned threads = threads_of_rank(asked_threads(line.common(), scenario),
                                           static_cast<std::size_t>(scenario.integer("run.frames")));
  // Requirements most often share the line: required OSNRs, and keys behind it.
  const auto reuse = std::make_shared<FrameReuse>(search_reuse_rule(scenario, {"channel.osnr_db"}));
  const SourceMaker simulated = simulation(fft, reuse);
  if (world().leads()) return lead({scenario, requirements, part}, simulated, fft, threads, line);
  follow_frames(simulated, fft, threads);
  return kDone;
}

}  // namespace cohlink
