// Budgets over a grid of scenario keys: a curve by closed forms where waveforms would take hours.
#pragma once

#include "tools/study/files/table.h"
#include "tools/study/plan/plan.h"

namespace cohlink {

/// One row a point: the varied keys, launch_power_dbm, osnr_db, snr_db (expected), ber, ngmi,
/// achievable_rate_gbps (of an ideal code, at that NGMI), margin_db, net_rate_gbps; empty what does not
/// exist. `at_best_power`: every point at its own optimum launch power (LinkBudget). InputError for a
/// scenario that does not fit together, or that has no such power.
Table budget_table(const SweepPlan& plan, bool at_best_power);

}  // namespace cohlink
