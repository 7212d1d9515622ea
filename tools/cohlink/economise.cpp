// cohlink economise: the cheapest receiver that still closes the link.
#include "tools/study/search/economise.h"

#include <algorithm>
#include <iostream>

#include "sim/link_setup.h"
#include "sim/signal/scenario/strings.h"
#include "tools/cohlink/command_line.h"
#include "tools/cohlink/commands.h"
#include "tools/cohlink/console.h"
#include "tools/cohlink/refusals.h"
#include "tools/cohlink/resume.h"
#include "tools/study/files/study_file.h"
#include "tools/study/plan/numbers.h"
#include "tools/study/plan/theory.h"
#include "tools/study/run/executor.h"

namespace cohlink {
namespace {

constexpr std::uint64_t kFewestFrames = 6;

double penalty_of(const CommandLine& line) {
  if (!line.has("penalty")) return EconomiseOrder{}.penalty_db;
  const auto penalty = parse_number(line.text("penalty"));
  if (!penalty || *penalty <= 0.0 || *penalty > 20.0)
    throw InputError("--penalty " + line.text("penalty") + ": expected dB, above 0 and at most 20");
  return *penalty;
}

/// The receiver's own, less what --keep names; --cut in the place of what has its key.
std::vector<Cut> cuts_of(const CommandLine& line, const Scenario& scenario) {
  std::vector<Cut> cuts = line.has("only-cut") ? std::vector<Cut>() : receiver_cuts(scenario);
  for (const std::string& name : line.texts("keep"))
    if (std::erase_if(cuts, [&](const Cut& cut) { return cut.name() == name; }) == 0) {
      std::vector<std::string> names;
      for (const Cut& cut : cuts) names.push_back(cut.name());
      throw InputError("--keep " + name + ": is not among what can be cut: " + join(names, ", "));
    }
  for (const std::string& text : line.texts("cut")) {
    Cut own = parse_cut(text, scenario, "--cut");
    std::erase_if(cuts, [&](const Cut& cut) { return cut.key == own.key; });
    cuts.push_back(std::move(own));
  }
  if (cuts.empty()) throw InputError("nothing is left that could be cut");
  return cuts;
}

EconomiseOrder read_order(const CommandLine& line) {
  const CommonOptions& options = line.common();
  EconomiseOrder order;
  order.scenario = scenario_to_study(line, "economise");
  if (bits_per_symbol(scenario_modulation(order.scenario)) == 0)
    order.scenario.reject("signal.modulation", "carries no bits, so nothing costs so much a bit");
  note_unused_draws(order.scenario, options.quiet);
  order.penalty_db = penalty_of(line);
  order.cuts = cuts_of(line, order.scenario);
  order.frames = std::max(kFewestFrames, static_cast<std::uint64_t>(order.scenario.integer("run.frames")));
  return order;
}

std::shared_ptr<FrameReuse> reuse_of(const EconomiseOrder& order) {
  std::vector<std::string> keys = {"dsp.chain"};
  for (const Cut& cut : order.cuts)
    if (!cut.key.empty()) keys.push_back(cut.key);
  return std::make_shared<FrameReuse>(search_reuse_rule(order.scenario, keys));
}

ReceiverCost cost_of(const Scenario& scenario, const FftCache& fft) {
  return receiver_cost(Receiver(scenario, fft), scenario, link_setup(scenario).adc.sample_rate,
                       static_cast<std::size_t>(scenario.integer("signal.symbols")));
}

void show(const EconomiseOrder& order, const Economy& found, const CommandLine& line) {
  const CommonOptions& options = line.common();
  const Table cuts = cut_table(found), front = front_table(found, found.front);
  const auto facts = economy_facts(order, found);
  if (!options.output.empty())
    write_study({"economise",
                 {{"cuts", cuts}, {"front", front}, {"combinations", front_table(found, found.measured)}},
                 facts},
                order.scenario, options.output);
  if (line.has("front") || options.format == Format::kCsv || options.format == Format::kMarkdown)
    return print(std::cout, front, options.format);
  print(std::cout, {{"cuts", cuts}, {"front", front}}, facts, options.format);
}

void declare_options(CommandLine& line) {
  namespace po = boost::program_options;
  const auto texts = [] { return po::value<std::vector<std::string>>()->composing(); };
  line.own()("penalty", po::value<std::string>()->value_name("DB"),
             "what the cheaper receiver may lose; default 0.5")(
      "cut", texts()->value_name("KEY=v1|v2"),
      "cut this key to these values, each deeper than the one before, instead of the usual ones; may be "
      "repeated")("keep", texts()->value_name("NAME"), "do not cut this key or block; may be repeated")(
      "only-cut", "cut what --cut names and nothing else")("front", "print the front alone")(
      "output,o", po::value<std::string>()->value_name("FILE"), "write the result as HDF5, for reports");
}

}  // namespace

int economise(const Arguments& arguments) {
  CommandLine line(
      "economise SCENARIO... [--penalty 0.5] [-o economy.h5]",
      "The cheapest receiver that still closes the link. Which taps, test phases, windows, overlaps, "
      "converter\n"
      "bits and blocks can be cut, at what saving (operations and energy a bit, by [cost]) and what penalty "
      "(dB\n"
      "of SNR against the receiver as it is, on the same captures): one at a time, then the cheapest\n"
      "combination within the penalty allowed, verified on 20 fresh frames, and the front of penalty "
      "against\n"
      "energy. Searches on run.frames frames, six at least. Exit status 1 when nothing can be cut.");
  declare_options(line);
  if (!line.parse(arguments)) return kDone;
  const CommonOptions& options = line.common();
  if (line.has("only-cut") && !line.has("cut")) throw InputError("--only-cut needs --cut KEY=v1|v2");
  const EconomiseOrder order = read_order(line);
  caution_unread(order.scenario);
  FftCache fft(planning_of(order.scenario));
  const unsigned threads = thread_count(asked_threads(options, order.scenario), 1024);
  light_hazard_caution(check_scenarios({order.scenario}, fft, 1));
  set_up_cautions({order.scenario});
  RunIdentity identity = study_identity("economise", order.scenario);
  const auto journal = open_journal(options, identity);
  const auto progress = [&](const LeanReceiver& lean) {
    if (!lean.rungs.empty())
      note(options.quiet, readable(lean.cost.pj(), 4) + " pJ a bit: " +
                              (lean.works ? readable(lean.penalty_db.value, 3) + " dB" : lean.remark));
  };
  const SourceMaker source = recorded(simulation(fft, reuse_of(order)), journal.get());
  const CostOf cost = [&](const Scenario& scenario) { return cost_of(scenario, fft); };
  const Economy found = economise(order, cost, source, threads, progress);
  show(order, found, line);
  end_journal(journal.get());
  return found.cheapest ? kDone : kRequirementFailed;
}

}  // namespace cohlink
