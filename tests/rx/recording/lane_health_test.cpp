#include "rx/recording/lane_health.h"

#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>
#include <functional>
#include <limits>
#include <set>
#include <string>

#include "rx/recording/lane_arrangement.h"
#include "tests/rx/generator.h"

using namespace cohlink;

namespace {

std::array<std::vector<float>, 4> gaussian_lanes(std::size_t count) {
  std::array<std::vector<float>, 4> lanes;
  RandomStream stream = test::stream("lanes");
  for (auto& lane : lanes)
    for (std::size_t n = 0; n < count; ++n)
      lane.push_back(static_cast<float>(std::lround(36.0 * stream.normal())));
  return lanes;
}

}  // namespace

TEST_CASE("Healthy lanes give no findings, also when looked at in stretches") {
  LaneHealth health;
  for (int i = 0; i < 3; ++i) health.add(gaussian_lanes(10000));
  CHECK(health.findings().faults.empty());
  CHECK(health.findings().warnings.empty());
  double squares = 0.0, sum = 0.0;
  const auto lanes = gaussian_lanes(10000);
  for (const float v : lanes[2]) squares += v * v, sum += v;
  CHECK(health.mean(2) == doctest::Approx(sum / 1e4));
  CHECK(health.rms(2) == doctest::Approx(std::sqrt(squares / 1e4 - sum * sum / 1e8)));
}

TEST_CASE("Clipping is counted, and small counts that tails explain are not") {
  auto lanes = gaussian_lanes(50000);
  LaneHealth free;
  free.add(lanes);
  CHECK(free.clipped(1) == 0);
  std::size_t expected = 0;
  for (auto& v : lanes[1]) {
    expected += std::fabs(v) >= 100.0f;
    v = std::clamp(v, -100.0f, 100.0f);
  }
  LaneHealth health;
  health.add(lanes);
  CHECK(health.clipped(1) == expected);
  REQUIRE(health.findings().warnings.size() == 1);
  CHECK(health.findings().warnings[0].starts_with("lane XQ is clipped"));
}

TEST_CASE("Values that are not finite, copies and silence are named with their lane") {
  auto lanes = gaussian_lanes(5000);
  lanes[0][17] = std::numeric_limits<float>::quiet_NaN();
  lanes[2] = lanes[1];
  lanes[3].assign(5000, 4.0f);
  LaneHealth health;
  health.add(lanes);
  const auto found = health.findings();
  REQUIRE(found.faults.size() == 2);
  CHECK(found.faults[0] == "lane YI is a copy of lane XQ");
  CHECK(found.faults[1].starts_with("lane YQ is silent"));
  CHECK(found.warnings[0].starts_with("lane XI holds 1 samples that are not finite, the first at 17"));
}

TEST_CASE("The twelve arrangements are all that a receiver can tell apart, each once") {
  // Every order and sign of four lanes comes down to one of them by quarter turns, a mirror being told by the
  // sign of the pair's order times its signs, and by the names of the polarisations.
  std::set<std::string> kinds;
  for (const auto& a : lane_arrangements()) {
    std::array<std::string, 2> pair;
    for (std::size_t p = 0; p < 2; ++p) {
      const std::size_t i = a.from[2 * p], q = a.from[2 * p + 1];
      pair[p] = std::to_string(std::min(i, q)) + std::to_string(std::max(i, q)) + (i > q ? "mirrored" : "");
    }
    kinds.insert(std::min(pair[0], pair[1]) + std::max(pair[0], pair[1]));
  }
  CHECK(lane_arrangements().size() == 12);
  CHECK(kinds.size() == 12);
  CHECK(lane_arrangements().front().fault.empty());
}

namespace {

// Two polarisations mixed, which is where wrong pairs of lanes show without known symbols too, and dispersed,
// where mirrored ones do.
struct Heard {
  Capture capture;
  Receiver receiver;

  explicit Heard(double noise_db, double ps_per_nm = 1000.0)
      : receiver(test::scenario_of({"dsp.dispersion_ps_per_nm=" + std::to_string(ps_per_nm)}), test::fft()) {
    const test::Sent sent = test::random_symbols(Modulation::kQpsk, 4096);
    Field<float> light = test::through(test::rotation(0.5, 0.7), test::shaped(sent.symbols, 2));
    test::add_noise(light, from_db(-noise_db));
    capture = test::as_capture(test::dispersed(light, ps_per_nm), sent);
  }

  std::vector<std::string> said(const Capture& of) const {
    ReceiverResult result = receiver(of, false);
    result.warnings.clear();
    name_lane_fault(receiver, of, result);
    return result.warnings;
  }
  bool says(const Capture& of, const std::string& fault) const {
    const auto all = said(of);
    return all.size() == 1 &&
           all.front().ends_with(" as recorded, but not with the lanes rearranged: " + fault);
  }
};

}  // namespace

TEST_CASE("Exchanged and inverted lanes are named where they keep the receiver from its lock") {
  const Heard heard(25.0);
  Capture exchanged = heard.capture, inverted = heard.capture;
  std::ranges::swap_ranges(exchanged.lanes[0], exchanged.lanes[1]);
  std::ranges::transform(inverted.lanes[3], inverted.lanes[3].begin(), std::negate<>());
  for (const bool known : {true, false}) {
    if (!known) exchanged.truth.reset(), inverted.truth.reset();
    CHECK(heard.says(exchanged, "lanes XI and XQ are swapped, or one of them is inverted"));
    CHECK(heard.says(inverted, "lanes YI and YQ are swapped, or one of them is inverted"));
  }
}

TEST_CASE("No lane is named where the receiver locks, nor where noise or a dead lane keeps it from that") {
  const Heard good(25.0);
  CHECK(good.said(good.capture).empty());
  for (const bool known : {true, false}) {
    Heard noisy(-3.0), dead(25.0);
    std::ranges::fill(dead.capture.lanes[2], std::int16_t{0});
    for (Heard* heard : {&noisy, &dead}) {
      if (!known) heard->capture.truth.reset();
      CHECK(heard->said(heard->capture).empty());
    }
  }
}

TEST_CASE("A lane that stands still for a while is named, of any capture") {
  Capture capture;
  RandomStream noise = test::stream("still");
  capture.lanes = Lanes(20000);
  for (auto& code : capture.lanes.codes())
    code = static_cast<std::int16_t>(std::lround(30.0 * noise.normal()));
  CHECK(lane_findings(capture).warnings.empty());
  std::fill_n(capture.lanes[1].begin() + 4000, 600, static_cast<std::int16_t>(1234));
  const auto found = lane_findings(capture);
  REQUIRE(found.faults.empty());
  bool said = false;
  for (const auto& w : found.warnings)
    said |= w == "lane XQ stands still for 600 samples from sample 4000 on";
  CHECK(said);
}
