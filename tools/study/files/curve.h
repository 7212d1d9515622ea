// A finished sweep: its table, and the file that keeps it.
#pragma once

#include <string>
#include <vector>

#include "sim/signal/record/hdf5_write.h"
#include "tools/study/files/table.h"
#include "tools/study/plan/plan.h"
#include "tools/study/run/executor.h"

namespace cohlink {

/// One row a point, in grid order. Columns: the varied keys by their full names, ber, ber_low, ber_high
/// (95 %, FrameResult::ber_interval), errors, bits, q_db, snr_db, evm_percent, ber_theory, verdict. A value
/// that does not exist (BER of symbols without bits, theory without closed form, Q of a BER of 0) is empty.
/// With an `output` (outputs.h) that comes first, with its interval. At the end, where format and code of any
/// point have them: ngmi; margin_db, the SNR over what ideal reception needs for the verdict's threshold
/// (empty where a frame lost lock); net_rate_gbps, what code and pilots leave.
Table curve_table(const SweepPlan& plan, const std::vector<Tally>& tallies, const std::string& output = "");

/// A column for each axis.
void add_axes(Table& table, const SweepPlan& plan);

/// net_rate_gbps (bit_rates), where any point has it.
void add_net_rate(Table& table, const SweepPlan& plan);

/// The varied keys, parted by commas: the attribute "axes" of a curve file.
std::string axis_names(const SweepPlan& plan);

/// Attribute long_name (the CF conventions' name for it) of the axes and of what was measured: the words that
/// stand on an axis of a picture. They must have been written.
void write_words(h5::NewFile& file, const SweepPlan& plan, const std::string& measure);

/// HDF5: one data set a column, shaped as the grid, with the varied keys as dimension scales attached to
/// it; /frames counted; /scenario (before variation); provenance as attributes of the root. Written beside
/// `path`, then renamed. `output`, where not "", becomes the attribute "measure". Throws RunError when the
/// file system refuses.
void write_curve(const SweepPlan& plan, const std::vector<Tally>& tallies, const Table& table,
                 const std::string& output, const std::string& path);

/// The verdict's threshold as an attribute of the root: "threshold_ber" or "threshold_ngmi".
void write_threshold(h5::NewFile& file, const Scenario& scenario);

}  // namespace cohlink
