#include "rx/recording/lane_health.h"

#include <algorithm>
#include <cmath>

#include "sim/signal/record/capture.h"
#include "sim/signal/units.h"

namespace cohlink {
namespace {

constexpr double kMostNotFinite = 0.01, kCopy = 0.99, kWeakDb = 10.0, kMuchClipped = 1e-3;
constexpr std::size_t kFewestClipped = 8, kClippedRatio = 4, kStandsStill = 512;

std::string lane_name(std::size_t lane) { return std::string("lane ") + Capture::kLaneNames[lane]; }

}  // namespace

void LaneHealth::Edge::see(double v) {
  if (count[0] == 0 || v > value[0]) {
    value[1] = value[0], count[1] = count[0];
    value[0] = v, count[0] = 1;
  } else if (v == value[0]) {
    ++count[0];
  } else if (count[1] == 0 || v > value[1]) {
    value[1] = v, count[1] = 1;
  } else if (v == value[1]) {
    ++count[1];
  }
}

void LaneHealth::Lane::follow(double v, std::size_t sample) {
  run = run > 0 && v == held ? run + 1 : 1;
  held = v;
  if (run > longest_run) longest_run = run, longest_from = sample + 1 - run;
}

void LaneHealth::add(const std::array<std::vector<float>, 4>& lanes) {
  const std::size_t recorded = lanes[2].empty() && lanes[3].empty() ? 2 : 4;
  for (std::size_t n = 0; n < lanes[0].size(); ++n, ++samples_) {
    bool all_finite = true;
    for (std::size_t l = 0; l < recorded; ++l) {
      const double v = lanes[l][n];
      Lane& lane = lanes_[l];
      if (!std::isfinite(v)) {
        if (lane.not_finite++ == 0) lane.first_not_finite = samples_;
        all_finite = false;
        continue;
      }
      ++lane.finite;
      lane.sum += v;
      lane.squares += v * v;
      lane.follow(v, samples_);
      lane.top.see(v);
      lane.bottom.see(-v);
    }
    if (!all_finite) continue;
    for (std::size_t a = 0; a < recorded; ++a)
      for (std::size_t b = 0; b < a; ++b) products_[a][b] += static_cast<double>(lanes[a][n]) * lanes[b][n];
  }
}

double LaneHealth::mean(std::size_t l) const {
  return lanes_[l].finite > 0 ? lanes_[l].sum / static_cast<double>(lanes_[l].finite) : 0.0;
}

double LaneHealth::rms(std::size_t l) const {
  if (lanes_[l].finite == 0) return 0.0;
  const double m = mean(l);
  return std::sqrt(std::max(0.0, lanes_[l].squares / static_cast<double>(lanes_[l].finite) - m * m));
}

double LaneHealth::peak(std::size_t l) const {
  return std::max(lanes_[l].top.value[0] - mean(l), lanes_[l].bottom.value[0] + mean(l));
}

std::size_t LaneHealth::clipped(std::size_t l) const {
  std::size_t sum = 0;
  for (const Edge* edge : {&lanes_[l].top, &lanes_[l].bottom})
    if (edge->count[0] >= kFewestClipped && edge->count[0] > kClippedRatio * edge->count[1])
      sum += edge->count[0];
  return sum;
}

LaneHealth::Findings LaneHealth::findings() const {
  Findings found;
  double loudest = 0.0;
  for (std::size_t l = 0; l < 4; ++l) loudest = std::max(loudest, rms(l));
  for (std::size_t l = 0; l < 4; ++l) {
    const Lane& lane = lanes_[l];
    if (lane.finite + lane.not_finite == 0) continue;  // not recorded
    if (lane.not_finite > 0) {
      const std::string what = lane_name(l) + " holds " + std::to_string(lane.not_finite) +
                               " samples that are not finite, the first at " +
                               std::to_string(lane.first_not_finite);
      const bool many = static_cast<double>(lane.not_finite) > kMostNotFinite * static_cast<double>(samples_);
      (many ? found.faults : found.warnings).push_back(what + (many ? "" : "; they count as its mean"));
    }
    if (lane.top.value[0] == -lane.bottom.value[0]) {
      found.faults.push_back(lane_name(l) + " is silent: every sample is the same");
      continue;
    }
    if (const std::size_t n = clipped(l);
        static_cast<double>(n) > kMuchClipped * static_cast<double>(samples_))
      found.warnings.push_back(lane_name(l) + " is clipped: " + std::to_string(n) + " samples at its ends");
    if (lane.longest_run >= kStandsStill)
      found.warnings.push_back(lane_name(l) + " stands still for " + std::to_string(lane.longest_run) +
                               " samples from sample " + std::to_string(lane.longest_from) + " on");
    const double weaker_db = 2.0 * to_db(loudest / rms(l));
    if (weaker_db > kWeakDb)
      found.warnings.push_back(lane_name(l) + " is " + std::to_string(std::lround(weaker_db)) +
                               " dB weaker than the loudest");
    for (std::size_t other = 0; other < l; ++other) {
      const double scale = rms(l) * rms(other);
      const double correlation =
          scale > 0.0 ? (products_[l][other] / static_cast<double>(samples_) - mean(l) * mean(other)) / scale
                      : 0.0;
      if (std::abs(correlation) > kCopy)
        found.faults.push_back(lane_name(l) + " is a copy of " + lane_name(other) +
                               (correlation < 0.0 ? ", inverted" : ""));
    }
  }
  return found;
}

LaneHealth::Findings lane_findings(const Capture& capture) {
  LaneHealth health;
  std::array<std::vector<float>, 4> lanes;
  for (std::size_t l = 0; l < 4; ++l) lanes[l].assign(capture.lanes[l].begin(), capture.lanes[l].end());
  health.add(lanes);
  return health.findings();
}

}  // namespace cohlink
