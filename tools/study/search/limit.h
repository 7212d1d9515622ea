// Where a scenario key crosses a criterion: the reach, the widest linewidth, the largest DGD.
#pragma once

#include <cstdint>
#include <functional>
#include <optional>
#include <string>
#include <vector>

#include "tools/study/search/required_osnr.h"
#include "tools/study/search/search.h"

namespace cohlink {

/// What must hold. Margins are in dB of SNR that ideal reception would need (search.h), above 0 while it
/// holds.
struct Criterion {
  enum class Kind {
    kBer,         // BER at most `bound`
    kNgmi,        // NGMI at least `bound`
    kPostFec,     // BER after decoding at most `bound`
    kRate,        // what an ideal code would carry at least `bound` Gb/s
    kSnr,         // data-aided SNR at least `bound` dB
    kPenalty,     // required OSNR at most `bound` dB above that at the first end of the range
    kSnrPenalty,  // SNR at the scenario's own noise at most `bound` dB below that of a reference
  };
  Kind kind = Kind::kBer;
  double bound = 2e-2;
  bool given_as_q = false;   // a BER that was asked for as Q
  std::string text() const;  // "BER at most 0.02"
  /// SNR, Q and BER after decoding: a frame without lock fails them. A BER counts it as guessed.
  bool needs_lock() const { return kind == Kind::kSnr || kind == Kind::kPostFec || given_as_q; }
  /// BER, NGMI and rate as a threshold of the scenario's frames; nothing of the others.
  std::optional<Threshold> threshold(const Scenario& scenario) const;
};

/// "fec" (what gives the scenario's verdict), "ber" (its threshold of BER), "ber=1e-3", "q_db=8.5",
/// "post_fec_ber=1e-5" (fec.decode), "ngmi=0.92", "achievable_rate_gbps=400", "snr_db=12", "penalty_db=1" (in
/// required OSNR), "snr_penalty_db=1". InputError, beginning with `origin`, else.
Criterion parse_criterion(const std::string& text, const Scenario& scenario, const std::string& origin = "");

struct LimitRule {
  std::string key;          // a number or a whole number
  std::string origin;       // what messages about it begin with, "--vary"; "" = nothing
  double from = 0, to = 0;  // where to look; either end may be the one that holds
  Criterion criterion;
  double resolution = 0.02;    // of the range (of its ratio where the range spans a decade or more)
  std::uint64_t frames = 100;  // at most, for one value of the key
  double confidence = 0.95;    // that every decision of the search is right
};

enum class Decision { kHolds, kFails, kOpen };

struct LimitProbe {
  double value = 0;
  Decision decision = Decision::kOpen;
  /// Estimate and interval at the last look. Without any error there is no estimate (NaN) and no upper end
  /// (infinity): the margin is low_db or more.
  double margin_db = 0, low_db = 0, high_db = 0;
  double ber = 0, ngmi = 0, post_fec_ber = 0;
  std::uint64_t frames = 0, unlocked = 0;  // no margin where it fails by frames without lock
  /// Penalty: the line's own noise leaves less OSNR than the reference's plus the bound. Judged at what it
  /// leaves: what holds there holds, what does not may be the lack of OSNR and stays open.
  bool short_of_osnr = false;
  std::string lacking;  // realisations of a redrawn fibre, where they are too few to decide (realisations.h)
};

/// "no lock in 1 of 4 frames".
std::string lock_text(const LimitProbe& probe);

enum class Crossing {
  kFound,
  kHoldsThroughout,  // proven at both ends and in the middle: the limit lies beyond one of the ends
  kFailsThroughout,
  kUndecided,  // an end or the middle stays open, there are several crossings, or no reference: see `remark`
};

/// "found", "holds throughout", "fails throughout", "undecided".
std::string crossing_name(Crossing crossing);

struct Limit {
  Crossing crossing = Crossing::kUndecided;
  double value = 0;             // of the key at the crossing; whole-number keys: the last that holds
  double holds = 0, fails = 0;  // the nearest values proven on either side: the interval
  std::uint64_t frames = 0;
  std::vector<LimitProbe> probes;         // in the order they were run
  std::optional<RequiredOsnr> reference;  // penalty criteria: at the first end
  std::optional<double> reach_km;         // of all spans at `value`, where the key makes the line longer
  std::string remark;

  bool crossed() const { return crossing == Crossing::kFound; }
};

using LimitProgress = std::function<void(const LimitProbe&)>;

/// Brackets and bisects (by ratio where the range spans a decade or more above 0). A value is counted until
/// its margin's interval leaves 0 out, or its frames are spent; the confidence is shared out over values
/// and looks (Bonferroni), so that all decisions hold together. Values that stay open narrow the search from
/// both sides. Penalty: BER at the reference's required OSNR plus the bound, line and loading together,
/// against the threshold; the reference's own uncertainty widens every interval. A line that is worse by
/// itself is judged at its own OSNR, where it can be proven to hold but not to fail. Common random numbers
/// throughout.
Limit find_limit(const Scenario& scenario, const LimitRule& rule, const SourceMaker& source, unsigned threads,
                 const LimitProgress& progress = {});

}  // namespace cohlink
