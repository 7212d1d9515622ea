// What a sweep will do, as plain data: the grid of points and when each of them has counted enough.
// Nothing here simulates; an executor walks the plan (executor.h).
#pragma once

#include <cstdint>
#include <string>
#include <vector>

#include "sim/signal/scenario/scenario.h"
#include "tools/study/plan/vary.h"
#include "tools/study/run/reuse.h"

namespace cohlink {

/// When a point has counted enough: with the frame that reaches `target_errors` (0 = never), at the latest
/// after `frames`. Applied to frames in frame order, so that it does not depend on which finished first.
struct StopRule {
  std::uint64_t target_errors = 100;
  std::uint64_t frames = 1;
};

struct SweepPoint {
  std::size_t index = 0;            // place in the grid, row-major: the first axis varies slowest
  StageAddresses equal{};           // the first point whose keys are the same up to each stage
  StageAddresses addresses{};       // `point` of the random streams of each stage
  std::vector<std::string> values;  // one per axis
  Scenario scenario;
  StopRule stop;
};

struct SweepPlan {
  std::vector<Axis> axes;
  std::vector<SweepPoint> points;
  Scenario base;  // before anything was varied
  bool common_noise = false;

  /// Points along each axis.
  std::vector<std::size_t> shape() const;
};

/// The grid of `axes` over `base`. The random streams of a stage are addressed by the first point whose keys
/// are the same up to that stage (bench_stage, scenario.h): points that differ only further on see the same
/// data, the same light, the same capture, whether reuse is on or off. With `common_noise` every point sees
/// the same random streams throughout, which sharpens differences between points. Throws InputError, before
/// any work, for a value that its key does not accept.
SweepPlan make_plan(const Scenario& base, std::vector<Axis> axes, bool common_noise);

/// Which stages' outputs are worth keeping: those that serve points which differ only further on; with
/// run.reuse = false none. `threads` frames are in flight at once.
ReuseRule reuse_rule(const SweepPlan& plan, unsigned threads);

/// Sets of points that are best computed together, frame by frame, because they share the light behind a
/// line; every point by itself where there is no line or nothing is shared. In order of their first points.
std::vector<std::vector<std::size_t>> sharing_units(const SweepPlan& plan);

/// "channel.osnr_db=12, signal.modulation=qpsk": names a point in messages.
std::string describe(const SweepPlan& plan, const SweepPoint& point);

}  // namespace cohlink
