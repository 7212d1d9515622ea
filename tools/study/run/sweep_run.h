// Running a sweep, whole or in parts: on threads, under MPI, resumed; the same numbers whichever way.
#pragma once

#include <functional>
#include <string>
#include <vector>

#include "sim/signal/execution/fft.h"
#include "tools/study/files/table.h"
#include "tools/study/parts/journal.h"
#include "tools/study/parts/ranks.h"
#include "tools/study/run/executor.h"
#include "tools/study/run/sweep_order.h"
#include "tools/study/search/required_osnr.h"

namespace cohlink {

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

/// Sets up every point of the part once, and the references of a penalty: a value that does not fit must not
/// surface after an hour. Returns the highest power in a fibre [W].
double check_points(const SweepOrder& order, const Part& part, const FftCache& fft, unsigned threads);

/// Runs the part's points. Under MPI every rank calls this; rank 0 hands out frames and gets the records, the
/// others work for it and get nothing.
SweepRecords run_sweep(const SweepOrder& order, const SweepRunOptions& options, const FftCache& fft);

/// Table and curve file of a whole sweep.
Table table_of(const SweepOrder& order, const SweepRecords& records);
void write_sweep(const SweepOrder& order, const SweepRecords& records, const Table& table,
                 const std::string& path);

}  // namespace cohlink
