#include "tools/study/search/margins.h"

#include <algorithm>
#include <cmath>
#include <map>
#include <memory>
#include <mutex>
#include <optional>

#include "sim/signal/execution/threads.h"
#include "sim/signal/scenario/strings.h"
#include "sim/signal/units.h"
#include "tools/study/plan/numbers.h"
#include "tools/study/run/record.h"

namespace cohlink {
namespace {

constexpr double kNoticeable = 0.05;  // dB

/// What keeps a scenario from being set up; "" for one that can be.
std::string refusal_of(const Scenario& scenario, const std::function<void(const Scenario&)>& check) {
  try {
    check(scenario);
    return "";
  } catch (const InputError& error) {
    return error.what();
  }
}

/// The scenario as it is, without each, without each two.
std::vector<CalmedScenario> all_cases(const MarginsPlan& plan) {
  std::vector<CalmedScenario> cases = {{{}, plan.order.scenario}};
  std::vector<std::size_t> present;
  for (std::size_t i = 0; i < plan.impairments.size(); ++i)
    if (!plan.impairments[i].at_ideal) present.push_back(i);
  for (const std::size_t i : present)
    cases.push_back({{i}, without(plan.order.scenario, plan.impairments[i])});
  for (std::size_t a = 0; a < present.size(); ++a)
    for (std::size_t b = a + 1; b < present.size(); ++b) {
      const std::size_t i = present[a], j = present[b];
      cases.push_back({{i, j}, without(cases[a + 1].scenario, plan.impairments[j])});
    }
  return cases;
}

/// Frame sources, each set up when it is first needed and kept.
class Sources {
 public:
  Sources(const std::vector<CalmedScenario>& cases, SourceMaker maker)
      : cases_(cases), maker_(std::move(maker)), sources_(cases.size()), once_(cases.size()) {}
  FrameResult operator()(std::size_t number, std::uint64_t frame) {
    std::call_once(once_[number], [&] { sources_[number] = maker_(cases_[number].scenario); });
    return sources_[number](frame);
  }

 private:
  const std::vector<CalmedScenario>& cases_;
  SourceMaker maker_;
  std::vector<FrameSource> sources_;
  std::vector<std::once_flag> once_;
};

/// Noise over signal of every frame of every case; NaN without lock.
class NoiseTable {
 public:
  NoiseTable(const MarginsPlan& plan, const std::vector<std::string>& lines)
      : frames_(plan.order.frames), cases_(plan.cases.size()) {
    for (std::size_t c = 0; c < cases_; ++c) places_[plan.cases[c].calmed] = c;
    for (std::size_t k = 0; k < plan.counted_frames(); ++k) {
      const FrameResult frame = frame_result_from(lines[plan.impairments.size() + k]);
      noise_.push_back(frame.unlocked > 0 || frame.symbols <= 0.0 ? std::nan("")
                                                                  : frame.noise_sum / frame.symbols);
    }
  }
  std::optional<std::size_t> place(const std::vector<std::size_t>& calmed) const {
    const auto found = places_.find(calmed);
    return found == places_.end() ? std::nullopt : std::optional(found->second);
  }
  double at(std::size_t frame, std::size_t place) const { return noise_[frame * cases_ + place]; }
  /// A quantity over the frames that have it.
  std::vector<double> over_frames(const std::function<double(std::size_t frame)>& quantity) const {
    std::vector<double> values;
    for (std::size_t frame = 0; frame < frames_; ++frame)
      if (const double value = quantity(frame); std::isfinite(value)) values.push_back(value);
    return values;
  }
  std::size_t unlocked(std::size_t place) const {
    std::size_t count = 0;
    for (std::size_t frame = 0; frame < frames_; ++frame) count += std::isnan(at(frame, place));
    return count;
  }

