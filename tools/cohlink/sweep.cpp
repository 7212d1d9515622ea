// cohlink sweep: BER and its companions over a grid of scenario keys. cohlink merge: the parts of one.
#include <filesystem>
#include <iostream>
#include <memory>
#include <optional>

#include "tools/cohlink/command_line.h"
#include "tools/cohlink/commands.h"
#include "tools/cohlink/console.h"
#include "tools/cohlink/dataset.h"
#include "tools/cohlink/merged.h"
#include "tools/cohlink/refusals.h"
#include "tools/cohlink/resume.h"
#include "tools/study/parts/frames_part.h"
#include "tools/study/plan/numbers.h"
#include "tools/study/plan/ties.h"
#include "tools/study/run/at_point.h"
#include "tools/study/run/sweep_parts.h"
#include "tools/study/run/sweep_run.h"
#include "tools/study/search/margins_parts.h"
#include "tools/study/search/optimum.h"

namespace cohlink {
namespace {

/// What a reader of the table should know about how it was counted.
void tell_caveats(const SweepPlan& plan, const std::vector<Tally>& tallies, bool quiet) {
  std::size_t warned = 0, short_of_errors = 0;
  std::string first;
  for (std::size_t i = 0; i < tallies.size(); ++i) {
    const FrameResult& total = tallies[i].total();
    if (total.warned > 0 && ++warned == 1)
      first = describe(plan, plan.points[i]) + ": " + total.first_warning;
    if (total.count.bits > 0 && total.count.errors < tallies[i].rule().target_errors) ++short_of_errors;
  }
  if (short_of_errors > 0)
    note(
        quiet,
        std::to_string(short_of_errors) + " of " + std::to_string(tallies.size()) +
            " points ended at run.frames with fewer errors than run.target_errors; their intervals are wide");
  if (warned > 0)
    caution("the receiver warned at " + std::to_string(warned) + " of " + std::to_string(tallies.size()) +
            " points; the first, " + first);
}

/// A chain without the block that estimates it, a line without what is counted.
void tell_missing(const SweepOrder& order, const SweepRecords& records) {
  if (order.measure != SweepMeasure::kOutput || order.output == "q_db") return;
  for (const Tally& tally : records.tallies)
    if (!tally.total().spread.empty()) return;
  caution("no frame gave " + order.output + ": nothing in this scenario measures it, or no frame locked");
}

/// Threads of this process: under mpirun one, unless asked for more.
unsigned threads_of(const CommonOptions& options, const SweepOrder& order, const Part& part) {
  const auto points = points_of(order.plan, part);
  std::uint64_t frames = 0;
  for (const std::size_t i : points) frames += order.plan.points[i].stop.frames;
  const std::int64_t asked = asked_threads(options, order.plan.base);
  return thread_count(world().size > 1 && asked == 0 ? 1 : asked, frames);
}

SweepOrder read_order(const CommandLine& line) {
  const CommonOptions& options = line.common();
  SweepOrder order;
  Scenario scenario = scenario_to_study(line, "sweep");
  auto axes = parse_vary(take_ties(scenario, line.texts("vary"), "--vary"), "--vary");
  if (world().leads()) note_unused_draws(scenario, options.quiet);
  order.plan = make_plan(scenario, std::move(axes), line.has("common-noise"));
  const std::vector<std::string> varied = varied_keys(order.plan.axes);
  if (world().leads()) caution_unread(scenario, varied);
  if (line.has("measure"))
    set_measure(order, line.text("measure") + (line.has("criterion") ? " " + line.text("criterion") : ""),
                "--measure");
  if (!order.searches()) line.refuse({"criterion"}, "goes with --measure required_osnr and penalty_db");
  if (order.measure != SweepMeasure::kPenalty)
    line.refuse({"reference"}, "a reference is where a penalty is 0; it goes with --measure penalty_db");
  order.reference_origin = "--reference";
  if (line.has("reference")) order.reference = line.text("reference");
  if (order.searches())
    for (const std::string& key : varied)
      refuse_varied_osnr(key, "--measure " + line.text("measure"), "--vary");
  return order;
}

/// Each point at the best value of a key, whatever is measured there.
class BestPoints {
 public:
  BestPoints(const CommandLine& line, const SweepOrder& order) {
    if (!line.has("optimise")) return;
    rule_ = parse_optimum(line.text("optimise"), order.plan.base, "--optimise");
    for (const std::string& key : varied_keys(order.plan.axes))
      if (key == rule_->key) throw InputError("--optimise " + rule_->key, "is varied");
    if (order.measure == SweepMeasure::kPenalty)
      throw InputError("--optimise",
                       "not with --measure penalty_db, whose reference stands at no best value");
    if (line.has("part") || world().size > 1)
      throw InputError("--optimise", "is for one process; give it all points and threads");
  }

