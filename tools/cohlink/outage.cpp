// cohlink outage: how often a link fails over random realisations.
#include <algorithm>
#include <atomic>
#include <cmath>
#include <iostream>

#include "rx/quality/metrics.h"
#include "tools/cohlink/command_line.h"
#include "tools/cohlink/commands.h"
#include "tools/cohlink/console.h"
#include "tools/cohlink/refusals.h"
#include "tools/cohlink/resume.h"
#include "tools/study/files/study_file.h"
#include "tools/study/plan/numbers.h"
#include "tools/study/plan/ties.h"
#include "tools/study/run/executor.h"
#include "tools/study/search/outage_report.h"
#include "tools/study/search/rare_outage.h"

namespace cohlink {
namespace {

/// The command that makes the worst capture again.
std::string repeat_command(const CommonOptions& options, const Scenario& scenario,
                           const std::vector<Draw>& draws, const Realisation& worst) {
  std::string text = "cohlink simulate";
  for (const auto& file : options.files) text += " " + shell_quoted(file);
  for (const auto& setting : options.settings) text += " --set " + shell_quoted(setting);
  for (const Tie& tie : scenario.ties())
    if (tie.origin.line == 0) text += " --tie " + shell_quoted(tie.key + "=" + tie.text);
  text += " --seed " + std::to_string(scenario.integer("run.seed")) + " --set fibre.birefringence=redrawn";
  for (std::size_t i = 0; i < draws.size(); ++i)
    text += " --set " + draws[i].key + "=" + exact_decimal(worst.values[i]);
  return text + " --frame " + std::to_string(worst.number) + " -o worst.h5";
}

void tell_rare(const RareOutage& found, const std::vector<Fact>& facts, const Scenario& scenario,
               const CommonOptions& options) {
  const Table strata = strata_table(found);
  if (!options.output.empty()) write_study({"outage", {{"strata", strata}}, facts}, scenario, options.output);
  print(std::cout, {{"strata", strata}}, facts, options.format);
}

}  // namespace

int outage(const Arguments& arguments) {
  CommandLine line(
      "outage SCENARIO... [--draw KEY=LAW] [--criterion ber|ber=B|q_db=Q|snr_db=S|snr_penalty_db=P]",
      "Runs the link over random realisations: birefringence and noise of every frame drawn anew, and any\n"
      "keys that --draw names. Distribution of SNR, Q and SNR penalty; outage probability with its\n"
      "Clopper-Pearson interval; the worst case by the criterion, with the command that repeats it. "
      "Cautions\n"
      "where frames are too short for a BER criterion.");
  namespace po = boost::program_options;
  line.own()("realisations,n", po::value<std::string>()->value_name("N"), "how many; default run.frames")(
      "draw", po::value<std::vector<std::string>>()->composing()->value_name("KEY=LAW"),
      "a:b, log:a:b, normal:mean:deviation, maxwell:mean, choice:v1|v2, or what it follows as in --tie; once "
      "a key; replaces its law in the scenario's [draw] section")(
      "criterion", po::value<std::string>()->value_name("NAME=BOUND"),
      "what must hold; default ber, the FEC threshold")("each", "print the table of realisations alone")(
      "screen", po::value<std::string>()->value_name("N"),
      "for outages too rare to count: draw N realisations, look at their DGD and PDL, and simulate -n of "
      "them, most from the tail")("output,o", po::value<std::string>()->value_name("FILE"),
                                  "write the result as HDF5, for reports");
  if (!line.parse(arguments)) return kDone;
  const CommonOptions& options = line.common();
  Scenario scenario = scenario_to_study(line, "outage");
  const auto laws = take_ties(scenario, line.texts("draw"), "--draw");
  const std::vector<Draw> draws = read_draws(scenario, laws, "--draw");
  for (const Draw& draw : draws)
    if (!draw.numeric) throw InputError("--draw " + draw.key + ": holds no number");
  const Criterion criterion =
      parse_criterion(line.has("criterion") ? line.text("criterion") : "ber", scenario, "--criterion");
  const auto count =
      line.count("realisations", 1).value_or(static_cast<std::uint64_t>(scenario.integer("run.frames")));
  caution_unread(scenario, keys_of(draws));
  constexpr std::uint64_t kMost = 1'000'000;  // all are kept, to be sorted
  if (count > kMost) throw InputError("-n " + std::to_string(count) + ": at most 1,000,000 realisations");
  if (draws.empty() && scenario.number("fibre.pmd_ps_per_sqrt_km") == 0.0 &&
      scenario.number("amplifier.pdl_db") == 0.0)
    note(options.quiet, "no PMD, no PDL and no --draw: only noise and data differ between realisations");

  std::vector<Scenario> drawn{scenario};
  for (std::uint64_t number = 0; number < count && !draws.empty(); ++number)
    drawn.push_back(realisation_scenario(scenario, draws, number));
  FftCache fft(planning_of(scenario));
  const unsigned threads = thread_count(asked_threads(options, scenario), count);
  light_hazard_caution(check_scenarios(drawn, fft, threads));
  set_up_cautions({scenario});
  const auto journal = open_journal(options, study_identity("outage", scenario));
  SourceMaker source = recorded(simulation(fft), journal.get());
  ProgressBar bar(options.quiet);
  std::atomic<std::uint64_t> frames = 0;
  const auto progress = [&] {
    const std::uint64_t done = ++frames;
    bar.show(static_cast<double>(done) / static_cast<double>(count),
             grouped(std::min(done, count)) + " of " + grouped(count) + " realisations");
  };
  source = watched(std::move(source), progress);
  if (const auto screened = line.count("screen", count)) {
    constexpr std::uint64_t kMostScreened = 10'000'000;  // all are kept, to be sorted
    if (*screened > kMostScreened)
      throw InputError("--screen " + std::to_string(*screened) + ": at most 10,000,000 realisations");
    const RareOutage found = find_rare_outage(scenario, screen(scenario, draws, *screened, threads), draws,
                                              criterion, {count, 0.95}, source, threads);
    bar.clear();
    tell_rare(found, rare_facts(found, criterion, draws, *screened), scenario, options);
    end_journal(journal.get());
    return kDone;
  }
  const Outage found = find_outage(scenario, count, draws, criterion, source, threads);
  bar.clear();
  const std::vector<Fact> facts = outage_facts(
      found, criterion, draws, repeat_command(options, scenario, draws, found.realisations[found.worst]));
  const Table quantiles = quantile_table(found), realisations = realisation_table(found, draws);
  if (!options.output.empty())
    write_study({"outage", {{"quantiles", quantiles}, {"realisations", realisations}}, facts}, scenario,
                options.output);
  if (!found.remark.empty()) caution(found.remark);
  if (found.warned > 0) caution(warned_text(found));
  if (line.has("each")) {
    print(std::cout, realisations, options.format);
  } else {
    if (options.format == Format::kText)
      std::cout << "each column by itself: the value that this share of the realisations stays at or below\n";
    print(std::cout, {{"quantiles", quantiles}}, facts, options.format);
  }
  end_journal(journal.get());
  return kDone;
}

}  // namespace cohlink