 private:
  std::size_t frames_, cases_;
  std::vector<double> noise_;
  std::map<std::vector<std::size_t>, std::size_t> places_;
};

constexpr double kOrdinary = 0.95;

ImpairmentMargin margin_of(const MarginsPlan& plan, std::size_t i, const NoiseTable& noise,
                           const std::string& growth_line) {
  ImpairmentMargin margin;
  margin.impairment = plan.impairments[i];
  margin.growth = growth_limit_from(growth_line);
  margin.headroom = headroom(margin.impairment, margin.growth.value);
  margin.remark = margin.growth.remark;
  margin.cost = {std::nan(""), std::nan(""), std::nan("")};
  const auto add = [&](const std::string& text) {
    margin.remark += (margin.remark.empty() ? "" : "; ") + text;
  };
  if (const auto moving = plan.order.scenario.followers(margin.impairment.name()); !moving.empty())
    add("with it " + join(moving, ", "));
  if (margin.impairment.at_ideal) return margin;
  const auto calm = noise.place({i});
  if (!calm) {
    add("cannot be switched off by itself: " + plan.refusals[i]);
    return margin;
  }
  margin.cost =
      student(noise.over_frames([&](std::size_t f) { return to_db(noise.at(f, 0) / noise.at(f, *calm)); }),
              kOrdinary);
  const std::size_t now = noise.unlocked(0), then = noise.unlocked(*calm);
  if (then < now) add("without it the receiver locks in " + std::to_string(now - then) + " frames more");
  return margin;
}

std::optional<PairMargin> pair_of(const NoiseTable& noise, std::size_t i, std::size_t j, double confidence) {
  const auto first = noise.place({i}), second = noise.place({j}), both = noise.place({i, j});
  if (!first || !second || !both) return std::nullopt;
  // Without both there is n; one alone leaves n + a, the other n + b: independent noise would make n + a + b.
  const auto alone_i = [&](std::size_t f) { return noise.at(f, *second); };
  const auto alone_j = [&](std::size_t f) { return noise.at(f, *first); };
  const auto sum = [&](std::size_t f) { return alone_i(f) + alone_j(f) - noise.at(f, *both); };
  const auto mean_db = [&](const std::function<double(std::size_t)>& ratio) {
    return student(noise.over_frames([&](std::size_t f) { return to_db(ratio(f)); }), confidence);
  };
  PairMargin pair{i, j, 0, 0, {}};
  pair.joint_db = mean_db([&](std::size_t f) { return noise.at(f, 0) / noise.at(f, *both); }).value;
  pair.sum_db = mean_db([&](std::size_t f) { return sum(f) / noise.at(f, *both); }).value;
  pair.interaction = mean_db([&](std::size_t f) { return noise.at(f, 0) / sum(f); });
  return pair;
}

/// Of a link that fails, what mends it by the least change; limited ones by their headroom; then, by what
/// they cost, those too near to call, and those that nothing limits, and switches.
bool breaks_before(const ImpairmentMargin& a, const ImpairmentMargin& b) {
  const auto order = [](const ImpairmentMargin& m) {
    switch (m.growth.state) {
      case GrowthState::kFailsNow:
        return 0;
      case GrowthState::kFailsAnyway:
        return 1;
      case GrowthState::kLimited:
        return m.impairment.at_ideal ? 4 : 2;
      case GrowthState::kUndecided:
        return 3;
      default:
        return 5;
    }
  };
  if (order(a) != order(b)) return order(a) < order(b);
  const bool failing = a.growth.state == GrowthState::kFailsNow;
  const bool known = a.growth.state != GrowthState::kUndecided;
  if (known && std::isfinite(a.headroom) && std::isfinite(b.headroom) && a.headroom != b.headroom)
    return failing ? a.headroom > b.headroom : a.headroom < b.headroom;
  const auto cost = [](const ImpairmentMargin& m) { return std::isnan(m.cost.value) ? -1e9 : m.cost.value; };
  return cost(a) > cost(b);
}

std::vector<std::size_t> ranking(const std::vector<ImpairmentMargin>& margins) {
  std::vector<std::size_t> order(margins.size());
  for (std::size_t i = 0; i < order.size(); ++i) order[i] = i;
  std::stable_sort(order.begin(), order.end(),
                   [&](std::size_t a, std::size_t b) { return breaks_before(margins[a], margins[b]); });
  return order;
}

std::vector<PairMargin> pairs_of(const MarginsPlan& plan, const NoiseTable& noise) {
  const auto count = static_cast<double>(std::count_if(
      plan.cases.begin(), plan.cases.end(), [](const CalmedScenario& c) { return c.calmed.size() == 2; }));
  std::vector<PairMargin> pairs;
  for (const CalmedScenario& calmed : plan.cases) {
    if (calmed.calmed.size() != 2) continue;
    if (auto pair = pair_of(noise, calmed.calmed[0], calmed.calmed[1], 1.0 - (1.0 - kOrdinary) / count))
      pairs.push_back(*pair);
  }
  const auto size = [](const PairMargin& p) {
    return std::isnan(p.interaction.value) ? -1.0 : std::abs(p.interaction.value);
  };
  std::stable_sort(pairs.begin(), pairs.end(), [&](const PairMargin& a, const PairMargin& b) {
    return a.interacts() != b.interacts() ? a.interacts() : size(a) > size(b);
  });
  return pairs;
}

}  // namespace

bool PairMargin::interacts() const {
  return std::abs(interaction.value) > kNoticeable && (interaction.low > 0.0 || interaction.high < 0.0);
}

MarginsPlan plan_margins(const MarginsOrder& order, const std::function<void(const Scenario&)>& check,
                         unsigned threads) {
  MarginsPlan plan;
  plan.order = order;
  plan.growth.criterion = order.criterion;
  plan.growth.resolution = order.resolution;
  plan.growth.frames = static_cast<std::uint64_t>(order.scenario.integer("run.frames"));
  if (plan.growth.criterion.kind == Criterion::Kind::kSnrPenalty)
    throw InputError(
        "snr_penalty_db is for outage; a growing impairment's penalty is one of required OSNR, penalty_db=P");
  if (plan.growth.criterion.kind != Criterion::Kind::kSnr) EquivalentSnr{order.scenario};
  if (order.optimum) check_criterion(*order.optimum, plan.growth.criterion);
  check(order.scenario);
  plan.impairments = impairments_of(order.scenario, order.all);
  if (order.optimum)
    std::erase_if(plan.impairments,
                  [&](const ScenarioImpairment& i) { return i.name() == order.optimum->key; });
  if (plan.growth.criterion.kind == Criterion::Kind::kPenalty)
    std::erase_if(plan.impairments,
                  [](const ScenarioImpairment& i) { return i.name() == "channel.osnr_db"; });
  std::vector<CalmedScenario> cases = all_cases(plan);
  std::vector<std::string> refused(cases.size());
  for_each_index(cases.size(), threads,
                 [&](std::size_t c) { refused[c] = refusal_of(cases[c].scenario, check); });
  plan.refusals.resize(plan.impairments.size());
  for (std::size_t c = 0; c < cases.size(); ++c) {
    if (refused[c].empty())
      plan.cases.push_back(std::move(cases[c]));
    else if (cases[c].calmed.size() == 1)
      plan.refusals[cases[c].calmed.front()] = refused[c];
  }
  return plan;
}

TaskFarm margin_tasks(const MarginsPlan& plan, const SourceMaker& as_it_is) {
  TaskFarm farm;
  farm.count = plan.tasks();
  const auto& optimum = plan.order.optimum;
  const SourceMaker source = optimum ? optimised(as_it_is, *optimum, 1, {}) : as_it_is;
  const auto sources = std::make_shared<Sources>(plan.cases, source);
  farm.compute = [&plan, as_it_is, source, sources](std::size_t task) {
    const std::size_t growths = plan.impairments.size();
    if (task < growths)
      return to_line(find_growth(plan.order.scenario, plan.impairments[task], plan.growth, source, 1));
    const std::size_t k = task - growths;
    if (k == plan.counted_frames())
      return to_line(find_optimum(plan.order.scenario, *plan.order.optimum, as_it_is, 1).at);
    return to_line((*sources)(k % plan.cases.size(), k / plan.cases.size()));
  };
  return farm;
}

void rank(Margins& margins) {
  const std::vector<std::size_t> order = ranking(margins.impairments);
  std::vector<std::size_t> place(order.size());
  std::vector<ImpairmentMargin> ranked;
  for (std::size_t r = 0; r < order.size(); ++r) {
    place[order[r]] = r;
    ranked.push_back(std::move(margins.impairments[order[r]]));
  }
  margins.impairments = std::move(ranked);
  for (PairMargin& pair : margins.pairs) {
    const auto [low, high] = std::minmax({place[pair.first], place[pair.second]});
    pair.first = low, pair.second = high;
  }
}

Margins judge_margins(const MarginsPlan& plan, const std::vector<std::string>& lines) {
  const NoiseTable noise(plan, lines);
  Margins margins;
  for (std::size_t i = 0; i < plan.impairments.size(); ++i) {
    margins.impairments.push_back(margin_of(plan, i, noise, lines[i]));
    margins.frames += margins.impairments.back().growth.frames;
  }
  margins.frames += plan.order.frames * plan.cases.size();
  margins.unlocked = noise.unlocked(0);
  margins.snr_db =
      student(noise.over_frames([&](std::size_t f) { return -to_db(noise.at(f, 0)); }), kOrdinary);
  if (plan.order.optimum) margins.optimum = measured_output_from(lines.back());
  margins.pairs = pairs_of(plan, noise);
  rank(margins);
  return margins;
}

}  // namespace cohlink
