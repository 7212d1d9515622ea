#include "tools/study/budget_table.h"

#include <cmath>

#include "sim/signal/awgn_information.h"
#include "sim/signal/units.h"
#include "tools/study/budget.h"
#include "tools/study/files/curve.h"
#include "tools/study/plan/numbers.h"
#include "tools/study/run/at_point.h"

namespace cohlink {
namespace {

Cell finite(double value) { return std::isfinite(value) ? Cell(value) : Cell(); }

Scenario at_best(const Scenario& scenario) {
  const Budget budget = make_budget(scenario);
  if (!budget.optimum_launch_power)
    throw InputError("the line has no best launch power: it needs noise and nonlinearity");
  if (budget.optimum_output_power)
    throw InputError(
        "amplifiers of fixed output (amplifier.output_power_dbm) do not follow the launch power; leave it "
        "out");
  Scenario best = scenario;
  best.set("transmitter.launch_power_dbm", short_decimal(watt_to_dbm(*budget.optimum_launch_power)), {});
  return best;
}

/// Columns behind the varied keys.
struct Columns {
  Column launch{"launch_power_dbm", Look::kHundredths}, osnr{"osnr_db", Look::kHundredths},
      snr{"snr_db", Look::kHundredths}, ber{"ber", Look::kScientific}, ngmi{"ngmi", Look::kFigures},
      rate{"achievable_rate_gbps", Look::kHundredths}, margin{"margin_db", Look::kHundredths};

  void add(const Scenario& scenario) {
    const Budget budget = make_budget(scenario);
    const bool bits = bits_per_symbol(budget.modulation) > 0;
    launch.cells.push_back(finite(as_written(watt_to_dbm(budget.launch_power))));
    osnr.cells.push_back(budget.osnr ? finite(to_db(*budget.osnr)) : Cell());
    snr.cells.push_back(finite(to_db(budget.snr)));
    ber.cells.push_back(budget.ber ? Cell(*budget.ber) : Cell());
    const double information = bits ? awgn_ngmi(constellation(budget.modulation), budget.snr) : 0.0;
    ngmi.cells.push_back(bits ? Cell(information) : Cell());
    rate.cells.push_back(bits ? Cell(achievable_rate(scenario, information) / 1e9) : Cell());
    margin.cells.push_back(budget.margin_db ? finite(*budget.margin_db) : Cell());
  }
};

}  // namespace

Table budget_table(const SweepPlan& plan, bool at_best_power) {
  Columns columns;
  for (std::size_t i = 0; i < plan.points.size(); ++i)
    at_point(plan, i, [&](const SweepPoint& point) {
      columns.add(at_best_power ? at_best(point.scenario) : point.scenario);
      return 0;
    });
  Table table;
  add_axes(table, plan);
  for (auto* column : {&columns.launch, &columns.osnr, &columns.snr, &columns.ber, &columns.ngmi,
                       &columns.rate, &columns.margin})
    table.columns.push_back(std::move(*column));
  add_net_rate(table, plan);
  return table;
}

}  // namespace cohlink
