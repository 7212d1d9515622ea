// Walks and bursts of the polarisation against their closed forms.
#include "sim/fibre/polarisation_track.h"

#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>

#include "sim/signal/units.h"

using namespace cohlink;

namespace {

/// cos(theta) of the turn by theta that a matrix of determinant 1 is: its trace is 2 cos(theta/2).
double cosine_of_turn(const JonesMatrix& j) { return 0.5 * std::norm(j.xx + j.yy) - 1.0; }

double turned(const PolarisationTrack& track, double from, double to) {
  return std::acos(std::clamp(cosine_of_turn(turn_at(track, to) * adjoint(turn_at(track, from))), -1.0, 1.0));
}

}  // namespace

TEST_CASE("a polarisation walk forgets every state as exp(-rate t)") {
  // Brownian motion on a sphere: the first spherical harmonic decays at twice the diffusion constant (Perrin,
  // Ann. Sci. Ecole Norm. Sup. 45, 1, 1928), which is rate/2. Of a turn by theta, the mean of s . s' over all
  // states s is (1 + 2 cos theta)/3.
  constexpr double rate = 3e5, duration = 7e-6;
  constexpr int walks = 1000;
  for (const double decays : {0.25, 1.0, 2.0}) {
    double sum = 0.0, squares = 0.0;
    for (int k = 0; k < walks; ++k) {
      const auto track = polarisation_walk(
          rate, duration, RandomStreams(1, static_cast<std::uint64_t>(k)).stream("polarisation-wander"));
      const double kept = (1.0 + 2.0 * cosine_of_turn(turn_at(track, decays / rate))) / 3.0;
      sum += kept;
      squares += kept * kept;
    }
    const double mean = sum / walks, error = std::sqrt((squares / walks - mean * mean) / walks);
    CAPTURE(decays);
    CHECK(std::abs(mean - std::exp(-decays)) < 4.0 * error);
    CHECK(error < 0.02);
  }
}

TEST_CASE("a polarisation burst has the peak, the width and the turn asked for") {
  const PolarisationBurst burst{5.1e6, 0.3e-6};
  constexpr double duration = 2e-6, middle = 1e-6, dt = 30e-9;
  const PolarisationTrack track = polarisation_track(burst, duration);
  const auto rate = [&](double t) { return turned(track, t - dt / 2, t + dt / 2) / dt; };
  // Straight lines of h = 1/32 of the width err by up to h^2/8 pi/2 peak/w at either end, 0.4 % of half the
  // peak over dt; dt itself flattens the peak by (pi dt/w)^2/48 = 0.2 %.
  CHECK(rate(middle) == doctest::Approx(burst.peak).epsilon(0.005));
  for (const double side : {-0.5, 0.5})
    CHECK(rate(middle + side * burst.width) == doctest::Approx(burst.peak / 2).epsilon(0.005));
  CHECK(turned(track, 0.0, middle - burst.width) < 1e-6);
  CHECK(turned(track, 0.0, duration) == doctest::Approx(burst.peak * burst.width).epsilon(1e-9));
  // One that is longer than the frame shows its middle: half the turn of the middle third of the pulse's
  // support is peak w (1/3 + sin(pi/3)/pi) in all.
  const PolarisationBurst slow{1e6, 3e-6};
  const double seen = turned(polarisation_track(slow, duration), 0.0, duration);
  CHECK(seen == doctest::Approx(slow.peak * slow.width * (1.0 / 3.0 + std::sin(kPi / 3.0) / kPi)));
}
