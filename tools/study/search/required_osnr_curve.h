// Required OSNR, or the penalty in it, over a grid of scenario keys.
#pragma once

#include <string>
#include <vector>

#include "tools/study/files/table.h"
#include "tools/study/plan/plan.h"
#include "tools/study/search/required_osnr.h"

namespace cohlink {

/// What a point's penalty is held against.
struct FoundReference {
  RequiredOsnr osnr;
  std::string name;  // "signal.modulation=16qam, frontend.hybrid_phase_error_deg=0"
};

/// One row a point, in grid order. Columns: the varied keys by their full names, required_osnr_db,
/// required_osnr_low, required_osnr_high (95 %), required_osnr_theory (ideal chain), with references (one a
/// point, or none) penalty_db, penalty_low, penalty_high (as if independent; common random numbers make them
/// sharper) and reference_osnr_db, then frames, errors, bits and, with references, reference: its name. A
/// point where nothing was found has empty cells. `criterion` as required_osnr_rule takes it.
Table required_osnr_table(const SweepPlan& plan, const std::vector<RequiredOsnr>& found,
                          const std::vector<FoundReference>& references, const std::string& criterion = "");

/// HDF5, one data set a column, shaped and labelled as write_curve (curve.h) does; `reference` says in the
/// attribute of that name what penalties are against, in place of the column.
void write_required_osnr(const SweepPlan& plan, const Table& table, const std::string& reference,
                         const std::string& path);

/// The rule of a scenario: FEC threshold, or a `criterion` of BER, NGMI, rate or BER after decoding as
/// parse_criterion reads it; four times run.frames at most. InputError without a threshold.
RequiredOsnrRule required_osnr_rule(const Scenario& scenario, const std::string& criterion = "");

}  // namespace cohlink
