#include "tools/study/plan/plan.h"

#include <algorithm>
#include <array>
#include <map>
#include <string_view>
#include <utility>

#include "sim/link_setup.h"
#include "sim/signal/line/read_line.h"
#include "tools/study/plan/realisations.h"
#include "tools/study/plan/ties.h"

namespace cohlink {
namespace {

constexpr std::size_t kMaximumPoints = 10'000'000;

/// Row-major place `index` in a grid of `shape`.
std::vector<std::size_t> unravel(std::size_t index, const std::vector<std::size_t>& shape) {
  std::vector<std::size_t> place(shape.size());
  for (std::size_t axis = shape.size(); axis-- > 0; index /= shape[axis]) place[axis] = index % shape[axis];
  return place;
}

// The sampling rate may follow from these keys of a later stage: points then share nothing with those of
// another rate.
constexpr std::array<std::string_view, 2> kRateKeys = {"laser_lo.frequency_offset_mhz",
                                                       "frontend.output_saturation_mv"};

bool rate_may_vary(const SweepPlan& plan) {
  return !plan.base.is_set("run.samples_per_symbol") &&
         std::any_of(plan.axes.begin(), plan.axes.end(), [&](const Axis& axis) {
           const auto moving = with_followers(plan.base, axis.keys());
           return std::find_first_of(moving.begin(), moving.end(), kRateKeys.begin(), kRateKeys.end()) !=
                  moving.end();
         });
}

/// The first stage of the bench that meets any of its keys.
BenchStage stage_of(const Scenario& base, const Axis& axis) {
  BenchStage first = BenchStage::kReceiver;
  for (const std::string& key : axis.keys()) first = std::min(first, first_stage(base, key));
  return first;
}

/// Gives each stage of each point its address.
class Addresses {
 public:
  explicit Addresses(const SweepPlan& plan) : shape_(plan.shape()), rate_varies_(rate_may_vary(plan)) {
    for (const Axis& axis : plan.axes) stages_.push_back(stage_of(plan.base, axis));
  }
  StageAddresses of(const SweepPoint& point, const std::vector<std::size_t>& place) {
    const std::size_t samples = rate_varies_ ? link_setup(point.scenario).transmitter.samples_per_symbol : 0;
    StageAddresses addresses;
    for (std::size_t cut = 0; cut < kCuts; ++cut) {
      std::size_t first = 0;  // of the points equal up to here, but for the sampling rate
      for (std::size_t axis = 0; axis < place.size(); ++axis)
        first = first * shape_[axis] + (stages_[axis] <= static_cast<BenchStage>(cut) ? place[axis] : 0);
      addresses[cut] =
          rate_varies_ ? first_[cut].try_emplace({first, samples}, point.index).first->second : first;
    }
    return addresses;
  }

 private:
  std::vector<std::size_t> shape_;
  std::vector<BenchStage> stages_;
  bool rate_varies_;
  std::array<std::map<std::pair<std::size_t, std::size_t>, std::size_t>, kCuts> first_;
};

// Errors on one fibre say nothing of the next: where each frame has its own, all frames are run.
StopRule stop_rule(const Scenario& scenario) {
  if (redraws_fibre(scenario)) return {0, static_cast<std::uint64_t>(scenario.integer("run.frames"))};
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
  plan.common_noise = common_noise;
  const auto shape = plan.shape();
  std::size_t count = 1;
  for (const auto length : shape) {
    count *= length;
    if (count > kMaximumPoints) throw InputError(plan.axes.front().origin, "more than 10 million points");
  }
  Addresses addresses(plan);
  for (std::size_t index = 0; index < count; ++index) {
    SweepPoint point;
    point.index = index;
    point.scenario = base;
    const auto place = unravel(index, shape);
    for (std::size_t axis = 0; axis < plan.axes.size(); ++axis) {
      point.values.push_back(plan.axes[axis].values[place[axis]]);
      plan.axes[axis].set(point.scenario, point.values.back(), plan.axes[axis].origin);
    }
    point.equal = addresses.of(point, place);
    if (!common_noise) point.addresses = point.equal;
    point.stop = stop_rule(point.scenario);
    plan.points.push_back(std::move(point));
  }
  return plan;
}

namespace {

/// The cuts behind which points differ that were equal up to there.
std::array<bool, kCuts> shared_cuts(const SweepPlan& plan) {
  std::array<std::size_t, kCuts + 1> groups;
  for (std::size_t cut = 0; cut <= kCuts; ++cut) {
    groups[cut] = 1;
    for (const Axis& axis : plan.axes)
      if (cut == kCuts || stage_of(plan.base, axis) <= static_cast<BenchStage>(cut))
        groups[cut] *= axis.values.size();
  }
  std::array<bool, kCuts> shared;
  for (std::size_t cut = 0; cut < kCuts; ++cut) shared[cut] = groups[cut] < groups[cut + 1];
  return shared;
}

}  // namespace

ReuseRule reuse_rule(const SweepPlan& plan, unsigned threads) {
  ReuseRule rule;
  if (!plan.base.boolean("run.reuse")) return rule;
  rule.cuts = shared_cuts(plan);
  rule.memory_bytes = static_cast<std::size_t>(plan.base.integer("run.reuse_memory_mb")) << 20;
  // Frame by frame: what is in use and one ahead for each thread.
  rule.most_entries =
      2 * threads * static_cast<std::size_t>(std::count(rule.cuts.begin(), rule.cuts.end(), true));
  return rule;
}

std::vector<std::vector<std::size_t>> sharing_units(const SweepPlan& plan) {
  const auto shared = shared_cuts(plan);
  const auto behind_line = static_cast<std::size_t>(BenchStage::kLine);
  std::size_t cut = behind_line;
  while (cut < kCuts && !shared[cut]) ++cut;
  const bool together = cut < kCuts && has_spans(plan.base);
  std::map<std::size_t, std::vector<std::size_t>> units;
  for (const SweepPoint& point : plan.points)
    units[together ? point.equal[cut] : point.index].push_back(point.index);
  std::vector<std::vector<std::size_t>> result;
  for (auto& [first, points] : units) result.push_back(std::move(points));
  return result;
}

std::string describe(const SweepPlan& plan, const SweepPoint& point) {
  std::string text;
  for (std::size_t axis = 0; axis < plan.axes.size(); ++axis)
    text += (axis == 0 ? "" : ", ") + plan.axes[axis].key + "=" + point.values[axis];
  return text;
}

}  // namespace cohlink
