// A sweep as asked for, whole or one of its parts: what is measured where, and by what it is known again.
#pragma once

#include <string>
#include <vector>

#include "tools/study/parts/part_file.h"
#include "tools/study/plan/plan.h"

namespace cohlink {

/// What is measured at every point.
enum class SweepMeasure { kBer, kRequiredOsnr, kPenalty, kOutput };

/// A sweep as asked for: all that its numbers follow from.
struct SweepOrder {
  SweepPlan plan;
  SweepMeasure measure = SweepMeasure::kBer;
  std::string output;     // what of a frame, for kOutput (outputs.h)
  std::string criterion;  // what a search is for, as parse_criterion reads it; "" = the scenario's verdict
  std::string reference;  // "KEY=value,..." where the penalty is 0, other keys as at each point; "" = the
                          // first point, for all
  std::string reference_origin;  // what messages about it begin with, "--reference"; "" = nothing

  /// A search at every point, not frames.
  bool searches() const {
    return measure == SweepMeasure::kRequiredOsnr || measure == SweepMeasure::kPenalty;
  }
};

/// "ber", "required_osnr" (or with its unit, "required_osnr_db"), "penalty_db", either of these with a
/// criterion behind it ("required_osnr ngmi=0.9"), or an output of a frame (outputs.h); InputError, beginning
/// with `origin`, else. The plan must be there: only ber and q_db stop at run.target_errors, all other
/// outputs take run.frames frames.
void set_measure(SweepOrder& order, const std::string& text, const std::string& origin = "");

/// The points of a part, by index: points that share a line stay together where there are sets enough.
std::vector<std::size_t> points_of(const SweepPlan& plan, const Part& part);

/// "KEY=value|value|...", as parse_vary reads it.
std::string vary_text(const Axis& axis);

/// "ber", "required_osnr", ...: what set_measure reads.
std::string measure_name(const SweepOrder& order);

/// Where the penalty of a point is 0: `order.reference` over that point, whose other keys it keeps; "" the
/// first point of the grid. InputError for what the keys do not accept.
struct PenaltyReference {
  Scenario scenario;
  std::string name;  // "signal.modulation=16qam, frontend.hybrid_phase_error_deg=0": all keys varied or given
};
PenaltyReference penalty_reference(const SweepOrder& order, const SweepPoint& point);

/// Identity for a journal.
RunIdentity identity_of(const SweepOrder& order, const Part& part);

}  // namespace cohlink
