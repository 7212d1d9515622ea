#include "tools/study/files/curve.h"

#include <algorithm>
#include <cmath>
#include <limits>

#include "rx/quality/metrics.h"
#include "sim/signal/record/dimension_scales.h"
#include "sim/signal/record/hdf5_write.h"
#include "sim/signal/version.h"
#include "tools/study/files/words.h"
#include "tools/study/plan/fec.h"
#include "tools/study/plan/numbers.h"
#include "tools/study/plan/theory.h"
#include "tools/study/search/search.h"

namespace cohlink {
namespace {

constexpr double kNone = std::numeric_limits<double>::quiet_NaN();

/// Nothing instead of NaN or infinity: such a value does not exist.
Cell finite(double value) { return std::isfinite(value) ? Cell(value) : Cell(); }

/// What was asked for, with its interval and what ideal reception makes of it.
void add_output(Table& table, const SweepPlan& plan, const std::vector<Tally>& tallies,
                const std::string& output) {
  const bool level = output.ends_with("_db") || output.ends_with("_percent");
  const Look look = level ? Look::kHundredths : output.starts_with("ber") ? Look::kScientific : Look::kShort;
  Column value{output, look}, low{bound_name(output, "low"), look}, high{bound_name(output, "high"), look};
  for (const Tally& tally : tallies) {
    const MeasuredOutput m = measured(tally.total(), output);
    value.cells.push_back(finite(m.value));
    low.cells.push_back(finite(m.low));
    high.cells.push_back(finite(m.high));
  }
  for (auto* column : {&value, &low, &high}) table.columns.push_back(std::move(*column));
  if (!has_theory(output)) return;
  Column& theory = table.add(bound_name(output, "theory"), look);
  for (const SweepPoint& point : plan.points)
    theory.cells.push_back(finite(theory_of(point.scenario, output).value_or(kNone)));
}

std::vector<double> as_numbers(const Column& column) {
  std::vector<double> numbers;
  for (const auto& cell : column.cells) {
    const auto* number = std::get_if<double>(&cell);
    numbers.push_back(number != nullptr ? *number : kNone);
  }
  return numbers;
}

std::vector<std::uint64_t> as_counts(const Column& column) {
  std::vector<std::uint64_t> counts;
  for (const auto& cell : column.cells) counts.push_back(std::get<std::uint64_t>(cell));
  return counts;
}

bool holds_text(const Column& column) { return column.name == "verdict"; }
bool holds_counts(const Column& column) { return column.name == "errors" || column.name == "bits"; }

/// "/channel.osnr_db", the data set of a column or an axis.
std::string dataset_name(const std::string& column) { return "/" + column; }

void write_axis(h5::NewFile& file, const Axis& axis) {
  if (axis.numeric)
    file.write(dataset_name(axis.key), axis.numbers());
  else
    file.write_texts(dataset_name(axis.key), axis.values);
  write_unit(file, dataset_name(axis.key), unit_of_column(axis.key));
}

/// Verdicts are numbers in the file (text does not grid well); their meaning is an attribute.
std::vector<std::int64_t> verdict_codes(const Column& column) {
  std::vector<std::int64_t> codes;
  for (const auto& cell : column.cells) {
    const auto* text = std::get_if<std::string>(&cell);
    codes.push_back(text == nullptr                ? -1
                    : *text == "pass"              ? 1
                    : *text == "fail"              ? 0
                    : text->starts_with("no lock") ? 3
                                                   : 2);
  }
  return codes;
}

void write_column(h5::NewFile& file, const Column& column, const h5::Shape& shape) {
  const std::string name = dataset_name(column.name);
  if (holds_text(column)) {
    file.write<std::int64_t>(name, verdict_codes(column), shape);
    file.attribute(name, "meaning",
                   "1 = pass, 0 = fail, 2 = undecided, 3 = no lock in some frames, -1 = no threshold");
  } else if (holds_counts(column)) {
    file.write<std::uint64_t>(name, as_counts(column), shape);
  } else {
    file.write<double>(name, as_numbers(column), shape);
  }
  write_unit(file, name, unit_of_column(column.name));
}

void write_counters(h5::NewFile& file, const std::vector<Tally>& tallies) {
  Counters all;
  for (const auto& tally : tallies)
    for (const auto& [name, events] : tally.total().counters) all[name] += events;
  for (const auto& [name, events] : all) file.attribute("/", name, events);
}

}  // namespace

std::string axis_names(const SweepPlan& plan) {
  std::string names;
  for (const auto& axis : plan.axes) names += (names.empty() ? "" : ",") + axis.key;
  return names;
}

void write_words(h5::NewFile& file, const SweepPlan& plan, const std::string& measure) {
  for (const auto& axis : plan.axes)
    file.attribute(dataset_name(axis.key), "long_name", quantity_of(axis.key).words);
  file.attribute(dataset_name(measure), "long_name", quantity_of(measure).words);
}

/// Where a fibre was redrawn: how its realisations are spread.
void add_spread(Table& table, const SweepPlan& plan, const std::vector<Tally>& tallies) {
  if (std::none_of(tallies.begin(), tallies.end(), [](const Tally& t) { return !t.total().fibres.empty(); }))
    return;
  Column median{"snr_median_db", Look::kHundredths}, tenth{"snr_tenth_db", Look::kHundredths},
      outage{"outage", Look::kScientific}, low{"outage_low", Look::kScientific},
      high{"outage_high", Look::kScientific};
  for (std::size_t i = 0; i < tallies.size(); ++i) {
    const auto threshold = verdict_threshold(plan.points[i].scenario);
    const std::vector<FibreResult>& fibres = tallies[i].total().fibres;
    const FibreSpread spread = spread_of(fibres, threshold.value_or(Threshold{}));
    const bool judged = threshold && !fibres.empty();
    median.cells.push_back(finite(spread.snr_median_db));
    tenth.cells.push_back(finite(spread.snr_tenth_db));
    outage.cells.push_back(judged ? Cell(spread.outage) : Cell());
    low.cells.push_back(judged ? Cell(spread.outage_interval.low) : Cell());
    high.cells.push_back(judged ? Cell(spread.outage_interval.high) : Cell());
  }
  for (auto* column : {&median, &tenth, &outage, &low, &high}) table.columns.push_back(std::move(*column));
}

namespace {

/// Measured SNR over what ideal reception needs for the verdict's threshold, without errors as well.
Cell margin_of(const Scenario& scenario, const FrameResult& total) {
  const auto threshold = verdict_threshold(scenario);
  if (!threshold || total.unlocked > 0 || total.count.bits == 0) return {};
  return finite(total.snr_db() - EquivalentSnr(scenario, threshold->quality).db(threshold->value));
}

/// What is known of the decoder's bits, how far it is to the threshold, and what the code leaves, where the
/// format has bits.
void add_information(Table& table, const SweepPlan& plan, const std::vector<Tally>& tallies) {
  const auto any = [&](auto has) { return std::any_of(plan.points.begin(), plan.points.end(), has); };
  if (!any([](const SweepPoint& p) { return bits_per_symbol(scenario_modulation(p.scenario)) > 0; })) return;
  Column ngmi{"ngmi", Look::kFigures}, margin{"margin_db", Look::kHundredths};
  for (std::size_t i = 0; i < tallies.size(); ++i) {
    const FrameResult& total = tallies[i].total();
    ngmi.cells.push_back(total.count.bits > 0 ? finite(total.mean_ngmi()) : Cell());
    margin.cells.push_back(margin_of(plan.points[i].scenario, total));
  }
  if (table.find("ngmi") == nullptr) table.columns.push_back(std::move(ngmi));
  if (any([](const SweepPoint& p) { return verdict_threshold(p.scenario).has_value(); }))
    table.columns.push_back(std::move(margin));
  add_net_rate(table, plan);
}

}  // namespace

void add_axes(Table& table, const SweepPlan& plan) {
  for (std::size_t axis = 0; axis < plan.axes.size(); ++axis) {
    Column& column = table.add(plan.axes[axis].key);
    for (const auto& point : plan.points) {
      const auto number = plan.axes[axis].numeric ? parse_number(point.values[axis]) : std::nullopt;
      column.cells.push_back(number ? Cell(*number) : Cell(point.values[axis]));
    }
  }
}

void add_net_rate(Table& table, const SweepPlan& plan) {
  Column net{"net_rate_gbps", Look::kHundredths};
  for (const SweepPoint& point : plan.points) {
    const auto rate = bit_rates(point.scenario).net;
    net.cells.push_back(rate && *rate > 0.0 ? Cell(as_written(*rate / 1e9)) : Cell());
  }
  if (std::any_of(net.cells.begin(), net.cells.end(),
                  [](const Cell& cell) { return std::holds_alternative<double>(cell); }))
    table.columns.push_back(std::move(net));
}

Table curve_table(const SweepPlan& plan, const std::vector<Tally>& tallies, const std::string& output) {
  Table table;
  add_axes(table, plan);
  if (!output.empty()) add_output(table, plan, tallies, output);
  const auto ratio = Look::kScientific, level = Look::kHundredths;
  Column ber{"ber", ratio}, low{"ber_low", ratio}, high{"ber_high", ratio}, errors{"errors"}, bits{"bits"},
      q{"q_db", level}, snr{"snr_db", level}, evm{"evm_percent", level}, theory{"ber_theory", ratio},
      verdicts{"verdict"};
  for (std::size_t i = 0; i < tallies.size(); ++i) {
    const FrameResult& total = tallies[i].total();
    const Scenario& scenario = plan.points[i].scenario;
    const bool counted = total.count.bits > 0;
    const Interval interval = total.ber_interval();
    const auto threshold = verdict_threshold(scenario);
    ber.cells.push_back(counted ? Cell(total.count.ber()) : Cell());
    low.cells.push_back(counted ? Cell(interval.low) : Cell());
    high.cells.push_back(counted ? Cell(interval.high) : Cell());
    errors.cells.push_back(total.count.errors);
    bits.cells.push_back(total.count.bits);
    q.cells.push_back(counted ? finite(q_from_ber_db(total.count.ber())) : Cell());
    snr.cells.push_back(finite(total.snr_db()));
    evm.cells.push_back(finite(total.evm_percent()));
    const auto closed_form = theory_ber(scenario);
    theory.cells.push_back(closed_form ? Cell(*closed_form) : Cell());
    // A point that loses frames altogether has failed, whatever the frames it kept say.
    if (total.unlocked > 0)
      verdicts.cells.emplace_back("no lock in " + std::to_string(total.unlocked) + " of " +
                                  std::to_string(tallies[i].frames()));
    else if (counted && threshold)
      verdicts.cells.emplace_back(
          verdict(*threshold, threshold->quality == Quality::kBer ? interval : total.ngmi_interval()));
    else
      verdicts.cells.emplace_back();
  }
  for (auto* column : {&ber, &low, &high, &errors, &bits, &q, &snr, &evm, &theory, &verdicts})
    if (column->name != output) table.columns.push_back(std::move(*column));
  add_spread(table, plan, tallies);
  add_information(table, plan, tallies);
  return table;
}

void write_threshold(h5::NewFile& file, const Scenario& scenario) {
  if (const auto threshold = verdict_threshold(scenario))
    file.attribute("/", threshold->quality == Quality::kBer ? "threshold_ber" : "threshold_ngmi",
                   threshold->value);
}

void write_curve(const SweepPlan& plan, const std::vector<Tally>& tallies, const Table& table,
                 const std::string& output, const std::string& path) {
  DimensionScales dimensions;
  for (const auto& axis : plan.axes) dimensions.scales.push_back(dataset_name(axis.key));
  for (std::size_t c = plan.axes.size(); c < table.columns.size(); ++c)
    dimensions.datasets.push_back(dataset_name(table.columns[c].name));
  dimensions.datasets.push_back("/frames");
  dimensions.datasets.push_back("/frames_without_lock");

  h5::create(path, [&](h5::NewFile& file) {
    file.attribute("/", "kind", "cohlink curve");
    file.attribute("/", "format", 1.0);
    file.attribute("/", "version", std::string(version().number));
    file.attribute("/", "git_hash", std::string(version().git_hash));
    file.attribute("/", "seed", static_cast<std::uint64_t>(plan.base.integer("run.seed")));
    file.attribute("/", "common_noise", std::string(plan.common_noise ? "yes" : "no"));
    write_threshold(file, plan.base);
    file.attribute("/", "axes", axis_names(plan));
    const std::string measure = output.empty() ? std::string("ber") : output;
    file.attribute("/", "measure", measure);
    file.write_text("/scenario", plan.base.resolved());
    for (const auto& axis : plan.axes) write_axis(file, axis);
    for (std::size_t c = plan.axes.size(); c < table.columns.size(); ++c)
      write_column(file, table.columns[c], plan.shape());
    write_words(file, plan, measure);
    std::vector<std::uint64_t> frames, unlocked;
    for (const auto& tally : tallies) {
      frames.push_back(tally.frames());
      unlocked.push_back(tally.total().unlocked);
    }
    file.write<std::uint64_t>("/frames", frames, plan.shape());
    file.write<std::uint64_t>("/frames_without_lock", unlocked, plan.shape());
    file.attribute("/frames_without_lock", "meaning", "frames left out of ber, snr_db and evm_percent");
    write_counters(file, tallies);
    attach_scales(file, dimensions);
  });
}

}  // namespace cohlink
