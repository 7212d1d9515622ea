// The value of a key at which the SNR is best, such as the launch power: for curves and limits on which every
// point stands at its own best.
#pragma once

#include <cstdint>
#include <functional>
#include <optional>
#include <string>
#include <vector>

#include "tools/study/files/table.h"
#include "tools/study/plan/outputs.h"
#include "tools/study/search/limit.h"
#include "tools/study/search/search.h"

namespace cohlink {

struct OptimumRule {
  std::string key;                 // holds a number
  std::optional<double> from, to;  // where to look; without them, up to 8 steps either side of the start
  double step = 1.0;               // of the key, at first
  std::uint64_t frames = 4;        // for each value
  std::string origin;              // what messages about it begin with, "--optimise"; "" = nothing
};

/// "transmitter.launch_power_dbm" or "KEY=a:b". InputError, beginning with `origin`, for a key that holds no
/// number or is tied, and for ends in the wrong order or that the key does not accept.
OptimumRule parse_optimum(const std::string& text, const Scenario& scenario, const std::string& origin);

/// InputError for a criterion of penalty, which loads noise of its own: the best value is that of the
/// scenario's.
void check_criterion(const OptimumRule& rule, const Criterion& criterion);

/// As parse_optimum takes it.
std::string optimum_text(const OptimumRule& rule);

struct Optimum {
  MeasuredOutput
      at{};  // the best value, with Student's interval over frames that each have a best of their own
  double snr_db = 0;  // there, of the parabola
  std::uint64_t frames = 0;
};

/// Starts where the budget has its best launch power (other keys, and links without one: at the scenario's
/// value, at the middle of the range), walks uphill by `step` until the best value has a worse one on
/// either side, then lays a parabola through SNRs half a step around it, frame by frame: frames differ in
/// everything but are the same for all values (common random numbers), so that their best values scatter as
/// the answer does. Where frames lose lock there is no interval, and where none locks the start is taken.
/// RunError where the SNR still rises at the end of the range.
Optimum find_optimum(const Scenario& scenario, const OptimumRule& rule, const SourceMaker& source,
                     unsigned threads);

/// The scenario at its best value.
Scenario at_optimum(const Scenario& scenario, const OptimumRule& rule, const Optimum& optimum);

/// Frames of every scenario at its own best value. `found` hears of each search, from whatever thread asked
/// for the scenario.
SourceMaker optimised(SourceMaker source, const OptimumRule& rule, unsigned threads,
                      std::function<void(const Scenario&, const Optimum&)> found);

/// Adds columns to a table, one optimum a row: optimum_KEY (without its section) with _low and _high.
void add_optima(Table& table, const OptimumRule& rule, const std::vector<std::optional<Optimum>>& optima);

}  // namespace cohlink
