// Intervals over realisations of a random fibre. Symbols of one frame see one fibre, so that counting more of
// them says nothing of the others: where the fibre is drawn anew for every frame, frames are the sample.
#pragma once

#include <cstddef>
#include <optional>
#include <vector>

#include "rx/quality/metrics.h"
#include "sim/signal/scenario/scenario.h"
#include "tools/study/plan/fec.h"

namespace cohlink {

/// Fewer realisations than this decide nothing: below it the interval of a skewed quantity's mean, such as a
/// BER's over PMD, is visibly less often right than it says.
inline constexpr std::size_t kFewestRealisations = 20;

/// What one realisation gave; NaN for what was not measured.
struct FibreResult {
  double ber = 0, noise_ratio = 0;  // noise over signal power
  double ngmi = 0;
};

/// Whether a scenario's frames have fibres of their own: birefringence redrawn, and PMD or PDL in the spans.
bool redraws_fibre(const Scenario& scenario);

/// Interval of the mean of independent values of a skewed law: P. Hall, J. Roy. Stat. Soc. B 54(1) 221
/// (1992), which takes the skewness out of Student's t by a cubic transformation. Nothing for fewer than two
/// values or equal ones.
std::optional<Interval> mean_interval(const std::vector<double>& values, double confidence);

/// Interval of the BER over all realisations: what Hall's and that of `count` in bunches (error_interval), so
/// many as the realisations show and as few degrees of freedom leave uncertain (Korn and Graubard, Survey
/// Methodology 24(2), 193, 1998), cover together. [0, 1] for too few realisations.
Interval ber_over_realisations(const std::vector<FibreResult>& fibres, const ErrorCount& count,
                               double bunching, double confidence);

/// Interval of the mean noise ratio; nothing for too few realisations.
std::optional<Interval> noise_over_realisations(const std::vector<FibreResult>& fibres, double confidence);

/// How realisations are spread: SNR [dB] that half and nine tenths of them have or exceed (-infinity without
/// lock, NaN unmeasured), and the share that misses a threshold or lost lock, with its 95 %
/// Clopper-Pearson interval.
struct FibreSpread {
  double snr_median_db = 0, snr_tenth_db = 0;
  double outage = 0;
  Interval outage_interval;
};
FibreSpread spread_of(const std::vector<FibreResult>& fibres, const Threshold& threshold);

/// Value below which a part of the values lies, 0 to 1; NaN values are left out, and nothing is interpolated
/// towards infinity.
double quantile_of(std::vector<double> values, double part);

/// "only 3 of the 20 realisations of the fibre that a decision takes; raise run.frames"; "" where there are
/// enough, or nothing was redrawn.
std::string too_few_text(const std::vector<FibreResult>& fibres);

}  // namespace cohlink
