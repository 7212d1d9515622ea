// cohlink sweep: BER and its companions over a grid of scenario keys.
#include <algorithm>
#include <iostream>
#include <memory>
#include <mutex>

#include "rx/receiver.h"
#include "sim/link.h"
#include "tools/cohlink/command_line.h"
#include "tools/cohlink/commands.h"
#include "tools/cohlink/console.h"
#include "tools/study/curve.h"
#include "tools/study/executor.h"
#include "tools/study/numbers.h"
#include "tools/study/plan.h"
#include "tools/study/required_osnr_curve.h"
#include "tools/study/search.h"
#include "tools/study/vary.h"

namespace cohlink {
namespace {

/// Both ends of a point, checked and planned.
struct Bench {
  Link link;
  Receiver receiver;
};

/// Runs `work`; whatever goes wrong in it is said of that point.
template <class Work>
auto at_point(const SweepPlan& plan, std::size_t index, Work work) {
  try {
    return work(plan.points[index]);
  } catch (const InputError& error) {
    throw InputError("at " + describe(plan, plan.points[index]) + ": " + error.what());
  } catch (const std::bad_alloc&) {
    throw;
  } catch (const std::exception& error) {
    throw RunError("at " + describe(plan, plan.points[index]) + ": " + error.what());
  }
}

/// Builds benches when a point starts and drops them when it is done, so that only the points in flight
/// take memory.
class Benches {
 public:
  Benches(const SweepPlan& plan, FftCache& fft) : plan_(plan), fft_(fft), slots_(plan.points.size()) {}

  std::shared_ptr<const Bench> get(std::size_t index) {
    Slot& slot = slots_[index];
    const std::lock_guard lock(slot.mutex);
    if (!slot.bench) slot.bench = make(plan_.points[index].scenario);
    return slot.bench;
  }
  void drop(std::size_t index) {
    const std::lock_guard lock(slots_[index].mutex);
    slots_[index].bench.reset();
  }
  std::shared_ptr<const Bench> make(const Scenario& scenario) const {
    return std::make_shared<const Bench>(Bench{Link(scenario, fft_), Receiver(scenario, fft_)});
  }

