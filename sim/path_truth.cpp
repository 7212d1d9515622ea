#include "sim/path_truth.h"

#include <algorithm>
#include <cmath>

#include "sim/optical_path.h"
#include "sim/signal/units.h"

namespace cohlink {
namespace {

constexpr double kInterpolationError = 1e-3;
constexpr int kLeastHalf = 16;  // frequencies on either side

// The step over which a straight line errs by kInterpolationError: f'' dx^2 / 8.
double step_for(double curvature) { return std::sqrt(8.0 * kInterpolationError / curvature); }

// The fastest stretch of a track [rad/s in Stokes space]: a chord of 2 sin(angle/4) in Jones space.
double largest_rate(const PolarisationTrack& track) {
  double largest = 0.0;
  for (std::size_t i = 1; i < track.turns.size(); ++i) {
    const JonesMatrix d = track.turns[i] - track.turns[i - 1];
    largest = std::max(largest, std::sqrt(std::norm(d.xx) + std::norm(d.yx)));
  }
  return 4.0 * std::asin(std::min(1.0, 0.5 * largest)) / track.spacing;
}

// Largest second derivatives of the elements, over frequency [1/Hz^2] and over time [1/s^2].
struct Curvature {
  double frequency = 0.0, time = 0.0;

  explicit Curvature(const PropagationPlan& path) {
    double dgd_squared = 0.0, rate = 0.0, slopes = 0.0;
    for (const PlanElement& element : path.elements) {
      if (const auto* section = std::get_if<PmdSection>(&element)) dgd_squared += section->dgd * section->dgd;
      if (const auto* turn = std::get_if<PolarisationRotation>(&element)) rate += std::abs(turn->rate);
      if (const auto* track = std::get_if<PolarisationTrack>(&element)) rate += largest_rate(*track);
      // The slope of a Gaussian density is at most exp(-1/2)/(sqrt(2 pi) s^2) = 0.242 / s^2; of n equal
      // filters in cascade it grows no faster than n.
      if (const auto* filter = std::get_if<OpticalFilter>(&element))
        slopes += 0.242 / (filter_sigma(*filter) * filter_sigma(*filter));
    }
    // exp(i pi f dgd) with a dgd of twice the rms; exp(i rate t / 2).
    frequency = 4.0 * kPi * kPi * dgd_squared + slopes;
    time = rate * rate / 4.0;
  }
};

std::vector<double> frequencies(double band_edge, double curvature) {
  int half = kLeastHalf;
  if (curvature > 0.0) half = std::max(half, static_cast<int>(std::ceil(band_edge / step_for(curvature))));
  std::vector<double> out;
  for (int k = -half; k <= half; ++k) out.push_back(band_edge * k / half);
  return out;
}

// Where tracks bend, within the frame, and the frame's ends [s]; light arrives `delay` later than at time 0
// of the path.
std::vector<double> bends(const PropagationPlan& path, double duration, double delay) {
  std::vector<double> out = {0.0, duration};
  for (const PlanElement& element : path.elements)
    if (const auto* track = std::get_if<PolarisationTrack>(&element))
      for (std::size_t i = 0; i < track->turns.size(); ++i)
        if (const double t = track->spacing * static_cast<double>(i) - delay; t > 0.0 && t < duration)
          out.push_back(t);
  std::sort(out.begin(), out.end());
  const double same = 1e-9 * duration;
  out.erase(std::unique(out.begin(), out.end(), [&](double a, double b) { return b - a < same; }), out.end());
  return out;
}

// Every bend, and what straight lines need between them.
std::vector<double> times(const std::vector<double>& bends, double curvature) {
  if (curvature == 0.0) return {0.0};
  std::vector<double> out = {bends.front()};
  for (std::size_t i = 1; i < bends.size(); ++i) {
    const double from = bends[i - 1], length = bends[i] - from;
    const int steps = std::max(1, static_cast<int>(std::ceil(length / step_for(curvature))));
    for (int k = 1; k <= steps; ++k) out.push_back(from + length * k / steps);
  }
  return out;
}

// Cut in two in front of the first element that turns in time, so that what stands still is multiplied once.
std::array<PropagationPlan, 2> still_and_turning(const PropagationPlan& path) {
  const auto first = std::find_if(path.elements.begin(), path.elements.end(), [](const PlanElement& e) {
    return std::holds_alternative<PolarisationRotation>(e) || std::holds_alternative<PolarisationTrack>(e);
  });
  return {PropagationPlan{{path.elements.begin(), first}}, PropagationPlan{{first, path.elements.end()}}};
}

}  // namespace

double beta2_length_at(const PlanTotals& sum, double tuned) {
  return sum.beta2_length - sum.beta3_length * kTwoPi * tuned;
}

std::size_t jones_grid_size(const PropagationPlan& path, const PathWindow& window) {
  const Curvature curvature(path);
  return frequencies(window.band_edge, curvature.frequency).size() *
         times(bends(path, window.duration, group_delay(path, window.tuned)), curvature.time).size();
}

JonesGrid jones_grid(const PropagationPlan& path, const PathWindow& window) {
  const Curvature curvature(path);
  const auto [still, turning] = still_and_turning(path);
  const PlanTotals sum = totals(path);
  const std::complex<double> constant = dispersion_response(sum.beta2_length, sum.beta3_length, window.tuned);
  JonesGrid grid;
  grid.frequency = frequencies(window.band_edge, curvature.frequency);
  const double delay = group_delay(path, window.tuned);  // the receiver's time runs that much behind
  grid.time = times(bends(path, window.duration, delay), curvature.time);
  std::vector<JonesMatrix> unturned;
  for (const double f : grid.frequency) {
    std::complex<double> scalar = constant;
    for (const PlanElement& element : path.elements) {
      if (const auto* filter = std::get_if<OpticalFilter>(&element))
        scalar *= filter_response(*filter, window.tuned + f);
      if (const auto* gain = std::get_if<SpectralGain>(&element))  // gain itself is left out, like that of
        scalar *= std::exp(0.5 * (log_gain(*gain, window.tuned + f) - log_gain(*gain, window.tuned)));
    }
    unturned.push_back(scalar * jones_matrix(still, window.tuned + f));
  }
  for (const double t : grid.time)
    for (std::size_t k = 0; k < grid.frequency.size(); ++k)
      grid.matrices.push_back(jones_matrix(turning, window.tuned + grid.frequency[k], t + delay) *
                              unturned[k]);
  return grid;
}

}  // namespace cohlink
