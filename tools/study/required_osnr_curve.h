// Required OSNR, or the penalty in it, over a grid of scenario keys.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "tools/study/plan.h"
#include "tools/study/required_osnr.h"
#include "tools/study/table.h"

namespace cohlink {

/// One row a point, in grid order. Columns: the varied keys by their full names, required_osnr_db,
/// required_osnr_low, required_osnr_high (95 %), required_osnr_theory (ideal chain), with a reference
/// penalty_db, penalty_low, penalty_high (as if independent; common random numbers make them sharper), then
/// frames, errors, bits. A point where nothing was found has empty cells.
Table required_osnr_table(const SweepPlan& plan, const std::vector<RequiredOsnr>& found,
                          const std::optional<RequiredOsnr>& reference);

/// HDF5, one data set a column, shaped and labelled as write_curve (curve.h) does.
void write_required_osnr(const SweepPlan& plan, const Table& table, const std::string& path);

/// The rule of a scenario: FEC threshold, four times run.frames at most. InputError without a threshold.
RequiredOsnrRule required_osnr_rule(const Scenario& scenario);

}  // namespace cohlink
