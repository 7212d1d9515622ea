// cohlink margins: what breaks a link first.
#include "tools/study/search/margins.h"

#include <algorithm>
#include <iostream>

#include "sim/link_setup.h"
#include "tools/cohlink/command_line.h"
#include "tools/cohlink/commands.h"
#include "tools/cohlink/console.h"
#include "tools/cohlink/refusals.h"
#include "tools/cohlink/resume.h"
#include "tools/study/files/study_file.h"
#include "tools/study/parts/ranks.h"
#include "tools/study/plan/arithmetic.h"
#include "tools/study/plan/numbers.h"
#include "tools/study/run/executor.h"
#include "tools/study/search/quick_margins.h"

namespace cohlink {
namespace {

constexpr std::uint64_t kFewestFrames = 6;

std::string criterion_text(const CommandLine& line) {
  return line.has("criterion") ? line.text("criterion") : "ber";
}

MarginsOrder read_order(const CommandLine& line) {
  const CommonOptions& options = line.common();
  if (options.files.empty()) throw InputError("margins needs a scenario file");
  check_output(options.output, options.files);
  MarginsOrder order;
  order.scenario = layered(Scenario(), options.files, options);
  refuse_recording(order.scenario);
  order.all = line.has("all");
  order.quick = line.has("quick");
  if (order.quick) line.refuse({"pairs"}, "closed forms of the budget add noise: no two interact");
  order.criterion = parse_criterion(criterion_text(line), order.scenario, "--criterion");
  if (line.has("resolution")) {
    const auto percent = parse_number(line.text("resolution"));
    if (!percent || *percent <= 0.0 || *percent > 50.0)
      throw InputError("--resolution " + line.text("resolution") + ": expected a percentage up to 50");
    order.resolution = *percent / 100.0;
  }
  order.frames = std::max(kFewestFrames, static_cast<std::uint64_t>(order.scenario.integer("run.frames")));
  if (world().leads()) note_unused_draws(order.scenario, options.quiet);
  return order;
}

RunIdentity identity_of(const MarginsOrder& order) {
  RunIdentity identity = study_identity("margins", order.scenario);
  identity.emplace_back("--criterion", order.criterion.text());
  identity.emplace_back("--resolution", exact_decimal(order.resolution));
  identity.emplace_back("--all", order.all ? "yes" : "no");
  return identity;
}

/// Everything that impairments act on is worth keeping.
std::shared_ptr<FrameReuse> reuse_of(const MarginsPlan& plan) {
  std::vector<std::string> keys;
  for (const ScenarioImpairment& impairment : plan.impairments) keys.push_back(impairment.name());
  ReuseRule rule = search_reuse_rule(plan.order.scenario, keys);
  rule.drop_oldest = true;
  return std::make_shared<FrameReuse>(rule);
}

unsigned threads_of(const CommonOptions& options, const MarginsPlan& plan) {
  const std::int64_t asked = asked_threads(options, plan.order.scenario);
  return thread_count(world().size > 1 && asked == 0 ? 1 : asked, plan.tasks());
}

FarmResult run_plan(const MarginsPlan& plan, const FftCache& fft, const CommonOptions& options,
                    Journal* journal) {
  const TaskFarm farm = margin_tasks(plan, simulation(fft, reuse_of(plan)));
  FarmOptions how;
  how.threads = threads_of(options, plan);
  how.journal = journal;
  how.last_words = arithmetic_of(fft);
  ProgressBar bar(options.quiet || !world().leads());
  how.progress = [&](std::size_t done, std::size_t of) {
    bar.show(static_cast<double>(done) / static_cast<double>(of),
             std::to_string(done) + " of " + std::to_string(of) + " pieces");
  };
  FarmResult result = run_tasks(farm, how);
  for (const std::string& other : result.last_words)
    if (const auto what = unlike_arithmetic(how.last_words, other); !what.empty()) {
      note(options.quiet, arithmetic_remark("the ranks", what));
      break;
    }
  return result;
}

void show(const MarginsPlan& plan, const Margins& margins, const CommandLine& line) {
  const CommonOptions& options = line.common();
  const Table impairments = impairment_table(margins);
  const std::vector<Fact> facts = margin_facts(plan, margins);
  if (!options.output.empty())
    write_study({"margins", {{"impairments", impairments}, {"pairs", pair_table(margins)}}, facts},
                plan.order.scenario, options.output);
  if (line.has("pairs")) return print(std::cout, pair_table(margins), options.format);
  if (options.format == Format::kCsv || options.format == Format::kMarkdown)
    return print(std::cout, impairments, options.format);
  std::vector<NamedTable> tables = {{"impairments", impairments}};
  const Table pairs = pair_table(margins, options.format == Format::kText);
  if (pairs.rows() > 0) tables.emplace_back("pairs", pairs);
  print(std::cout, tables, facts, options.format);
}

bool fails_now(const Margins& margins) {
  const GrowthState state = margins.impairments.front().growth.state;
  return state == GrowthState::kFailsNow || state == GrowthState::kFailsAnyway;
}

/// The same questions by closed forms, marked as such.
int show_quick(const MarginsPlan& plan, const CommandLine& line) {
  leave_ranks();
  if (!world().leads()) return kDone;
  const Margins found = quick_margins(plan);
  show(plan, found, line);
  return fails_now(found) ? kRequirementFailed : kDone;
}

/// Simulates what is asked, or helps the rank that does.
int simulate_margins(const MarginsOrder& order, const MarginsPlan& plan, FftCache& fft,
                     const CommandLine& line) {
  const CommonOptions& options = line.common();
  if (!world().leads()) {
    if (all_go_on(true)) run_plan(plan, fft, options, nullptr);
    return kDone;
  }
  caution_unread(order.scenario, {});
  light_hazard_caution({order.scenario});
  set_up_cautions({order.scenario});
  const auto journal = open_journal(options, identity_of(order));
  if (!all_go_on(true)) throw RunError("another rank could not start");
  const FarmResult result = run_plan(plan, fft, options, journal.get());
  const Margins found = judge_margins(plan, result.lines);
  show(plan, found, line);
  end_journal(journal.get());
  return fails_now(found) ? kRequirementFailed : kDone;
}

}  // namespace

int margins(const Arguments& arguments) {
  CommandLine line(
      "margins SCENARIO... [--criterion ber|ber=B|q_db=Q|snr_db=S|penalty_db=P] [-o margins.h5]",
      "What breaks the link first. For every key that is off what perfect hardware has: what it costs now "
      "(dB\n"
      "of SNR gained with it at its ideal, over frames alike in everything else), how far it may grow until\n"
      "the criterion fails and how many times its present size that is, and which two interact. Costs count\n"
      "run.frames frames, six at least; a limit counts each value until it is decided or run.frames are\n"
      "spent. Exit status 1 when the criterion fails as the scenario is.");
  namespace po = boost::program_options;
  line.own()("criterion", po::value<std::string>()->value_name("NAME=BOUND"),
             "what must hold; default ber, the FEC threshold")(
      "all", "also ask about impairments that are at their ideal: how large they may become")(
      "resolution", po::value<std::string>()->value_name("PERCENT"),
      "of a doubling, where the search for a limit ends; default 5")(
      "output,o", po::value<std::string>()->value_name("FILE"), "write the result as HDF5, for reports")(
      "pairs", "print the table of all pairs alone")(
      "quick", "closed forms of the budget instead of simulating, for those impairments that it counts");
  if (!line.parse(arguments)) return kDone;
  const CommonOptions& options = line.common();
  const MarginsOrder order = read_order(line);
  FftCache fft(planning_of(order.scenario));
  const unsigned threads = thread_count(asked_threads(options, order.scenario), 64);
  const MarginsPlan plan = plan_margins(
      order, [&](const Scenario& s) { order.quick ? void(link_setup(s)) : void(Bench(s, fft)); }, threads);
  if (plan.impairments.empty())
    throw InputError("the scenario has no impairment; --all asks about those that are at their ideal");
  return order.quick ? show_quick(plan, line) : simulate_margins(order, plan, fft, line);
}

}  // namespace cohlink
