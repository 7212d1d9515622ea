#include "tools/study/plan.h"

namespace cohlink {
namespace {

constexpr std::size_t kMaximumPoints = 10'000'000;

/// Row-major place `index` in a grid of `shape`.
std::vector<std::size_t> unravel(std::size_t index, const std::vector<std::size_t>& shape) {
  std::vector<std::size_t> place(shape.size());
  for (std::size_t axis = shape.size(); axis-- > 0; index /= shape[axis]) place[axis] = index % shape[axis];
  return place;
}

StopRule stop_rule(const Scenario& scenario) {
  return {static_cast<std::uint64_t>(scenario.integer("run.target_errors")),
          static_cast<std::uint64_t>(scenario.integer("run.frames"))};
}

}  // namespace

std::vector<std::size_t> SweepPlan::shape() const {
  std::vector<std::size_t> result;
  for (const auto& axis : axes) result.push_back(axis.values.size());
  return result;
}

SweepPlan make_plan(const Scenario& base, std::vector<Axis> axes, bool common_noise) {
  SweepPlan plan;
  plan.axes = std::move(axes);
  plan.base = base;
  const auto shape = plan.shape();
  std::size_t count = 1;
  for (const auto length : shape) {
    count *= length;
    if (count > kMaximumPoints) throw InputError("--vary: more than 10 million points");
  }
  for (std::size_t index = 0; index < count; ++index) {
    SweepPoint point;
    point.index = index;
    point.address = common_noise ? 0 : index;
    point.scenario = base;
    const auto place = unravel(index, shape);
    for (std::size_t axis = 0; axis < plan.axes.size(); ++axis) {
      point.values.push_back(plan.axes[axis].values[place[axis]]);
      point.scenario.set(plan.axes[axis].key, point.values.back(), "--vary");
    }
    point.stop = stop_rule(point.scenario);
    plan.points.push_back(std::move(point));
  }
  return plan;
}

std::string describe(const SweepPlan& plan, const SweepPoint& point) {
  std::string text;
  for (std::size_t axis = 0; axis < plan.axes.size(); ++axis)
    text += (axis == 0 ? "" : ", ") + plan.axes[axis].key + "=" + point.values[axis];
  return text;
}

}  // namespace cohlink
