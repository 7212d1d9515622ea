// cohlink margins: what breaks a link first.
#include "tools/study/search/margins.h"

#include <algorithm>
#include <iostream>

#include "sim/link_setup.h"
#include "tools/cohlink/command_line.h"
#include "tools/cohlink/commands.h"
#include "tools/cohlink/console.h"
#include "tools/cohlink/merged.h"
#include "tools/cohlink/refusals.h"
#include "tools/cohlink/resume.h"
#include "tools/study/files/study_file.h"
#include "tools/study/parts/ranks.h"
#include "tools/study/plan/arithmetic.h"
#include "tools/study/plan/numbers.h"
#include "tools/study/run/executor.h"
#include "tools/study/search/margins_parts.h"
#include "tools/study/search/quick_margins.h"

namespace cohlink {
namespace {

constexpr std::uint64_t kFewestFrames = 6;

std::string criterion_text(const CommandLine& line) {
  return line.has("criterion") ? line.text("criterion") : "fec";
}

MarginsOrder read_order(const CommandLine& line) {
  const CommonOptions& options = line.common();
  MarginsOrder order;
  order.scenario = scenario_to_study(line, "margins");
  order.all = line.has("all");
  order.quick = line.has("quick");
  if (order.quick) {
    line.refuse({"pairs"}, "closed forms of the budget add noise: no two interact");
    line.refuse({"optimise"}, "simulates; 'cohlink budget' has the closed form's best launch power");
  }
  order.criterion = parse_criterion(criterion_text(line), order.scenario, "--criterion");
  if (line.has("resolution")) {
    const auto percent = parse_number(line.text("resolution"));
    if (!percent || *percent <= 0.0 || *percent > 50.0)
      throw InputError("--resolution " + line.text("resolution") + ": expected a percentage up to 50");
    order.resolution = *percent / 100.0;
  }
  if (line.has("optimise"))
    order.optimum = parse_optimum(line.text("optimise"), order.scenario, "--optimise");
  order.frames = std::max(kFewestFrames, static_cast<std::uint64_t>(order.scenario.integer("run.frames")));
  if (world().leads()) note_unused_draws(order.scenario, options.quiet);
  return order;
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
                    const Part& part, Journal* journal) {
  TaskFarm farm = margin_tasks(plan, simulation(fft, reuse_of(plan)));
  farm.ours = [part](std::size_t task) { return is_of_part(task, part); };
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

MarginsPlan plan_of(const MarginsOrder& order, const FftCache& fft, unsigned threads) {
  return plan_margins(
      order, [&](const Scenario& s) { order.quick ? void(link_setup(s)) : void(Bench(s, fft)); }, threads);
}

/// Of a part the order alone decides, and how many there are.
RunIdentity identity_of_parts(const MarginsOrder& order, const Part& part) {
  RunIdentity identity = identity_of(order);
  if (!part.whole()) identity.emplace_back("number of parts", std::to_string(part.count));
  return identity;
}

RunIdentity journal_identity(const MarginsOrder& order, const Part& part) {
  RunIdentity identity = identity_of_parts(order, part);
  if (!part.whole()) identity.emplace_back("--part", std::to_string(part.number));
  return identity;
}

void keep_part(const CommandLine& line, const MarginsOrder& order, const Part& part,
               const std::vector<std::string>& lines, const std::string& arithmetic) {
  const CommonOptions& options = line.common();
  write_margins_part(order, criterion_text(line), lines,
                     {options.output, part, identity_text(identity_of_parts(order, part)), arithmetic});
  note_part(options, part);
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

/// Simulates what is asked, all of it or a part, or helps the rank that does.
int simulate_margins(const MarginsPlan& plan, const Part& part, FftCache& fft, const CommandLine& line) {
  const CommonOptions& options = line.common();
  const MarginsOrder& order = plan.order;
  if (!world().leads()) {
    if (all_go_on(true)) run_plan(plan, fft, options, part, nullptr);
    return kDone;
  }
  caution_unread(order.scenario, {});
  light_hazard_caution({order.scenario});
  set_up_cautions({order.scenario});
  const auto journal = open_journal(options, journal_identity(order, part));
  if (!all_go_on(true)) throw RunError("another rank could not start");
  const FarmResult result = run_plan(plan, fft, options, part, journal.get());
  if (line.has("part")) {
    keep_part(line, order, part, result.lines, arithmetic_of(fft));
    end_journal(journal.get());
    return kDone;
  }
  const Margins found = judge_margins(plan, result.lines);
  show(plan, found, line);
  end_journal(journal.get());
  return fails_now(found) ? kRequirementFailed : kDone;
}

}  // namespace

int merge_margins_parts(const CommandLine& line) {
  const MergedMargins merged = merge_margins(line.common().files);
  if (!merged.remark.empty()) caution(merged.remark);
  FftCache fft(planning_of(merged.order.scenario));
  const MarginsPlan plan = plan_of(merged.order, fft, 1);
  check_lines(plan, merged);
  const Margins found = judge_margins(plan, merged.lines);
  show(plan, found, line);
  return fails_now(found) ? kRequirementFailed : kDone;
}

int margins(const Arguments& arguments) {
  CommandLine line(
      "margins SCENARIO... [--criterion fec|ber=B|ngmi=I|q_db=Q|snr_db=S|penalty_db=P] [-o margins.h5]",
      "What breaks the link first. For every key that is off what perfect hardware has: what it costs now "
      "(dB\n"
      "of SNR gained with it at its ideal, over frames alike in everything else), how far it may grow until\n"
      "the criterion fails and how many times its present size that is, and which two interact. Costs count\n"
      "run.frames frames, six at least; a limit counts each value until it is decided or run.frames are\n"
      "spent. Exit status 1 when the criterion fails as the scenario is.");
  namespace po = boost::program_options;
  line.own()("criterion", po::value<std::string>()->value_name("NAME=BOUND"),
             "what must hold; default fec, the threshold of the verdict")(
      "all", "also ask about impairments that are at their ideal: how large they may become")(
      "resolution", po::value<std::string>()->value_name("PERCENT"),
      "of a doubling, where the search for a limit ends; default 5")(
      "optimise", po::value<std::string>()->value_name("KEY[=a:b]"),
      "take every scenario, with and without each impairment, at the value of KEY that is best for it: "
      "transmitter.launch_power_dbm")("output,o", po::value<std::string>()->value_name("FILE"),
                                      "write the result as HDF5, for reports")(
      "pairs", "print the table of all pairs alone")(
      "part", po::value<std::string>()->value_name("k/n"),
      "only the k-th of n parts of the work, for batch systems; 'cohlink merge' joins them")(
      "quick", "closed forms of the budget instead of simulating, for those impairments that it counts");
  if (!line.parse(arguments)) return kDone;
  const CommonOptions& options = line.common();
  const Part part = asked_part(line, {"quick", "pairs"}).value_or(Part());
  const MarginsOrder order = read_order(line);
  FftCache fft(planning_of(order.scenario));
  const unsigned threads = thread_count(asked_threads(options, order.scenario), 64);
  const MarginsPlan plan = plan_of(order, fft, threads);
  if (plan.impairments.empty())
    throw InputError("the scenario has no impairment; --all asks about those that are at their ideal");
  return order.quick ? show_quick(plan, line) : simulate_margins(plan, part, fft, line);
}

}  // namespace cohlink
