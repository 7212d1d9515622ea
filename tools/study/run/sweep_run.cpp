#include "tools/study/run/sweep_run.h"

#include <algorithm>

#include "tools/study/files/curve.h"
#include "tools/study/plan/arithmetic.h"
#include "tools/study/run/at_point.h"
#include "tools/study/run/reuse.h"
#include "tools/study/run/sweep_work.h"
#include "tools/study/search/required_osnr_curve.h"

namespace cohlink {

double check_points(const SweepOrder& order, const Part& part, const FftCache& fft, unsigned threads) {
  const bool searched = order.searches();
  const auto check = [&](const Scenario& scenario) {
    if (searched) required_osnr_rule(scenario, order.criterion);
    bit_rates(scenario);  // which the table names
    return Bench(scenario, fft).link.peak_fibre_power();
  };
  const std::vector<std::size_t> points = points_of(order.plan, part);
  std::vector<double> power(points.size());
  for_each_index(power.size(), threads, [&](std::size_t i) {
    power[i] =
        at_point(order.plan, points[i], [&](const SweepPoint& point) { return check(point.scenario); });
  });
  if (order.measure == SweepMeasure::kPenalty) {
    for (const Scenario& reference : penalty_references(order, points)) power.push_back(check(reference));
  }
  return power.empty() ? 0.0 : *std::max_element(power.begin(), power.end());
}

SweepRecords run_sweep(const SweepOrder& order, const SweepRunOptions& options, const FftCache& fft) {
  const SweepWork work =
      order.searches() ? search_sweep(order, options, fft) : frame_sweep(order, options, fft);
  if (!world().leads()) {
    work.follow([&] { return arithmetic_of(fft); });
    return {};
  }
  SweepRecords records = work.lead();
  records.arithmetic = arithmetic_of(fft);
  for (const std::string& other : work.last_words())
    if (const auto what = unlike_arithmetic(records.arithmetic, other); !what.empty()) {
      if (options.remark) options.remark(arithmetic_remark("the ranks", what));
      break;
    }
  return records;
}

namespace {

/// What the penalties of a file are against, in words.
std::string reference_text(const SweepOrder& order) {
  if (order.measure != SweepMeasure::kPenalty) return "";
  if (order.reference.empty()) return "the first point: " + describe(order.plan, order.plan.points.front());
  std::string kept;
  const auto given = parse_vary({order.reference});
  for (const Axis& axis : order.plan.axes)
    if (std::none_of(given.begin(), given.end(), [&](const Axis& other) { return other.key == axis.key; }))
      kept += (kept.empty() ? "; as at the point itself: " : ", ") + axis.key;
  return order.reference + kept;
}

}  // namespace

Table table_of(const SweepOrder& order, const SweepRecords& records) {
  if (!order.searches()) return curve_table(order.plan, records.tallies, order.output);
  std::vector<FoundReference> references;
  for (std::size_t i = 0; i < records.references.size(); ++i)
    references.push_back({records.references[i], penalty_reference(order, order.plan.points[i]).name});
  return required_osnr_table(order.plan, records.found, references, order.criterion);
}

void write_sweep(const SweepOrder& order, const SweepRecords& records, const Table& table,
                 const std::string& path) {
  if (order.searches())
    write_required_osnr(order.plan, table, reference_text(order), path);
  else
    write_curve(order.plan, records.tallies, table, order.output, path);
}

}  // namespace cohlink
