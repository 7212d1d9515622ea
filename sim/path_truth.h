// The optical path's Jones matrices as a capture states them, close enough together for straight lines.
#pragma once

#include <vector>

#include "sim/signal/propagation/plan.h"

namespace cohlink {

/// Where and when a path is looked at.
struct PathWindow {
  double tuned = 0.0;      // Hz, FFT frequency of the channel under test in the simulated band
  double band_edge = 0.0;  // Hz, either side of it
  double duration = 0.0;   // s, of a frame
};

/// A path's response but for dispersion, loss and gain, on a grid of time and frequency.
struct JonesGrid {
  std::vector<double> time;           // s, 0 to the frame's end; 0 alone where nothing turns
  std::vector<double> frequency;      // Hz from the channel's centre, which is one of them; FFT sign
  std::vector<JonesMatrix> matrices;  // [time][frequency]
};

/// Birefringence, PDL, rotations and optical filters of `path`, and the constant phase with which dispersion
/// leaves a channel that is not in the middle of the simulated band; the delay that goes with it is taken to
/// be made up for, as tune_to does. The grid is so fine that linear interpolation of the elements errs by
/// less than 1e-3 of unit transmission (-60 dB): over dx by f'' dx^2/8, with f'' from the rms sum of the
/// sections' DGDs, twice of which the DGD of a line passes in one of 4000, from the slopes of all filters,
/// and from the rates of rotation. At least 33 frequencies.
JonesGrid jones_grid(const PropagationPlan& path, const PathWindow& window);

/// How many matrices that grid has.
std::size_t jones_grid_size(const PropagationPlan& path, const PathWindow& window);

/// Accumulated dispersion at FFT frequency `tuned` [s^2]: b2 L - b3 L w, from the phase b2 L w^2/2 - b3 L
/// w^3/6.
double beta2_length_at(const PlanTotals& sum, double tuned);

}  // namespace cohlink
