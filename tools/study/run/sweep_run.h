// Running a sweep, whole or in parts: on threads, under MPI, resumed; the same numbers whichever way.
#pragma once

#include <string>
#include <vector>

#include "sim/signal/execution/fft.h"
#include "tools/study/files/table.h"
#include "tools/study/parts/journal.h"
#include "tools/study/parts/ranks.h"
#include "tools/study/plan/plan.h"
#include "tools/study/run/executor.h"
#include "tools/study/search/required_osnr.h"

namespace cohlink {

/// What is measured at every point.
enum class SweepMeasure { kBer, kRequiredOsnr, kPenalty, kOutput };

/// A sweep as asked for: all that its numbers follow from.
struct SweepOrder {
  SweepPlan plan;
  SweepMeasure measure = SweepMeasure::kBer;
  std::string output;     // what of a frame, for kOutput (outputs.h)
  std::string reference;  // "KEY=value,..." where the penalty is 0, other keys as at each point; "" = the
                          // first point, for all

  /// A search at every point, not frames.
  bool searches() const {
    return measure == SweepMeasure::kRequiredOsnr || measure == SweepMeasure::kPenalty;
  }
};

/// "ber", "required_osnr" (or with its unit, "required_osnr_db"), "penalty_db" or an output of a frame
/// (outputs.h); InputError else. The plan must be there: only ber and q_db stop at run.target_errors, all
/// other outputs take run.frames frames.
void set_measure(SweepOrder& order, const std::string& text);

/// One of `count` parts of a sweep, from 1.
struct Part {
  std::size_t number = 1, count = 1;
  bool whole() const { return count == 1; }
};

/// "2/8"; InputError else.
Part parse_part(const std::string& text);

/// The points of a part, by index: points that share a line stay together where there are sets enough.
std::vector<std::size_t> points_of(const SweepPlan& plan, const Part& part);

/// What was found at the points of a part (or of all), in the order of points_of.
struct SweepRecords {
  std::vector<Tally> tallies;            // ber and outputs
  std::vector<RequiredOsnr> found;       // searches
  std::vector<RequiredOsnr> references;  // penalty: what each point is held against
  std::string arithmetic;                // how this process rounded (arithmetic.h)
};

/// "points", done, certain, ...: see SweepProgress.
using SweepProgressFunction = std::function<void(const SweepProgress&)>;

struct SweepRunOptions {
  unsigned threads = 1;
  Part part;
  Journal* journal = nullptr;  // null: nothing is kept on disk
  SweepProgressFunction progress;
  std::function<void(const std::string&)> remark;  // points without result, and why
};

/// Where the penalty of a point is 0: `order.reference` over that point, whose other keys it keeps; "" the
/// first point of the grid. InputError for what the keys do not accept.
struct PenaltyReference {
  Scenario scenario;
  std::string name;  // "signal.modulation=16qam, frontend.hybrid_phase_error_deg=0": all keys varied or given
};
PenaltyReference penalty_reference(const SweepOrder& order, const SweepPoint& point);

/// Sets up every point of the part once, and the references of a penalty: a value that does not fit must not
/// surface after an hour. Returns the highest power in a fibre [W].
double check_points(const SweepOrder& order, const Part& part, const FftCache& fft, unsigned threads);

/// Runs the part's points. Under MPI every rank calls this; rank 0 hands out frames and gets the records, the
/// others work for it and get nothing.
SweepRecords run_sweep(const SweepOrder& order, const SweepRunOptions& options, const FftCache& fft);

/// Identity for a journal.
RunIdentity identity_of(const SweepOrder& order, const Part& part);

/// Table and curve file of a whole sweep; a part's file for `merge_parts`.
Table table_of(const SweepOrder& order, const SweepRecords& records);
void write_sweep(const SweepOrder& order, const SweepRecords& records, const Table& table,
                 const std::string& path);
void write_part(const SweepOrder& order, const SweepRecords& records, const Part& part,
                const std::string& path);

/// The whole from all of its parts, in any order. InputError, naming files, for one that is no part, twice
/// there, missing, or of another sweep.
struct Merged {
  SweepOrder order;
  SweepRecords records;
  std::string remark;  // where parts were rounded differently; "" else
};
Merged merge_parts(const std::vector<std::string>& paths);

}  // namespace cohlink
