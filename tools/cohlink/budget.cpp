// cohlink budget: what a link should do by closed forms, and why a simulated one does otherwise.
#include "tools/study/budget.h"

#include <algorithm>
#include <cmath>
#include <iostream>

#include "rx/receiver.h"
#include "sim/signal/record/capture.h"
#include "sim/signal/record/hdf5.h"
#include "sim/signal/units.h"
#include "tools/cohlink/command_line.h"
#include "tools/cohlink/commands.h"
#include "tools/cohlink/console.h"
#include "tools/cohlink/refusals.h"
#include "tools/study/budget_table.h"
#include "tools/study/files/study_file.h"
#include "tools/study/plan/numbers.h"
#include "tools/study/plan/ties.h"

namespace cohlink {
namespace {

constexpr double kNoticeable = 0.2;  // dB, below which a difference needs no reason

struct Simulated {
  double snr_db = 0;
  std::optional<double> ber;
  std::string what;        // "result.h5"
  std::string difference;  // of its scenario to the budget's, in words
};

/// A scenario key's data set in a one-dimensional curve, "" when there is none.
std::string axis_of(const h5::File& file) {
  std::string axis;
  for (const auto& name : file.children("/")) {
    if (find_key(name) == nullptr) continue;
    if (!axis.empty())
      throw InputError(file.path(), "a curve over several keys; --compare takes one over one key");
    axis = name;
  }
  return axis;
}

std::string explanation(const Budget& budget, const Scenario& scenario, double measured_db,
                        const std::string& scenarios_differ);

/// Share of nonlinear interference in all noise expected.
double interference_share(const Budget& budget) {
  for (const auto& term : budget.terms)
    if (term.name == "interference") return term.ratio * budget.snr;
  return 0.0;
}

/// Whether a key says how long to simulate rather than what.
bool of_the_run(const ScenarioKey& key) {
  return key.section == "run" || key.section == "cost" || key.section == "trace" ||
         key.full_name() == "signal.symbols";
}

/// "scenarios differ in KEY, KEY": keys of the link and the receiver in which the scenario stored in the file
/// is another than this one; "" when none are, or none is stored. `varied` is a curve's own key.
std::string scenario_difference(const h5::File& file, const Scenario& ours, const std::string& varied = "") {
  if (!file.has("/scenario")) return "";
  Scenario theirs;
  theirs.read_text(file.read_text("/scenario"), file.path() + ":/scenario");
  std::string keys;
  for (const ScenarioKey& key : scenario_keys()) {
    const std::string name = key.full_name();
    if (of_the_run(key) || name == varied) continue;
    const std::string &a = ours.written(name), &b = theirs.written(name);
    const auto x = parse_number(a), y = parse_number(b);
    if (a != b && !(x && y && *x == *y)) keys += (keys.empty() ? "" : ", ") + name;
  }
  return keys.empty() ? "" : "scenarios differ in " + keys;
}

/// Simulated beside expected, one row a point with its explanation; `why` is that of the row that differs
/// most.
Table compare_curve(const h5::File& file, const Scenario& base, std::string& why) {
  const std::string key = axis_of(file);
  if (key.empty()) throw InputError(file.path(), "this curve varies no scenario key");
  if (const KeyType type = find_key(key)->type; type != KeyType::kNumber && type != KeyType::kInteger)
    throw InputError(file.path(), "this curve varies " + key + ", which is no number");
  const auto values = file.read<double>("/" + key);
  if (!file.has("/snr_db"))
    throw InputError(file.path(),
                     std::string("a curve ") +
                         (file.has("/required_osnr_db") ? "of required OSNR" : "without SNR") +
                         "; --compare takes one with the SNR, as sweep --measure ber or snr_db writes it");
  const auto measured = file.read<double>("/snr_db");
  Table table;
  Column at{key}, simulated{"snr_db", Look::kHundredths}, expected{"snr_expected_db", Look::kHundredths},
      gaussian{"snr_gn_db", Look::kHundredths}, nli{"nli_share_percent", Look::kHundredths},
      difference{"difference_db", Look::kHundredths}, because{"explanation"};
  const std::string differ = scenario_difference(file, base, key);
  double most = 0.0;
  for (std::size_t i = 0; i < values.size(); ++i) {
    Scenario scenario = base;
    scenario.set(key, short_decimal(values[i]), file.path());
    const Budget budget = make_budget(scenario);
    at.cells.emplace_back(values[i]);
    simulated.cells.emplace_back(measured[i]);
    expected.cells.emplace_back(to_db(budget.snr));
    gaussian.cells.emplace_back(to_db(budget.snr_gn));
    nli.cells.emplace_back(100.0 * interference_share(budget));
    difference.cells.emplace_back(measured[i] - to_db(budget.snr));
    const std::string text = explanation(budget, scenario, measured[i], differ);
    because.cells.emplace_back(text);
    if (std::abs(measured[i] - to_db(budget.snr)) >= most) {
      most = std::abs(measured[i] - to_db(budget.snr));
      why = "at " + key + "=" + short_decimal(values[i]) + ": " + text;
    }
  }
  for (auto* column : {&at, &simulated, &expected, &gaussian, &difference, &nli, &because})
    table.columns.push_back(std::move(*column));
  return table;
}

Simulated read_result(const h5::File& file, const Scenario& scenario) {
  Simulated result;
  result.difference = scenario_difference(file, scenario);
  result.what = file.path();
  if (!file.has_attribute("/", "snr_db")) throw InputError(file.path(), "holds no SNR to compare with");
  result.snr_db = file.attribute_number("/", "snr_db");
  if (file.has_attribute("/", "ber")) result.ber = file.attribute_number("/", "ber");
  return result;
}

Simulated receive_capture(const std::string& path, const Scenario& scenario) {
  FftCache fft(planning_of(scenario));
  const ReceiverResult received = Receiver(scenario, fft)(read_capture(path));
  Simulated result{received.snr_db, std::nullopt, path, scenario_difference(h5::File::open(path), scenario)};
  if (received.score) result.ber = received.score->both.ber();
  return result;
}

/// What may have made a simulation better than the expectation, which counts all interference as noise.
std::string gain_of_receiver(const Budget& budget, const Scenario& scenario) {
  constexpr double kMatters = 0.05;  // share of the interference below which undoing it shows nowhere
  const auto chain = scenario.list("dsp.chain");
  const auto has = [&](const char* block) {
    return std::find(chain.begin(), chain.end(), block) != chain.end();
  };
  const std::string recovery = scenario.text("dsp.phase_recovery");
  const bool tracks = has("phase") && recovery != "genie" && recovery != "off";
  if (interference_share(budget) < kMatters || !(tracks || has("back-propagation")))
    return "few symbols, or an SNR judged by decisions";
  std::string text;
  if (has("back-propagation")) text = "digital back-propagation undoes interference";
  if (tracks)
    text +=
        std::string(text.empty() ? "" : ", and ") + "the carrier phase, averaged over " +
        std::to_string(scenario.integer("dsp.phase_window")) +
        " symbols, follows the slow part of the nonlinear phase noise (none of it with dsp.phase_recovery = "
        "genie)";
  return text + "; the expectation counts all of it as noise";
}

/// Why simulation and closed form differ, largest known part first. Scenarios that differ are reason enough.
std::string explanation(const Budget& budget, const Scenario& scenario, double measured_db,
                        const std::string& scenarios_differ) {
  const double difference = measured_db - to_db(budget.snr), by_gn = measured_db - to_db(budget.snr_gn);
  const std::string agree = "expectation and simulation agree within " + readable(kNoticeable) + " dB";
  if (std::isnan(measured_db)) return "no SNR was measured: no frame locked";
  if (!scenarios_differ.empty())
    return scenarios_differ + (std::abs(difference) < kNoticeable ? "; " + agree : "");
  const double quieter = to_db(budget.snr / budget.snr_gn);
  std::string text;
  if (quieter > 0.05)
    text = "plain GN would be " + readable(std::abs(by_gn), 2) + " dB " +
           (by_gn > 0 ? "too low" : "too high") + ": it takes the symbols for Gaussian, and " +
           std::string(modulation_name(budget.modulation)) + " interferes less, most in the first spans (" +
           readable(quieter, 2) + " dB of SNR here, counted in the expectation); ";
  if (std::abs(difference) < kNoticeable) return text + agree;
  if (difference > 0.0)
    return text + "the simulation is better than expected: " + gain_of_receiver(budget, scenario);
  text += "the simulation lost more than the budget counts; it leaves out ";
  for (std::size_t i = 0; i < budget.not_counted.size(); ++i)
    text += (i == 0 ? "" : ", ") + budget.not_counted[i];
  return text;
}

std::vector<Fact> compare_facts(const Budget& budget, const Scenario& scenario, const Simulated& simulated) {
  const double difference = simulated.snr_db - to_db(budget.snr);
  std::vector<Fact> facts = {
      {"simulated", "simulated", simulated.what, simulated.what},
      {"simulated_snr_db", "its SNR", simulated.snr_db, readable(simulated.snr_db) + " dB"},
      {"difference_db", "over expectation", difference, readable(difference, 2) + " dB"},
  };
  if (simulated.ber)
    facts.push_back({"simulated_ber", "its BER", *simulated.ber, readable(*simulated.ber, 3)});
  const std::string why = explanation(budget, scenario, simulated.snr_db, simulated.difference);
  facts.push_back({"explanation", "because", why, why});
  return facts;
}

/// Text for people has one explanation, below the table; every other format one in each row.
void print_curve(Table table, const std::string& why, Format format) {
  if (format != Format::kText) return print(std::cout, table, format);
  std::erase_if(table.columns, [](const Column& column) { return column.name == "explanation"; });
  print(std::cout, {{"points", table}}, {{"explanation", "because", why, why}}, format);
}

/// Facts and tables about the scenario, and what it was set beside.
StudyFile budget_study(const Budget& budget, const std::vector<Fact>& more) {
  StudyFile study{"budget", {}, budget_facts(budget)};
  study.facts.insert(study.facts.end(), more.begin(), more.end());
  if (!budget.spans.empty()) study.tables.emplace_back("spans", span_table(budget));
  study.tables.emplace_back("noise", noise_table(budget));
  return study;
}

void print_budget(const Budget& budget, const Scenario& scenario, const std::vector<Fact>& more,
                  const CommandLine& line) {
  const StudyFile study = budget_study(budget, more);
  const CommonOptions& options = line.common();
  if (!options.output.empty()) write_study(study, scenario, options.output);
  if (line.has("spans")) return print(std::cout, span_table(budget), options.format);
  print(std::cout, study.tables, study.facts, options.format);
}

/// The budget beside what the file of that path measured.
void print_beside(const Budget& budget, const Scenario& scenario, const std::string& path,
                  const CommandLine& line) {
  {
    const h5::File file = h5::File::open(path);
    const std::string kind = file.has_attribute("/", "kind") ? file.attribute_text("/", "kind") : "";
    if (kind == "cohlink curve") {
      std::string why;
      const Table table = compare_curve(file, scenario, why);
      if (const std::string& output = line.common().output; !output.empty())
        write_study({"budget", {{"points", table}}, {{"explanation", "because", why, why}}}, scenario,
                    output);
      return print_curve(table, why, line.common().format);
    }
    if (kind == "cohlink result")
      return print_budget(budget, scenario, compare_facts(budget, scenario, read_result(file, scenario)),
                          line);
    if (kind.starts_with("cohlink ") && kind != "cohlink capture")
      throw InputError(path, "a file of kind '" + kind + "'; --compare takes a result, a capture or a curve");
  }
  print_budget(budget, scenario, compare_facts(budget, scenario, receive_capture(path, scenario)), line);
}

/// A budget a point.
void print_grid(const Scenario& scenario, std::vector<Axis> axes, const CommandLine& line) {
  const bool at_best = line.has("optimise");
  const std::string power = "transmitter.launch_power_dbm";
  if (at_best && line.text("optimise") != power)
    throw InputError("--optimise " + line.text("optimise"), "a budget has one optimum, of " + power);
  const SweepPlan plan = make_plan(scenario, std::move(axes), false);
  const std::vector<std::string> varied = varied_keys(plan.axes);
  caution_unread(scenario, varied);
  if (at_best && std::find(varied.begin(), varied.end(), power) != varied.end())
    throw InputError("--optimise " + power, "is varied");
  const Table table = budget_table(plan, at_best);
  if (const std::string& output = line.common().output; !output.empty())
    write_study({"budget", {{"points", table}}, {}}, scenario, output);
  print(std::cout, table, line.common().format);
}

}  // namespace

int budget(const Arguments& arguments) {
  CommandLine line(
      "budget SCENARIO... [--compare result.h5|capture.h5|curve.h5 | --vary KEY=a:step:b]",
      "Closed-form budget, no waveform: power and OSNR per span, what each source of noise takes\n"
      "from the SNR, nonlinear interference by several flavours of the GN model, the optimum\n"
      "launch power, and the BER and margin to expect.");
  namespace po = boost::program_options;
  line.own()("compare", po::value<std::string>()->value_name("FILE"),
             "set beside what was simulated: a result, a capture (received first) or a curve over one key")(
      "vary", po::value<std::vector<std::string>>()->composing()->value_name("KEY=a:step:b"),
      "one row for each value instead, as 'sweep' takes them: SNR, BER, NGMI, rates and margin to expect")(
      "optimise", po::value<std::string>()->value_name("KEY"),
      "with --vary: every row at its best transmitter.launch_power_dbm")("spans",
                                                                         "print the table per span alone")(
      "channels", "print power and OSNR of every channel behind the line alone")(
      "output,o", po::value<std::string>()->value_name("FILE"),
      "write tables and figures as HDF5, for reports");
  if (!line.parse(arguments)) return kDone;
  Scenario scenario = scenario_to_study(line, "budget");
  if (line.has("vary")) {
    line.refuse({"compare", "spans", "channels"}, "is of one scenario; --vary gives a table of many");
    auto axes = parse_vary(take_ties(scenario, line.texts("vary"), "--vary"), "--vary");
    print_grid(scenario, std::move(axes), line);
    return kDone;
  }
  line.refuse({"optimise"}, "goes with --vary; one budget prints its optimum launch power anyway");
  caution_unread(scenario);
  if (line.has("channels")) {
    line.refuse({"compare", "output"}, "has no use with --channels, which prints one table");
    print(std::cout, channel_table(scenario), line.common().format);
    return kDone;
  }
  const Budget budget = make_budget(scenario);
  light_hazard_caution(budget.peak_power);
  if (line.has("compare"))
    print_beside(budget, scenario, line.text("compare"), line);
  else
    print_budget(budget, scenario, {}, line);
  return kDone;
}

}  // namespace cohlink
