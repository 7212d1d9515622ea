// Outage: how often a link fails over random realisations of its fibre, and the worst of them.
#pragma once

#include <cstdint>
#include <string>
#include <vector>

#include "tools/study/files/draw.h"
#include "tools/study/search/limit.h"
#include "tools/study/search/search.h"

namespace cohlink {

/// One realisation: frame `number`, birefringence drawn anew, and the values of the drawn keys.
struct Realisation {
  std::uint64_t number = 0;
  std::vector<double> values;  // one per draw
  ErrorCount count;
  double ngmi = 0;
  fec::PostFec post_fec;
  bool locked = true;
  double snr_db = 0;          // -infinity without lock: worse than any
  double snr_penalty_db = 0;  // SNR of the reference over its own; infinity without lock, NaN without
                              // reference
  double dgd_ps = 0;          // differential group delay at the carrier, of fibre and channel.dgd_ps together
  double pdl_db = 0;          // polarisation-dependent loss there, of amplifiers and channel.pdl_db together
  std::string warning;        // the receiver's first; "" without
  bool outage = false;
};

struct Outage {
  double reference_snr_db = 0;  // without PMD and PDL of amplifiers, drawn keys as given; NaN: it lost lock
  std::vector<Realisation> realisations;
  std::uint64_t outages = 0, unlocked = 0;
  Interval probability;      // 95 % Clopper-Pearson
  std::size_t worst = 0;     // index of the worst by the criterion (then by SNR), lost lock worst of all
  std::uint64_t warned = 0;  // realisations in which the receiver warned
  /// The warning given most often, alike but for its numbers, and in how many realisations.
  std::string common_warning;
  std::uint64_t common_count = 0;
  /// Errors that a frame of a BER just at the bound holds; NaN for criteria that count none, or without lock.
  double expected_errors = 0;
  std::string remark;  // where those are too few to judge a frame by: what frames it takes
  /// Value below which a part of the realisations lies, 0 to 1, of a quantity of theirs; NaN values are left
  /// out, and nothing is interpolated towards infinity.
  static double quantile(std::vector<double> values, double part);
};

/// How often what fails: the scenario, what is drawn anew of it in each realisation, and what must hold.
struct OutageQuestion {
  Scenario scenario;
  std::vector<Draw> draws;
  Criterion criterion;
};

/// Runs realisations 0 ... count-1. Outage: the receiver lost lock, or the criterion does not hold, judged by
/// the estimate of the one frame, with a remark where that cannot tell. RunError for a penalty criterion when
/// the reference itself loses lock; InputError for a criterion that one frame cannot be judged by (a penalty
/// in required OSNR).
Outage find_outage(const OutageQuestion& question, std::uint64_t count, const SourceMaker& source,
                   unsigned threads);

/// Counts the frames of those realisations of find_outage that are a part's, for whoever listens to `source`.
void count_realisations(const OutageQuestion& question, const std::vector<std::uint64_t>& numbers,
                        const SourceMaker& source, unsigned threads);

/// Simulates and judges realisations one by one, from any thread; question and source must outlive it.
/// InputError and RunError as find_outage.
class Realiser {
 public:
  Realiser(const OutageQuestion& question, const SourceMaker& source, unsigned threads);
  Realisation operator()(std::uint64_t number) const;
  double reference_snr_db() const { return reference_snr_db_; }

 private:
  const OutageQuestion& question_;
  const SourceMaker& source_;
  double reference_snr_db_;
  FrameSource common_;  // without draws only the frame differs, and one link serves all
};

/// The scenario of one realisation, so that simulating its frame `number` repeats it.
Scenario realisation_scenario(const Scenario& scenario, const std::vector<Draw>& draws, std::uint64_t number);

}  // namespace cohlink
