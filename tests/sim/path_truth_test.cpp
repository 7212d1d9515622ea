// The Jones matrices that a capture states: what lies between them is a straight line, and what they are for.
#include "sim/path_truth.h"

#include <doctest/doctest.h>

#include <cmath>

#include "sim/fibre/polarisation_track.h"
#include "sim/optical_path.h"
#include "sim/signal/units.h"

using namespace cohlink;

namespace {

JonesMatrix at(const JonesGrid& grid, std::size_t time, std::size_t frequency) {
  return grid.matrices[time * grid.frequency.size() + frequency];
}

double largest(const JonesMatrix& m) {
  return std::max({std::abs(m.xx), std::abs(m.xy), std::abs(m.yx), std::abs(m.yy)});
}

JonesMatrix response(const PropagationPlan& plan, const OpticalFilter& filter, double f, double t) {
  return filter_response(filter, f) * jones_matrix(plan, f, t);
}

}  // namespace

TEST_CASE("straight lines between the Jones matrices hold to -60 dB for any DGD, filter and rotation") {
  for (const double dgd : {0.0, 12e-12, 150e-12}) {
    for (const double rate : {0.0, 5e6}) {
      CAPTURE(dgd);
      CAPTURE(rate);
      const OpticalFilter filter{0.0, 30e9, 5e9};
      PropagationPlan plan;
      plan.elements.emplace_back(LumpedJones{stokes_rotation({0.0, 1.0, 0.0}, 0.5)});
      plan.elements.emplace_back(PmdSection{stokes_rotation({0.0, 0.6, 0.8}, 1.0), dgd});
      if (rate > 0.0) plan.elements.emplace_back(PolarisationRotation{rate});
      plan.elements.emplace_back(filter);
      const JonesGrid grid = jones_grid(plan, {0.0, 20e9, 2e-6});
      CHECK(grid.frequency.front() == -20e9);
      CHECK(grid.frequency[grid.frequency.size() / 2] == 0.0);
      CHECK(grid.time.front() == 0.0);
      CHECK((rate > 0.0 ? grid.time.back() == doctest::Approx(2e-6) : grid.time.size() == 1));
      for (std::size_t k = 0; k + 1 < grid.frequency.size(); ++k) {
        const double f = 0.5 * (grid.frequency[k] + grid.frequency[k + 1]);
        const JonesMatrix line = 0.5 * (at(grid, 0, k) + at(grid, 0, k + 1));
        CHECK(largest(line - response(plan, filter, f, 0.0)) < 1e-3);
      }
      for (std::size_t i = 0; i + 1 < grid.time.size(); ++i) {
        const double t = 0.5 * (grid.time[i] + grid.time[i + 1]);
        const JonesMatrix line = 0.5 * (at(grid, i, 0) + at(grid, i + 1, 0));
        CHECK(largest(line - response(plan, filter, grid.frequency[0], t)) < 1e-3);
      }
    }
  }
}

TEST_CASE("straight lines in time hold to -60 dB along tracks that bend, beside the middle of the band too") {
  PropagationPlan plan;
  plan.elements.emplace_back(DispersionModule{-3e-20, 0.0});
  plan.elements.emplace_back(PolarisationRotation{1e6});
  plan.elements.emplace_back(polarisation_walk(1e6, 2e-6, RandomStreams(1).stream("polarisation-wander")));
  plan.elements.emplace_back(polarisation_track({5e6, 0.2e-6}, 2e-6));
  constexpr double tuned = 150e9;
  const double delay = group_delay(plan, tuned);
  REQUIRE(std::abs(delay) > 10e-9);
  const JonesGrid grid = jones_grid(plan, {tuned, 20e9, 2e-6});
  CHECK(grid.time.back() == doctest::Approx(2e-6));
  const auto phase = at(grid, 0, 0).xx / jones_matrix(plan, 0.0, delay).xx;
  CHECK(std::abs(phase) == doctest::Approx(1.0));
  for (std::size_t i = 0; i + 1 < grid.time.size(); ++i)
    for (const double part : {0.2, 0.5, 0.8}) {
      const double t = (1.0 - part) * grid.time[i] + part * grid.time[i + 1];
      const JonesMatrix line = (1.0 - part) * at(grid, i, 0) + part * at(grid, i + 1, 0);
      CHECK(largest(line - phase * jones_matrix(plan, 0.0, t + delay)) < 1e-3);
    }
}

TEST_CASE("beside the middle of the band, Jones matrices and dispersion at the centre make the whole phase") {
  // b2 L w^2/2 - b3 L w^3/6 about w0, but for the delay: the Taylor series, which ends here.
  PropagationPlan plan;
  plan.elements.emplace_back(DispersionModule{-3e-22, 4e-34});
  constexpr double tuned = 150e9;
  const JonesGrid grid = jones_grid(plan, {tuned, 20e9, 1e-6});
  const PlanTotals sum = totals(plan);
  for (std::size_t k = 0; k < grid.frequency.size(); ++k) {
    const double f = grid.frequency[k];
    const std::complex<double> whole = dispersion_response(sum.beta2_length, sum.beta3_length, tuned + f);
    const std::complex<double> delayed = std::polar(1.0, kTwoPi * f * group_delay(plan, tuned));
    const std::complex<double> centred =
        at(grid, 0, k).xx * dispersion_response(beta2_length_at(sum, tuned), sum.beta3_length, f);
    CHECK(std::abs(whole * delayed - centred) < 1e-9);
  }
}
