// cohlink qualify: every line of a spec sheet, pass or fail.
#include <algorithm>
#include <iostream>

#include "tools/cohlink/command_line.h"
#include "tools/cohlink/commands.h"
#include "tools/cohlink/console.h"
#include "tools/cohlink/refusals.h"
#include "tools/cohlink/resume.h"
#include "tools/study/files/study_file.h"
#include "tools/study/plan/numbers.h"
#include "tools/study/run/executor.h"
#include "tools/study/search/spec_sheet.h"

namespace cohlink {

namespace {

// The scenario as every requirement sets it.
std::vector<Scenario> set_scenarios(const Scenario& base, const std::vector<SpecLine>& lines) {
  std::vector<Scenario> all{base};
  for (const SpecLine& line : lines) {
    const Scenario set = with_settings(base, line);
    all.push_back(set);
    for (const Axis& axis : line.axes) {
      for (const std::string& value : axis.values) {
        all.push_back(set);
        all.back().set(axis.key, value, "require." + line.name + ".vary");
      }
    }
    if (line.limit_key.empty()) continue;
    for (const double value : {line.from, line.to}) {
      all.push_back(set);
      all.back().set(line.limit_key, short_decimal(value), "require." + line.name + ".vary");
    }
  }
  return all;
}

// Keys that some requirement gives a value of its own.
std::vector<std::string> keys_of(const std::vector<SpecLine>& lines) {
  std::vector<std::string> keys;
  for (const SpecLine& line : lines) {
    for (const auto& [key, value] : line.settings) keys.push_back(key);
    for (const Axis& axis : line.axes) keys.push_back(axis.key);
    if (!line.limit_key.empty()) keys.push_back(line.limit_key);
  }
  return keys;
}

/// All requirements, or those named by --only.
std::vector<SpecLine> chosen_lines(const Scenario& scenario, const std::vector<std::string>& only) {
  auto lines = read_spec_sheet(scenario);
  for (const auto& name : only)
    if (std::none_of(lines.begin(), lines.end(), [&](const SpecLine& l) { return l.name == name; }))
      throw InputError("--only " + name + ": the scenario has no [require." + name + "]");
  if (!only.empty())
    std::erase_if(
        lines, [&](const SpecLine& l) { return std::find(only.begin(), only.end(), l.name) == only.end(); });
  return lines;
}

/// Each requirement, told as it is decided.
std::vector<SpecOutcome> check_all(const std::vector<SpecLine>& lines, const Scenario& scenario,
                                   const SourceMaker& source, unsigned threads, bool quiet) {
  std::vector<SpecOutcome> outcomes;
  for (const auto& requirement : lines) {
    outcomes.push_back(check_spec_line(scenario, requirement, source, threads));
    const SpecOutcome& out = outcomes.back();
    note(quiet, requirement.name + ": " + out.verdict + (out.remark.empty() ? "" : " (" + out.remark + ")"));
  }
  return outcomes;
}

}  // namespace

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
      "output,o", po::value<std::string>()->value_name("FILE"), "write the table as HDF5, for reports");
  if (!line.parse(arguments)) return kDone;
  const CommonOptions& options = line.common();
  const Scenario scenario = scenario_to_study(line, "qualify");
  note_unused_draws(scenario, options.quiet);
  const auto lines = chosen_lines(scenario, line.texts("only"));
  caution_unread(scenario, keys_of(lines));
  set_up_cautions(set_scenarios(scenario, lines));
  FftCache fft(planning_of(scenario));
  const unsigned threads = thread_count(asked_threads(options, scenario),
                                        static_cast<std::size_t>(scenario.integer("run.frames")));
  light_hazard_caution(check_scenarios(set_scenarios(scenario, lines), fft, threads));
  const auto journal = open_journal(options, study_identity("qualify", scenario));
  // Requirements most often share the line: required OSNRs, and keys behind it.
  const auto reuse = std::make_shared<FrameReuse>(search_reuse_rule(scenario, {"channel.osnr_db"}));
  const SourceMaker source = recorded(simulation(fft, reuse), journal.get());
  const auto outcomes = check_all(lines, scenario, source, threads, options.quiet);
  const Table table = spec_table(lines, outcomes);
  if (!options.output.empty())
    write_study({"qualify", {{"requirements", table}}, {}}, scenario, options.output);
  print(std::cout, table, options.format);
  end_journal(journal.get());
  const bool passed = std::all_of(outcomes.begin(), outcomes.end(),
                                  [](const SpecOutcome& out) { return out.verdict == "pass"; });
  return passed ? kDone : kRequirementFailed;
}

}  // namespace cohlink
