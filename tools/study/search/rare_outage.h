// Outages too rare to count: many realisations are drawn and looked at without simulating them, a few of each
// kind are simulated. Two-phase sampling with stratification: J. Neyman, J. Am. Stat. Assoc. 33, 101 (1938);
// W. G. Cochran, Sampling Techniques (Wiley 1977), ch. 12. What is drawn in the first phase is the model's
// own fibre, so that the tail is that of the model with the sections it has.
#pragma once

#include <cstdint>
#include <string>
#include <vector>

#include "tools/study/search/outage.h"

namespace cohlink {

/// How hard a realisation is on the receiver, as far as can be seen without simulating it: (DGD x symbol
/// rate)^2, with which the penalty of first-order PMD grows (C. D. Poole, R. W. Tkach, A. R. Chraplyvy and D.
/// A. Fishman, IEEE Photon. Technol. Lett. 3(1) 68, 1991), plus the PDL over 5 dB. Any order of realisations
/// gives the same mean result; one that follows the penalty gives it sooner.
struct Severity {
  double dgd_ps = 0, pdl_db = 0, score = 0;
};

/// Of realisations 0 to count - 1, at the carrier: fibre, amplifiers and what is drawn.
std::vector<Severity> screen(const Scenario& scenario, const std::vector<Draw>& draws, std::uint64_t count,
                             unsigned threads);

/// Realisations of like severity.
struct Stratum {
  std::uint64_t screened = 0, simulated = 0, outages = 0;
  Severity mildest, hardest;
};

struct RareOutage {
  double probability = 0;
  Interval interval;  // at the confidence asked for
  double reference_snr_db = 0;
  std::vector<Stratum> strata;  // the hardest first
  std::uint64_t frames = 0;
  std::string remark;  // what the interval rests on
};

struct RareOutageRule {
  std::uint64_t frames = 1000;  // simulated, shared out evenly over the strata
  double confidence = 0.95;
};

/// Strata twice as large from one to the next, the first of the hardest 16 realisations. P = sum over strata
/// of (share of the screened) x (outages / simulated). The interval is that of a weighted sum of Poisson
/// counts (M. P. Fay and E. J. Feuer, Stat. Med. 16, 791, 1997). It lets one outage be missed in the mildest
/// stratum that had some and in the next milder one, and none further down: that outages grow with severity
/// is the assumption, and the strata show it. InputError and RunError as find_outage.
RareOutage find_rare_outage(const OutageQuestion& question, const std::vector<Severity>& screened,
                            const RareOutageRule& rule, const SourceMaker& source, unsigned threads);

}  // namespace cohlink
