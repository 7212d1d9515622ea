// cohlink outage: how often a link fails over random realisations.
#include <algorithm>
#include <atomic>
#include <cmath>
#include <functional>
#include <iostream>
#include <optional>

#include "rx/quality/metrics.h"
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
#include "tools/study/plan/ties.h"
#include "tools/study/run/executor.h"
#include "tools/study/run/rank_frames.h"
#include "tools/study/run/record.h"
#include "tools/study/search/outage_report.h"
#include "tools/study/search/rare_outage.h"

namespace cohlink {
namespace {

/// The command that makes a realisation's capture again, but for what was drawn.
std::string repeat_command(const CommonOptions& options, const Scenario& scenario) {
  std::string text = "cohlink simulate";
  for (const auto& file : options.files) text += " " + shell_quoted(file);
  for (const auto& setting : options.settings) text += " --set " + shell_quoted(setting);
  for (const Tie& tie : scenario.ties())
    if (tie.origin.line == 0) text += " --tie " + shell_quoted(tie.key + "=" + tie.text);
  return text + " --seed " + std::to_string(scenario.integer("run.seed")) +
         " --set fibre.birefringence=redrawn";
}

/// That of the worst.
std::string worst_again(const std::string& repeat, const std::vector<Draw>& draws, const Realisation& worst) {
  std::string text = repeat;
  for (std::size_t i = 0; i < draws.size(); ++i)
    text += " --set " + draws[i].key + "=" + exact_decimal(worst.values[i]);
  return text + " --frame " + std::to_string(worst.number) + " -o worst.h5";
}

constexpr std::uint64_t kMost = 1'000'000;  // realisations: all are kept, to be sorted

/// What is asked, and over how many realisations.
struct Order {
  OutageQuestion of;
  std::uint64_t count = 0;
  std::optional<std::uint64_t> screened;  // of which `count` are simulated
  std::optional<Part> part = {};
  std::string must_hold;  // the criterion as it was given
  std::string repeat;     // repeat_command
};

void declare_options(CommandLine& line) {
  namespace po = boost::program_options;
  line.own()("realisations,n", po::value<std::string>()->value_name("N"), "how many; default run.frames")(
      "draw", po::value<std::vector<std::string>>()->composing()->value_name("KEY=LAW"),
      "a:b, log:a:b, normal:mean:deviation, maxwell:mean, choice:v1|v2, or what it follows as in --tie; once "
      "a key; replaces its law in the scenario's [draw] section")(
      "criterion", po::value<std::string>()->value_name("NAME=BOUND"),
      "what must hold; default fec, the threshold of the verdict")("each",
                                                                   "print the table of realisations alone")(
      "screen", po::value<std::string>()->value_name("N"),
      "for outages too rare to count: draw N realisations, look at their DGD and PDL, and simulate -n of "
      "them, most from the tail")(
      "part", po::value<std::string>()->value_name("k/n"),
      "only the k-th of n parts of the realisations, for batch systems; 'cohlink merge' joins them")(
      "output,o", po::value<std::string>()->value_name("FILE"), "write the result as HDF5, for reports");
}

void read_counts(const CommandLine& line, Order& order) {
  constexpr std::uint64_t kMostScreened = 10'000'000;
  order.count = line.count("realisations", 1)
                    .value_or(static_cast<std::uint64_t>(order.of.scenario.integer("run.frames")));
  if (order.count > kMost)
    throw InputError("-n " + std::to_string(order.count) + ": at most 1,000,000 realisations");
  order.screened = line.count("screen", order.count);
  if (order.screened.value_or(0) > kMostScreened)
    throw InputError("--screen " + std::to_string(*order.screened) + ": at most 10,000,000 realisations");
}

Order read_order(const CommandLine& line) {
  Order order;
  auto& [scenario, draws, criterion] = order.of;
  scenario = scenario_to_study(line, "outage");
  const auto laws = take_ties(scenario, line.texts("draw"), "--draw");
  draws = read_draws(scenario, laws, "--draw");
  for (const Draw& draw : draws)
    if (!draw.numeric) throw InputError("--draw " + draw.key + ": holds no number");
  order.must_hold = line.has("criterion") ? line.text("criterion") : "fec";
  criterion = parse_criterion(order.must_hold, scenario, "--criterion");
  read_counts(line, order);
  order.part = asked_part(line, {"screen", "each"});
  order.repeat = repeat_command(line.common(), scenario);
  if (!world().leads()) return order;
  caution_unread(scenario, keys_of(draws));
  if (draws.empty() && scenario.number("fibre.pmd_ps_per_sqrt_km") == 0.0 &&
      scenario.number("amplifier.pdl_db") == 0.0)
    note(line.common().quiet,
         "no PMD, no PDL and no --draw: only noise and data differ between realisations");
  return order;
}

/// The scenario as it stands, and as every realisation draws it.
std::vector<Scenario> drawn_scenarios(const Order& order) {
  std::vector<Scenario> drawn{order.of.scenario};
  for (std::uint64_t number = 0; number < order.count && !order.of.draws.empty(); ++number)
    drawn.push_back(realisation_scenario(order.of.scenario, order.of.draws, number));
  return drawn;
}

void tell_rare(const RareOutage& found, const Order& order, const CommonOptions& options) {
  const Table strata = strata_table(found);
  const auto facts = rare_facts(found, order.of.criterion, order.of.draws, *order.screened);
  if (!options.output.empty())
    write_study({"outage", {{"strata", strata}}, facts}, order.of.scenario, options.output);
  print(std::cout, {{"strata", strata}}, facts, options.format);
}

void tell(const Outage& found, const Order& order, const CommandLine& line) {
  const CommonOptions& options = line.common();
  const auto& [scenario, draws, criterion] = order.of;
  const std::vector<Fact> facts = outage_facts(
      found, criterion, draws, worst_again(order.repeat, draws, found.realisations[found.worst]));
  const Table quantiles = quantile_table(found), realisations = realisation_table(found, draws);
  if (!options.output.empty())
    write_study({"outage", {{"quantiles", quantiles}, {"realisations", realisations}}, facts}, scenario,
                options.output);
  if (!found.remark.empty()) caution(found.remark);
  if (found.warned > 0) caution(warned_text(found));
  if (line.has("each")) return print(std::cout, realisations, options.format);
  if (options.format == Format::kText)
    std::cout << "each column by itself: the value that this share of the realisations stays at or below\n";
  print(std::cout, {{"quantiles", quantiles}}, facts, options.format);
}

PartedStudy parted(const Order& order) {
  std::string laws;
  for (const Draw& draw : order.of.draws) laws += draw.key + "=" + draw_text(draw) + "\n";
  return {"outage",
          order.of.scenario,
          {{"scenario", order.of.scenario.resolved()},
           {"draws", laws},
           {"criterion", order.must_hold},
           {"realisations", std::to_string(order.count)},
           {"repeat", order.repeat}},
          order.part};
}

Order order_from(const MergedFrames& merged) {
  Order order;
  order.of.scenario.read_text(merged.asked("scenario"), merged.path + ":/question/scenario");
  order.of.draws = read_draws(order.of.scenario, lines_of(merged.asked("draws")), merged.path);
  order.must_hold = merged.asked("criterion");
  order.of.criterion = parse_criterion(order.must_hold, order.of.scenario, merged.path);
  const auto count = parse_number(merged.asked("realisations"));
  if (!count || *count < 1.0 || *count > static_cast<double>(kMost))
    throw InputError(merged.path, "data set /question/realisations holds no number of them");
  order.count = static_cast<std::uint64_t>(*count);
  order.repeat = merged.asked("repeat");
  return order;
}

std::vector<std::uint64_t> realisations_of_part(const Order& order) {
  std::vector<std::uint64_t> numbers;
  for (std::uint64_t i = 0; i < order.count; ++i)
    if (!order.part || is_of_part(i, *order.part)) numbers.push_back(i);
  return numbers;
}

/// Frames as they are counted, shown on a bar.
class ShownFrames {
 public:
  ShownFrames(std::uint64_t all, bool quiet) : bar_(quiet), all_(all) {}
  SourceMaker of(SourceMaker source) {
    return watched(std::move(source), [this] {
      const std::uint64_t done = ++done_;
      bar_.show(static_cast<double>(done) / static_cast<double>(all_),
                grouped(std::min(done, all_)) + " of " + grouped(all_) + " realisations");
    });
  }
  void end() { bar_.clear(); }

