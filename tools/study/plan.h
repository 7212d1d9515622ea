// What a sweep will do, as plain data: the grid of points and when each of them has counted enough.
// Nothing here simulates; an executor walks the plan (executor.h).
#pragma once

#include <cstdint>
#include <string>
#include <vector>

#include "sim/signal/scenario.h"
#include "tools/study/vary.h"

namespace cohlink {

/// When a point has counted enough: with the frame that reaches `target_errors` (0 = never), at the latest
/// after `frames`. Applied to frames in frame order, so that it does not depend on which finished first.
struct StopRule {
  std::uint64_t target_errors = 100;
  std::uint64_t frames = 1;
};

struct SweepPoint {
  std::size_t index = 0;            // place in the grid, row-major: the first axis varies slowest
  std::uint64_t address = 0;        // `point` of its random streams
  std::vector<std::string> values;  // one per axis
  Scenario scenario;
  StopRule stop;
};

struct SweepPlan {
  std::vector<Axis> axes;
  std::vector<SweepPoint> points;
  Scenario base;  // before anything was varied

  /// Points along each axis.
  std::vector<std::size_t> shape() const;
};

/// The grid of `axes` over `base`. With `common_noise` every point sees the same random streams, which
/// sharpens differences between points. Throws InputError, before any work, for a value that its key
/// does not accept.
SweepPlan make_plan(const Scenario& base, std::vector<Axis> axes, bool common_noise);

/// "channel.osnr_db=12, signal.modulation=qpsk": names a point in messages.
std::string describe(const SweepPlan& plan, const SweepPoint& point);

}  // namespace cohlink
