// What the converter is made of (adc.h), for whoever converts elsewhere.
#pragma once

#include <cstddef>
#include <vector>

#include "sim/electronics/lanes.h"
#include "sim/frontend/adc.h"

namespace cohlink {

/// Samples in a period that holds `exact` of them, and whether that is a whole number.
std::size_t samples_in_period(double exact);
bool is_whole(double exact);

/// What of an input of n samples reaches a converter of this rate [Hz]: what lies within half of it where the
/// band is flat up to there, else all, which then aliases.
struct InputBand {
  double input_rate, output_rate;
  bool flat;
  Band of(std::size_t n) const;
};

/// Whether all lanes are sampled at the multiples of one interval.
bool uniform(const AdcParameters& parameters);

/// Current of one code step [A]: full scale is given in volts, or follows the rms `level` [A] of the lane.
double code_step(double level, const AdcParameters& parameters, double transimpedance);

/// From currents to codes, for each sub-converter of a lane that takes its turn.
struct LaneScale {
  std::vector<double> codes_per_ampere, code_offset;
};
LaneScale lane_scale(const AdcErrors& errors, std::size_t lane, double step, double full_scale);

}  // namespace cohlink
