// The cheapest receiver that still closes a link: which of its settings and blocks can be cut, at what saving
// and what penalty, and the cheapest combination within a penalty allowed.
#pragma once

#include <cstdint>
#include <functional>
#include <optional>
#include <string>
#include <vector>

#include "tools/study/cost_table.h"
#include "tools/study/plan/cuts.h"
#include "tools/study/plan/outputs.h"
#include "tools/study/search/search.h"

namespace cohlink {

struct EconomiseOrder {
  Scenario scenario;
  std::vector<Cut> cuts;
  double penalty_db = 0.5;              // of SNR, allowed
  std::uint64_t frames = 6;             // captures that the search looks at
  std::uint64_t fresh_frames = 20;      // others, on which the answer is verified
  std::size_t most_combinations = 300;  // measured at most for the answer
  std::size_t front_combinations = 16;  // and for each further penalty of the front
};

/// A receiver with some cuts made. Penalty: dB of SNR that it loses against the scenario's own receiver on
/// the same captures: mean over these with Student's interval of the paired differences (W. S. Gosset,
/// Biometrika 6, 1, 1908); NaN where it does not work.
struct LeanReceiver {
  Rungs rungs;
  ReceiverCost cost;
  MeasuredOutput penalty_db{};
  std::uint64_t unlocked = 0, slips = 0;  // frames without lock, cycle slips
  bool works = false;  // locks wherever the scenario's own does, and slips no more than that
  std::string remark;  // why it cannot be set up, or does not work

  /// Shown to lose no more than that: one frame alone, which has no interval, shows nothing.
  bool within(double allowed_db) const { return works && penalty_db.high <= allowed_db; }
};

/// What a receiver costs.
using CostOf = std::function<ReceiverCost(const Scenario&)>;

struct Economy {
  std::vector<Cut> cuts;                 // of the order, those that save something
  std::vector<std::string> idle;         // names of those that save nothing
  LeanReceiver as_is;                    // penalty 0
  std::vector<LeanReceiver> singles;     // one cut at a time, in the order of the cuts
  std::vector<LeanReceiver> measured;    // all that were, singles too, cheapest first
  std::vector<LeanReceiver> front;       // none measured is cheaper and loses less; dearest first
  std::optional<LeanReceiver> cheapest;  // within the penalty, as verified; nothing: no cut is
  MeasuredOutput fresh_penalty_db{};     // of it, on the fresh frames
  double ber = 0, fresh_ber = 0;  // of the scenario's own receiver and of the cheapest, on the fresh frames
  std::uint64_t frames = 0;       // received in all
  bool complete = true;           // none that could be cheaper than the answer was left out
};

/// Told of every receiver that was measured.
using EconomiseProgress = std::function<void(const LeanReceiver&)>;

/// First every cut by itself. Then combinations, the cheapest first, of those that could be within the
/// penalty: a deeper cut never loses less than a shallower one, and of cuts together noise adds at least as
/// much as the worst of them and half of the others do. The front is found so for several penalties, and for
/// whatever still works. The cheapest combination within the penalty has to be so again on fresh frames; else
/// the next cheapest is taken. InputError for a scenario whose own receiver does not lock, or whose [cost]
/// says that nothing costs anything.
Economy economise(const EconomiseOrder& order, const CostOf& cost, const SourceMaker& source,
                  unsigned threads, const EconomiseProgress& progress = {});

// As tables. Cuts, one at a time, and the front: what is cut, operations_per_bit, pj_per_bit, what that is of
// the scenario's own (share), penalty_db with its interval; settings as options for a command line.
Table cut_table(const Economy& economy);
Table front_table(const Economy& economy, const std::vector<LeanReceiver>& receivers);
std::vector<Fact> economy_facts(const EconomiseOrder& order, const Economy& economy);

/// "--set dsp.equaliser_taps=7 --set dsp.chain=...": what makes the scenario's receiver this one.
std::string settings_text(const Scenario& scenario, const std::vector<Cut>& cuts, const Rungs& rungs);

}  // namespace cohlink
