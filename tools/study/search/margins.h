// What breaks a link first: what each impairment costs now, how far it may grow, and which of them interact.
#pragma once

#include <cstdint>
#include <functional>
#include <optional>
#include <string>
#include <utility>
#include <vector>

#include "tools/study/files/table.h"
#include "tools/study/plan/outputs.h"
#include "tools/study/run/task_farm.h"
#include "tools/study/search/growth.h"
#include "tools/study/search/optimum.h"

namespace cohlink {

struct MarginsOrder {
  Scenario scenario;
  Criterion criterion;
  bool all = false;          // also impairments that are at their ideal
  bool quick = false;        // by closed forms (quick_margins.h)
  double resolution = 0.05;  // of growth (growth.h)
  std::uint64_t frames = 6;  // counted for every cost
  /// Of a key whose best value every scenario gets, with and without impairments.
  std::optional<OptimumRule> optimum{};
};

/// The scenario with some of its impairments at their ideal, by place in the plan; none, one or two.
struct CalmedScenario {
  std::vector<std::size_t> calmed;
  Scenario scenario;
};

/// What will be done, as plain data. Tasks: the growth of each impairment, then frame by frame all cases,
/// then the best value of the scenario as it is where one is asked for.
struct MarginsPlan {
  MarginsOrder order;
  GrowthRule growth;
  std::vector<ScenarioImpairment> impairments;
  std::vector<CalmedScenario> cases;  // the scenario as it is first
  std::vector<std::string> refusals;  // of an impairment that cannot be switched off by itself; "" = it can

  std::size_t counted_frames() const { return order.frames * cases.size(); }
  std::size_t tasks() const { return impairments.size() + counted_frames() + (order.optimum ? 1 : 0); }
};

/// `check` sets a scenario up and throws InputError where its parts do not fit together: so a case may fall
/// out. InputError for a criterion that means nothing here.
MarginsPlan plan_margins(const MarginsOrder& order, const std::function<void(const Scenario&)>& check,
                         unsigned threads);

/// The tasks of a plan, which must outlive them.
TaskFarm margin_tasks(const MarginsPlan& plan, const SourceMaker& source);

struct ImpairmentMargin {
  ScenarioImpairment impairment;
  /// dB of SNR that the scenario gains with this one at its ideal: mean over frames that differ in nothing
  /// else (common random numbers), with Student's interval of the paired differences (W. S. Gosset,
  /// Biometrika 6, 1, 1908). NaN where there is none.
  MeasuredOutput cost;
  GrowthLimit growth;
  double headroom = 0;  // impairments.h; NaN without limit
  std::string remark;
};

/// Two impairments. All in dB of SNR over the scenario without both: what they cost together, what they would
/// cost if their noise powers added, and the difference, whose interval holds for all pairs together
/// (Bonferroni).
struct PairMargin {
  std::size_t first = 0, second = 0;  // places in Margins::impairments
  double joint_db = 0, sum_db = 0;
  MeasuredOutput interaction;
  /// Beyond its interval, and beyond what anybody would notice.
  bool interacts() const;
};

struct Margins {
  MeasuredOutput snr_db;                      // of the scenario as it is
  std::optional<MeasuredOutput> optimum;      // its best value, where each is taken at its best
  std::vector<ImpairmentMargin> impairments;  // what breaks first stands first
  std::vector<PairMargin> pairs;              // the strongest interaction first
  std::uint64_t frames = 0, unlocked = 0;     // of all; of the scenario as it is, without lock
};

/// Puts what breaks first to the front; pairs go with it.
void rank(Margins& margins);

Margins judge_margins(const MarginsPlan& plan, const std::vector<std::string>& lines);

// As tables. Impairments: impairment, value, ideal, cost_db with its interval, headroom, limit, holds_at,
// fails_at, state, remark. Pairs: first, second, joint_db, sum_db, interaction_db with its interval,
// interacts.
Table impairment_table(const Margins& margins);
Table pair_table(const Margins& margins, bool interacting_only = false);
std::vector<Fact> margin_facts(const MarginsPlan& plan, const Margins& margins);

}  // namespace cohlink