 private:
  ProgressBar bar_;
  std::uint64_t all_;
  std::atomic<std::uint64_t> done_ = 0;
};

/// What the rank does that asks, counts and prints.
void lead(const Order& order, const SourceMaker& simulated, const FftCache& fft, unsigned threads,
          const CommandLine& line) {
  const CommonOptions& options = line.common();
  const Scenario& scenario = order.of.scenario;
  light_hazard_caution(check_scenarios(drawn_scenarios(order), fft, threads));
  set_up_cautions({scenario});
  const auto journal = open_journal(options, journal_identity(parted(order)));
  FrameLog log;
  const std::vector<std::uint64_t> numbers = realisations_of_part(order);
  ShownFrames shown(numbers.size(), options.quiet);
  std::function<void()> tell_found;
  const auto study = [&](const FrameWork& work) {
    const SourceMaker source = shown.of(recorded(work.source, journal.get()));
    if (order.part) {
      count_realisations(order.of, numbers, logged(source, log), work.threads);
      tell_found = [&] {
        write_frames_part(parted(order), log.records(), arithmetic_of(fft), options.output);
        note_part(options, *order.part);
      };
    } else if (order.screened) {
      const auto screened = screen(scenario, order.of.draws, *order.screened, threads);
      const RareOutage found =
          find_rare_outage(order.of, screened, {order.count, 0.95}, source, work.threads);
      tell_found = [=, &order, &options] { tell_rare(found, order, options); };
    } else {
      const Outage found = find_outage(order.of, order.count, source, work.threads);
      tell_found = [=, &order, &line] { tell(found, order, line); };
    }
  };
  share_frames(simulated, fft, threads, study, [&](const std::string& text) { note(options.quiet, text); });
  shown.end();
  tell_found();
  end_journal(journal.get());
}

}  // namespace

int merge_outage_parts(const CommandLine& line) {
  const MergedFrames merged = merge_frames("outage", line.common().files);
  if (!merged.remark.empty()) caution(merged.remark);
  const Order order = order_from(merged);
  FftCache fft(planning_of(order.of.scenario));
  const SourceMaker source = known_from(merged.records, simulation(fft));
  const unsigned threads = thread_count(asked_threads(line.common(), order.of.scenario), order.count);
  tell(find_outage(order.of, order.count, source, threads), order, line);
  return kDone;
}

int outage(const Arguments& arguments) {
  CommandLine line(
      "outage SCENARIO... [--draw KEY=LAW] [--criterion fec|ber=B|ngmi=I|q_db=Q|snr_db=S|snr_penalty_db=P]",
      "Runs the link over random realisations: birefringence and noise of every frame drawn anew, and any\n"
      "keys that --draw names. Distribution of SNR, Q and SNR penalty; outage probability with its\n"
      "Clopper-Pearson interval; the worst case by the criterion, with the command that repeats it. "
      "Cautions\n"
      "where frames are too short for a BER criterion.");
  declare_options(line);
  if (!line.parse(arguments)) return kDone;
  const Order order = read_order(line);
  FftCache fft(planning_of(order.of.scenario));
  const unsigned threads = threads_of_rank(asked_threads(line.common(), order.of.scenario), order.count);
  const SourceMaker simulated = simulation(fft);
  if (world().leads())
    lead(order, simulated, fft, threads, line);
  else
    follow_frames(simulated, fft, threads);
  return kDone;
}

}  // namespace cohlink
