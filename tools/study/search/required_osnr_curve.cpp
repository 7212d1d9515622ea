#include "tools/study/search/required_osnr_curve.h"

#include <limits>

#include "sim/signal/record/dimension_scales.h"
#include "sim/signal/record/hdf5_write.h"
#include "sim/signal/units.h"
#include "sim/signal/version.h"
#include "tools/study/budget.h"
#include "tools/study/files/curve.h"
#include "tools/study/plan/fec.h"
#include "tools/study/plan/numbers.h"
#include "tools/study/plan/theory.h"
#include "tools/study/search/limit.h"

namespace cohlink {
namespace {

constexpr double kNone = std::numeric_limits<double>::quiet_NaN();

std::optional<Threshold> threshold_of(const Scenario& scenario, const std::string& criterion) {
  return criterion.empty() ? verdict_threshold(scenario)
                           : parse_criterion(criterion, scenario, "--criterion").threshold(scenario);
}

/// None of what a code leaves.
double theory_osnr_db(const Scenario& scenario, const std::string& criterion) {
  const Threshold threshold = *threshold_of(scenario, criterion);
  if (threshold.quality == Quality::kPostFecBer) return kNone;
  return EquivalentSnr(scenario, threshold.quality).db(threshold.value) +
         to_db(scenario.number("signal.symbol_rate_gbd") * 1e9 / kOsnrBandwidthHz);
}

bool is_count(const std::string& column) {
  return column == "frames" || column == "errors" || column == "bits";
}

void write_column(h5::NewFile& file, const Column& column, const h5::Shape& shape) {
  const std::string name = "/" + column.name;
  if (is_count(column.name)) {
    std::vector<std::uint64_t> counts;
    for (const Cell& cell : column.cells) counts.push_back(std::get<std::uint64_t>(cell));
    file.write<std::uint64_t>(name, counts, shape);
    return;
  }
  std::vector<double> numbers;
  for (const Cell& cell : column.cells) {
    const auto* number = std::get_if<double>(&cell);
    numbers.push_back(number != nullptr ? *number : kNone);
  }
  file.write<double>(name, numbers, shape);
  write_unit(file, name, unit_of_column(column.name));
}

void write_axis(h5::NewFile& file, const Axis& axis) {
  if (axis.numeric)
    file.write("/" + axis.key, axis.numbers());
  else
    file.write_texts("/" + axis.key, axis.values);
  write_unit(file, "/" + axis.key, unit_of_column(axis.key));
}

}  // namespace

RequiredOsnrRule required_osnr_rule(const Scenario& scenario, const std::string& criterion) {
  const std::optional<Threshold> threshold = threshold_of(scenario, criterion);
  if (!threshold && criterion.empty()) scenario.reject("fec.code", "gives no threshold for a required OSNR");
  if (!threshold)
    throw InputError(
        "--criterion " + criterion,
        "is nothing that an OSNR is required for; fec, ber=B, ngmi=I, achievable_rate_gbps=R and "
        "post_fec_ber=B are");
  RequiredOsnrRule rule;
  rule.threshold = threshold->value;
  rule.quality = threshold->quality;
  rule.most_frames = 4 * static_cast<std::uint64_t>(scenario.integer("run.frames"));
  return rule;
}

Table required_osnr_table(const SweepPlan& plan, const std::vector<RequiredOsnr>& found,
                          const std::vector<FoundReference>& references, const std::string& criterion) {
  Table table;
  add_axes(table, plan);
  Column osnr{"required_osnr_db", Look::kHundredths}, low{"required_osnr_low", Look::kHundredths},
      high{"required_osnr_high", Look::kHundredths}, theory{"required_osnr_theory", Look::kHundredths},
      over{"penalty_db", Look::kHundredths}, over_low{"penalty_low", Look::kHundredths},
      over_high{"penalty_high", Look::kHundredths}, against{"reference_osnr_db", Look::kHundredths},
      frames{"frames"}, errors{"errors"}, bits{"bits"}, name{"reference"};
  for (std::size_t i = 0; i < found.size(); ++i) {
    const RequiredOsnr& r = found[i];
    osnr.cells.emplace_back(r.found ? r.osnr_db : kNone);
    low.cells.emplace_back(r.found ? r.low_db : kNone);
    high.cells.emplace_back(r.found ? r.high_db : kNone);
    theory.cells.emplace_back(theory_osnr_db(plan.points[i].scenario, criterion));
    if (!references.empty()) {
      const RequiredOsnr& reference = references[i].osnr;
      const Penalty p = r.found && reference.found ? penalty(r, reference) : Penalty{kNone, kNone};
      over.cells.emplace_back(p.db);
      over_low.cells.emplace_back(p.db - p.half_width_db);
      over_high.cells.emplace_back(p.db + p.half_width_db);
      against.cells.emplace_back(reference.found ? reference.osnr_db : kNone);
      name.cells.emplace_back(references[i].name);
    }
    frames.cells.emplace_back(r.frames);
    errors.cells.emplace_back(r.errors);
    bits.cells.emplace_back(r.bits);
  }
  for (auto* column : {&osnr, &low, &high, &theory}) table.columns.push_back(std::move(*column));
  if (!references.empty())
    for (auto* column : {&over, &over_low, &over_high, &against}) table.columns.push_back(std::move(*column));
  for (auto* column : {&frames, &errors, &bits}) table.columns.push_back(std::move(*column));
  if (!references.empty()) table.columns.push_back(std::move(name));
  add_net_rate(table, plan);
  return table;
}

void write_required_osnr(const SweepPlan& plan, const Table& whole, const std::string& reference,
                         const std::string& path) {
  Table table = whole;
  std::erase_if(table.columns, [](const Column& column) { return column.name == "reference"; });
  DimensionScales dimensions;
  for (const auto& axis : plan.axes) dimensions.scales.push_back("/" + axis.key);
  for (std::size_t c = plan.axes.size(); c < table.columns.size(); ++c)
    dimensions.datasets.push_back("/" + table.columns[c].name);
  h5::create(path, [&](h5::NewFile& file) {
    file.attribute("/", "kind", std::string("cohlink curve"));
    file.attribute("/", "format", 1.0);
    file.attribute("/", "version", std::string(version().number));
    file.attribute("/", "git_hash", std::string(version().git_hash));
    file.attribute("/", "seed", static_cast<std::uint64_t>(plan.base.integer("run.seed")));
    // All searches count the same frames, whether that was asked for or not.
    file.attribute("/", "common_noise", std::string("yes"));
    write_threshold(file, plan.base);
    file.attribute("/", "axes", axis_names(plan));
    const std::string measure = table.find("penalty_db") == nullptr ? "required_osnr_db" : "penalty_db";
    file.attribute("/", "measure", measure);
    if (!reference.empty()) file.attribute("/", "reference", reference);
    file.write_text("/scenario", plan.base.resolved());
    for (const auto& axis : plan.axes) write_axis(file, axis);
    for (std::size_t c = plan.axes.size(); c < table.columns.size(); ++c)
      write_column(file, table.columns[c], plan.shape());
    write_words(file, plan, measure);
    attach_scales(file, dimensions);
  });
}

}  // namespace cohlink