  RunIdentity identity(RunIdentity identity) const {
    if (rule_) identity.emplace_back("--optimise", rule_->key);
    return identity;
  }

  /// Moves the points, and keeps where they went.
  void find(SweepOrder& order, const CommonOptions& options, const FftCache& fft, unsigned threads) {
    if (!rule_) return;
    CommonOptions beside = options;
    if (!beside.output.empty()) beside.output += ".optimum";
    journal_ = open_journal(beside, identity(identity_of(order, Part())));
    std::vector<std::string> keys = {rule_->key};
    for (std::string& key : varied_keys(order.plan.axes)) keys.push_back(std::move(key));
    const auto reuse = std::make_shared<FrameReuse>(search_reuse_rule(order.plan.base, keys));
    const SourceMaker source = recorded(simulation(fft, reuse), journal_.get());
    for (SweepPoint& point : order.plan.points) {
      const Optimum best = at_point(order.plan, point.index, [&](const SweepPoint& here) {
        return find_optimum(here.scenario, *rule_, source, threads);
      });
      note(options.quiet,
           describe(order.plan, point) + ": best at " + rule_->key + " = " + fixed(best.at.value, 2));
      point.scenario = at_optimum(point.scenario, *rule_, best);
      optima_.push_back(best);
    }
  }

  Table beside(Table table) const {
    if (rule_) add_optima(table, *rule_, optima_);
    return table;
  }
  void end() const { end_journal(journal_.get()); }

