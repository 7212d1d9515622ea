// Spec sheets: what the [require.NAME] sections of a scenario ask, and whether the link holds it.
//
//   [require.dispersion]
//   set = channel.extra_dispersion_ps_per_nm=50000, channel.osnr_db=14
//   measure = ber
//   at_most = 2e-2
//   source = common practice
//
//   set       keys at their extremes, over the scenario; several parted by commas
//   vary      KEY=a:step:b or KEY=v1|v2: every value must hold; with measure = limit, KEY=a:b is searched
//   measure   ber, post_fec_ber (fec.decode), ngmi, achievable_rate_gbps (what an ideal code would carry),
//   q_db,
//             snr_db, evm_percent, required_osnr_db, penalty_db (required OSNR over that of the
//             scenario as it stands), line_rate_gbps, net_rate_gbps (what the code and the pilots leave),
//             limit (value of the varied key where the FEC threshold is crossed)
//   at_most, at_least   the bound; exactly one of them
//   source    where the figure comes from
#pragma once

#include <cstdint>
#include <string>
#include <utility>
#include <vector>

#include "sim/signal/scenario/scenario.h"
#include "tools/study/files/table.h"
#include "tools/study/plan/vary.h"
#include "tools/study/search/search.h"

namespace cohlink {

enum class Measure {
  kBer,
  kQ,
  kSnr,
  kEvm,
  kRequiredOsnr,
  kPenalty,
  kLimit,
  kOutage,
  kLineRate,
  kNetRate,
  kNgmi,
  kRate,
  kPostFec
};

/// One requirement, understood and checked.
struct Requirement {
  std::string name, source;
  std::vector<std::pair<std::string, std::string>> settings;  // key, value
  std::vector<Axis> axes;                                     // at most one; empty: a single point
  double from = 0, to = 0;                                    // of the key in `limit_key`
  std::string limit_key;                                      // measure = limit
  Measure measure = Measure::kBer;
  std::string measure_name;
  double bound = 0;
  bool at_most = true;
  std::string criterion = "fec";  // measure = outage: what a realisation must hold (limit.h)
  double confidence = 0.95;       // that the verdict is right
  std::uint64_t screened = 0;     // measure = outage: 0 = run.frames realisations are counted (rare_outage.h)
};

/// The scenario's requirements in order. InputError, starting with file and line, for one that cannot be
/// understood, a key or value that does not exist, or a scenario without any.
std::vector<Requirement> read_spec_sheet(const Scenario& scenario);

/// The scenario with the requirement's settings.
Scenario with_settings(const Scenario& base, const Requirement& requirement);

/// What was found for one requirement, at the worst of its points.
struct RequirementOutcome {
  double value = 0, low = 0, high = 0;  // estimate and 95 % interval; NaN where there is none
  double margin = 0;                    // above 0: holds
  std::string margin_unit;              // dB of SNR for BER and Q, else the unit of the bound
  std::string verdict;                  // "pass", "fail" (proven, both), "undecided"
  std::string at;                       // the point: "channel.dgd_ps=30"
  std::string remark;                   // why it is undecided or without a value; what the receiver warned of
  std::uint64_t frames = 0;
};

/// Counts each point until its interval leaves the bound out, or run.frames are spent.
RequirementOutcome check_requirement(const Scenario& scenario, const Requirement& requirement,
                                     const SourceMaker& source, unsigned threads);

/// Columns: requirement, verdict, measure, value, low, high, bound, margin, margin_unit, frames, at, remark,
/// source.
Table spec_table(const std::vector<Requirement>& requirements,
                 const std::vector<RequirementOutcome>& outcomes);

}  // namespace cohlink
