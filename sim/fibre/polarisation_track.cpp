#include "sim/fibre/polarisation_track.h"

#include <algorithm>
#include <cmath>

#include "sim/signal/units.h"

namespace cohlink {
namespace {

constexpr double kLeastSteps = 64;  // in a frame

double steps_for(double duration, double longest) {
  return std::max(kLeastSteps, std::ceil(duration / longest));
}

// Integral of the rate up to `time` after the middle.
double turned_until(const PolarisationBurst& burst, double time) {
  const double w = burst.width, u = std::clamp(time, -w, w);
  return burst.peak * (0.5 * (u + w) + w / kTwoPi * std::sin(kPi * u / w));
}

}  // namespace

PolarisationTrack polarisation_walk(double rate, double duration, RandomStream random) {
  constexpr double kVariance = 0.01;  // of a step about each axis
  const double steps = steps_for(duration, kVariance / rate);
  PolarisationTrack track{duration / steps, {JonesMatrix{}}};
  const double deviation = std::sqrt(rate * track.spacing);
  while (static_cast<double>(track.turns.size()) <= steps) {
    StokesVector turn{};
    for (double& component : turn) component = deviation * random.normal();
    const double angle = std::hypot(turn[0], turn[1], turn[2]);
    for (double& component : turn) component /= angle;
    track.turns.push_back(stokes_rotation(turn, angle) * track.turns.back());
  }
  return track;
}

PolarisationTrack polarisation_track(const PolarisationBurst& burst, double duration) {
  constexpr double kTurn = 0.05, kShare = 1.0 / 32.0;  // in a step: rad, and of the width
  const double steps = steps_for(duration, std::min(kTurn / burst.peak, kShare * burst.width));
  PolarisationTrack track{duration / steps, {}};
  for (double k = 0.0; k <= steps; k += 1.0)
    track.turns.push_back(
        stokes_rotation({0.0, 0.0, 1.0}, turned_until(burst, k * track.spacing - 0.5 * duration)));
  return track;
}

}  // namespace cohlink