 private:
  std::optional<OptimumRule> rule_;
  std::vector<std::optional<Optimum>> optima_;
  std::unique_ptr<Journal> journal_;
};

int run_order(const CommandLine& line, SweepOrder order, const Part& part, bool as_part) {
  const CommonOptions& options = line.common();
  BestPoints best(line, order);
  FftCache fft(planning_of(order.plan.base));
  SweepRunOptions run;
  run.threads = threads_of(options, order, part);
  run.part = part;
  if (!world().leads()) {
    if (all_go_on(true)) run_sweep(order, run, fft);
    return kDone;
  }
  light_hazard_caution(check_points(order, part, fft, run.threads));
  set_up_cautions({order.plan.base});
  const auto journal = open_journal(options, best.identity(identity_of(order, part)));
  best.find(order, options, fft, run.threads);
  run.journal = journal.get();
  run.remark = [&](const std::string& text) { note(options.quiet, text); };
  ProgressBar bar(options.quiet);
  run.progress = [&](const SweepProgress& now) {
    bar.show(static_cast<double>(now.frames_run) / std::max(1.0, now.frames_expected),
             std::to_string(now.points_done) + " of " + std::to_string(now.points) + " points", !now.certain);
  };
  if (!all_go_on(true)) throw RunError("another rank could not start");
  const SweepRecords records = run_sweep(order, run, fft);
  bar.clear();
  if (!as_part) {
    const Table table = best.beside(table_of(order, records));
    if (!options.output.empty()) write_sweep(order, records, table, options.output);
    tell_missing(order, records);
    tell_caveats(order.plan, records.tallies, options.quiet);
    print(std::cout, table, options.format);
  } else {
    write_part(order, records, part, options.output);
    note_part(options, part);
  }
  end_journal(journal.get());
  best.end();
  return kDone;
}

}  // namespace

int sweep(const Arguments& arguments) {
  CommandLine line(
      "sweep SCENARIO... --vary KEY=a:step:b[,KEY=v1|v2|v3] [-o curve.h5]",
      "Measures BER, Q, SNR and EVM over a grid of one to three scenario keys. Every point runs frames "
      "until\n"
      "run.target_errors errors are counted, at most run.frames of them. The table does not depend on the\n"
      "number of threads, ranks or parts, nor on reuse. With -o, a run that was interrupted goes on where "
      "it\n"
      "was when the same command is given again.");
  namespace po = boost::program_options;
  line.own()("vary", po::value<std::vector<std::string>>()->composing()->value_name("KEY=a:step:b"),
             "a key and its values: a range (both ends included, a whole number of steps apart) or v1|v2|v3, "
             "of keys "
             "that move together KEY+KEY=v:w|v:w, or what it follows, as in --tie; may be repeated")(
      "output,o", po::value<std::string>()->value_name("FILE"), "write the curve as HDF5")(
      "measure", po::value<std::string>()->value_name("WHAT"),
      "ber (with Q, SNR, EVM; default), required_osnr at the FEC threshold, penalty_db in it, or any number "
      "that a "
      "frame gives, as 'receive' names it: snr_db, q_db, gmi_bits, cycle_slips, taps_dgd_ps...")(
      "criterion", po::value<std::string>()->value_name("WHAT"),
      "what OSNR is required for: fec (what gives the verdict; default), ber=B, ngmi=I, "
      "achievable_rate_gbps=R or, "
      "with fec.decode, post_fec_ber=B")(
      "reference", po::value<std::string>()->value_name("KEY=value"),
      "where the penalty is 0; keys it does not name are those of each point; default the first point")(
      "optimise", po::value<std::string>()->value_name("KEY[=a:b]"),
      "each point at the best value of this key, such as transmitter.launch_power_dbm: that of its SNR")(
      "common-noise", "the same random streams at every point: sharper differences, correlated errors")(
      "part", po::value<std::string>()->value_name("k/n"),
      "only the k-th of n parts of the points, for batch systems; 'cohlink merge' joins them");
  if (!line.parse(arguments)) return kDone;
  const SweepOrder order = read_order(line);
  const std::optional<Part> part = asked_part(line);
  return run_order(line, order, part.value_or(Part()), part.has_value());
}

int merge(const Arguments& arguments) {
  CommandLine line(
      "merge PART... [-o curve.h5]",
      "Joins the parts of a sweep, margins, outage or qualify (--part k/n) to the table and the file that "
      "the\n"
      "whole would have given, byte for byte; the folders of a data set's parts to one folder (-o DIR).");
  namespace po = boost::program_options;
  line.own()("output,o", po::value<std::string>()->value_name("FILE"), "write the curve as HDF5");
  if (!line.parse(arguments)) return kDone;
  const CommonOptions& options = line.common();
  line.refuse({"set", "tie", "seed"}, "merge takes the scenario that its parts were computed from");
  if (!options.files.empty() && std::filesystem::is_directory(options.files.front()))
    return merge_datasets(line);
  check_output(options.output, options.files);
  if (!options.files.empty() && is_margins_part(options.files.front())) return merge_margins_parts(line);
  const std::string study = options.files.empty() ? "" : study_of_part(options.files.front());
  if (study == "outage") return merge_outage_parts(line);
  if (study == "qualify") return merge_qualify_parts(line);
  const auto [order, records, remark] = merge_parts(options.files);
  if (!remark.empty()) caution(remark);
  const Table table = table_of(order, records);
  if (!options.output.empty()) write_sweep(order, records, table, options.output);
  tell_caveats(order.plan, records.tallies, options.quiet);
  print(std::cout, table, options.format);
  return kDone;
}

}  // namespace cohlink