 private:
  struct Slot {
    std::mutex mutex;
    std::shared_ptr<const Bench> bench;
  };
  const SweepPlan& plan_;
  FftCache& fft_;
  std::vector<Slot> slots_;
};

/// Every point is set up once before any is run: a value that does not fit must not surface after an hour.
/// Returns the highest power in a fibre.
double check_points(const SweepPlan& plan, const Benches& benches, unsigned threads) {
  std::vector<double> power(plan.points.size());
  for_each_index(plan.points.size(), threads, [&](std::size_t i) {
    power[i] = at_point(plan, i, [&](const SweepPoint& point) {
      return benches.make(point.scenario)->link.peak_fibre_power();
    });
  });
  return *std::max_element(power.begin(), power.end());
}

std::vector<Tally> run(const SweepPlan& plan, Benches& benches, unsigned threads, bool quiet) {
  std::vector<StopRule> rules;
  for (const auto& point : plan.points) rules.push_back(point.stop);
  const FrameFunction frame_of = [&](std::size_t index, std::uint64_t frame) {
    return at_point(plan, index, [&](const SweepPoint& point) {
      const auto bench = benches.get(index);
      return run_frame(bench->link, bench->receiver, frame, point.address);
    });
  };
  ProgressBar bar(quiet);
  const ProgressFunction progress = [&](const SweepProgress& now, std::size_t index, const Tally& tally) {
    if (tally.done()) benches.drop(index);
    bar.show(static_cast<double>(now.frames_run) / std::max(1.0, now.frames_expected),
             std::to_string(now.points_done) + " of " + std::to_string(now.points) + " points", !now.certain);
  };
  return run_on_threads(rules, frame_of, threads, progress);
}

/// The reference of a penalty: "KEY=value" over the scenario, parted by commas; "" = the first point.
Scenario reference_scenario(const SweepPlan& plan, const std::string& text) {
  if (text.empty()) return plan.points.front().scenario;
  Scenario reference = plan.base;
  for (const Axis& axis : parse_vary({text})) {
    if (axis.values.size() != 1) throw InputError("--reference " + text + ": one value a key");
    reference.set(axis.key, axis.values.front(), "--reference");
  }
  return reference;
}

/// Required OSNR at every point, or the penalty in it, in place of the BER.
Table sweep_required_osnr(const SweepPlan& plan, FftCache& fft, unsigned threads,
                          const std::optional<Scenario>& reference, bool quiet) {
  ProgressBar bar(quiet);
  std::optional<RequiredOsnr> base;
  if (reference)
    base = find_required_osnr(*reference, required_osnr_rule(*reference), simulation(fft), threads);
  if (base && !base->found) throw RunError("no required OSNR at the reference: " + base->failure);
  std::vector<RequiredOsnr> found;
  for (const SweepPoint& point : plan.points) {
    found.push_back(at_point(plan, point.index, [&](const SweepPoint& here) {
      return find_required_osnr(here.scenario, required_osnr_rule(here.scenario), simulation(fft), threads);
    }));
    bar.show(static_cast<double>(found.size()) / static_cast<double>(plan.points.size()),
             std::to_string(found.size()) + " of " + std::to_string(plan.points.size()) + " points");
    if (!found.back().found) note(quiet, describe(plan, point) + ": " + found.back().failure);
  }
  bar.clear();
  return required_osnr_table(plan, found, base);
}

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

}  // namespace

int sweep(const Arguments& arguments) {
  CommandLine line(
      "sweep SCENARIO... --vary KEY=a:step:b[,KEY=v1|v2|v3] [-o curve.h5]",
      "Measures BER, Q, SNR and EVM over a grid of one to three scenario keys. Every point runs frames "
      "until\n"
      "run.target_errors errors are counted, at most run.frames of them. The table does not depend on the\n"
      "number of threads.");
  namespace po = boost::program_options;
  line.own()("vary", po::value<std::vector<std::string>>()->composing()->value_name("KEY=a:step:b"),
             "a key and its values, a range (both ends included) or v1|v2|v3; may be repeated")(
      "output,o", po::value<std::string>()->value_name("FILE"), "write the curve as HDF5")(
      "measure", po::value<std::string>()->value_name("WHAT"),
      "ber (with Q, SNR, EVM; default), required_osnr at the FEC threshold, or penalty_db in it")(
      "reference", po::value<std::string>()->value_name("KEY=value"),
      "where the penalty is 0; default the first point")(
      "common-noise", "the same random streams at every point: sharper differences, correlated errors");
  if (!line.parse(arguments)) return kDone;
  const CommonOptions& options = line.common();
  if (options.files.empty()) throw InputError("sweep needs a scenario file");
  const auto axes = parse_vary(line.texts("vary"));
  check_output(options.output, options.files);
  const std::string measure = line.has("measure") ? line.text("measure") : "ber";
  if (measure != "ber" && measure != "required_osnr" && measure != "penalty_db")
    throw InputError("--measure " + measure + ": expected ber, required_osnr or penalty_db");

  const SweepPlan plan =
      make_plan(layered(Scenario(), options.files, options), axes, line.has("common-noise"));
  FftCache fft(planning_of(plan.base));
  Benches benches(plan, fft);
  std::uint64_t frames = 0;
  for (const auto& point : plan.points) frames += point.stop.frames;
  const unsigned threads = thread_count(asked_threads(options, plan.base), frames);
  light_hazard_caution(check_points(plan, benches, threads));
  if (measure != "ber") {
    std::optional<Scenario> reference;
    if (measure == "penalty_db")
      reference = reference_scenario(plan, line.has("reference") ? line.text("reference") : "");
    const Table osnr = sweep_required_osnr(plan, fft, threads, reference, options.quiet);
    if (!options.output.empty()) write_required_osnr(plan, osnr, options.output);
    print(std::cout, osnr, options.format);
    return kDone;
  }
  const auto tallies = run(plan, benches, threads, options.quiet);
  const Table table = curve_table(plan, tallies);
  if (!options.output.empty()) write_curve(plan, tallies, table, options.output);
  tell_caveats(plan, tallies, options.quiet);
  print(std::cout, table, options.format);
  return kDone;
}

}  // namespace cohlink
