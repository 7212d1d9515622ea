#include "tools/study/search/required_osnr.h"

#include <algorithm>
#include <cmath>
#include <map>

#include "sim/budget/launch_noise.h"
#include "sim/link_setup.h"
#include "sim/optical_path.h"
#include "sim/signal/units.h"
#include "tools/study/plan/numbers.h"
#include "tools/study/plan/realisations.h"

namespace cohlink {
namespace {

constexpr double kConfidence95 = 1.959963985;
constexpr double kEarlyConfidence = 0.999;  // that nothing is to be found, at a look before the last
constexpr double kHighestOsnrDb = 60.0;
/// The two OSNRs of the final count lie this far either side of the estimate, and their fit is believed so
/// far beyond them.
constexpr double kStraddleDb = 0.4;
constexpr double kFewest = 10.0;       // errors on either side that a fit is made from
constexpr std::uint64_t kEnough = 60;  // errors that make a probe worth a step
constexpr int kMostSteps = 14;
constexpr const char* kTooFewErrors = "too few errors near the threshold; more frames are needed";
constexpr const char* kTooFewSymbols = "too few symbols near the threshold; more frames are needed";

struct Fit {
  double osnr_db, sigma_db, slope;
};

/// Which frames an OSNR is counted on: with the same on either side their errors would rise and fall
/// together, and the two counts tell less than two.
enum class Frames { kEven, kOdd };

/// Noise of the line in 12.5 GHz, over the signal.
double line_noise(const Scenario& scenario) {
  const std::optional<double> line = line_osnr(scenario);
  return line ? 1.0 / *line : 0.0;
}

/// The search of one scenario: meters by OSNR, and the straight line through the last two.
class Search {
 public:
  Search(const Scenario& scenario, const RequiredOsnrRule& rule, const SourceMaker& source, unsigned threads)
      : scenario_(scenario),
        rule_(rule),
        source_(source),
        threads_(threads),
        scale_(scenario, rule.quality),
        target_db_(scale_.db(rule.threshold)),
        ceiling_db_(std::floor(highest_total_osnr_db(scenario) * 1e3 + 1e-6) / 1e3) {}

  RequiredOsnr run() {
    const double rate = scenario_.number("signal.symbol_rate_gbd") * 1e9;
    std::optional<double> near = approach(target_db_ + to_db(rate / kOsnrBandwidthHz));
    if (near) refine(*near);
    count();
    return result_;
  }

 private:
  Meter& meter(double osnr_db, Frames which) {
    const auto key = std::make_pair(osnr_db, which);
    const auto found = meters_.find(key);
    if (found != meters_.end()) return found->second;
    const FrameSource source = source_(at_total_osnr(scenario_, osnr_db));
    const std::uint64_t first = which == Frames::kOdd ? 1 : 0;
    const auto every_other = [=](std::uint64_t frame) { return source(2 * frame + first); };
    return meters_.emplace(key, Meter(every_other, threads_)).first->second;
  }

  std::uint64_t spent() const {
    std::uint64_t frames = 0;
    for (const auto& [key, m] : meters_) frames += m.frames();
    return frames;
  }

  bool by_ber() const { return rule_.quality == Quality::kBer; }
  const char* too_few() const { return by_ber() ? kTooFewErrors : kTooFewSymbols; }

  /// Of a probe on the way: errors that are worth a step, and any NGMI.
  bool enough(const Meter& m) const { return !by_ber() || m.total().count.errors >= kEnough; }

  double equivalent_db(const Meter& m) const {
    if (!by_ber()) return scale_.db(m.total().mean_ngmi());
    // No errors yet: not better than half an error would be.
    const double least = 0.5 / std::max(1.0, static_cast<double>(m.total().count.bits));
    return scale_.db(std::max(m.ber(), least));
  }

  /// Steps towards the threshold; nothing, with the reason, when it cannot be met.
  std::optional<double> approach(double osnr_db) {
    double before = 0.0, before_db = 0.0;
    for (int step = 0; step < kMostSteps && spent() < rule_.most_frames; ++step) {
      osnr_db = std::clamp(std::round(osnr_db * 1e3) / 1e3, -9.0, ceiling_db_);
      Meter& m = meter(osnr_db, Frames::kEven);
      do m.run(1);
      while (!enough(m) && m.frames() < 6 && spent() < rule_.most_frames);
      const double now_db = equivalent_db(m), missing = target_db_ - now_db;
      if (std::abs(missing) < 0.5) return osnr_db + missing;
      if (missing > 0.0 && osnr_db >= ceiling_db_) {
        // Without errors enough the equivalent SNR is that of half an error, which proves nothing.
        give_up(m);
        return std::nullopt;
      }
      double slope = 1.0;
      if (step > 0 && std::abs(osnr_db - before) > 0.05)
        slope = std::clamp((now_db - before_db) / (osnr_db - before), 0.15, 1.3);
      before = osnr_db, before_db = now_db;
      osnr_db += std::clamp(missing / slope, -8.0, 12.0);
    }
    result_.failure = spent() < rule_.most_frames ? said("the BER does not settle near the threshold")
                                                  : std::string(too_few());
    return std::nullopt;
  }

  /// The reason why nothing is found, `highest` counted at the ceiling.
  void give_up(const Meter& highest) {
    result_.out_of_reach = misses(highest, 0.95);
    if (!result_.out_of_reach)
      result_.failure = too_few();
    else if (ceiling_db_ < kHighestOsnrDb)
      result_.failure = said("the line's own noise keeps the BER above the threshold");
    else
      result_.failure =
          by_ber() ? "an error floor above the threshold" : "at any OSNR the NGMI stays below the threshold";
  }

  /// What is said of a BER, said of what the threshold is one of.
  std::string said(std::string of_ber) const {
    if (by_ber()) return of_ber;
    for (const auto& [ber, ngmi] : {std::pair{"BER", "NGMI"}, {"above", "below"}})
      if (const auto at = of_ber.find(ber); at != std::string::npos)
        of_ber.replace(at, std::string_view(ber).size(), ngmi);
    return of_ber;
  }

  bool misses(const Meter& m, double confidence) const {
    return scale_.read(m.total(), confidence).high_db < target_db_;
  }

  /// Frames to add on either side: as many again, or as many as follow from the width so far.
  std::uint64_t frames_to_add(const Meter& below, const Meter& above) const {
    std::uint64_t more = std::max<std::uint64_t>(1, std::min(below.frames(), above.frames()));
    if (fit_ && fit_->sigma_db > 0.0) {
      const double factor = std::pow(kConfidence95 * fit_->sigma_db / rule_.half_width_db, 2);
      more = static_cast<std::uint64_t>(
          std::ceil(std::clamp(factor - 1.0, 0.1, 3.0) *
                    static_cast<double>(std::max<std::uint64_t>(1, below.frames()))));
    }
    return std::min(more, (rule_.most_frames - std::min(rule_.most_frames, spent())) / 2);
  }

  /// Counts on either side until the interval is narrow enough or the frames are spent.
  void refine(double near) {
    for (int round = 0; round < 40; ++round) {
      // Near the ceiling both move below it: the gap between them is what the slope is taken from.
      const bool at_ceiling = near + kStraddleDb >= ceiling_db_;
      const double high_db = std::round((at_ceiling ? ceiling_db_ : near + kStraddleDb) * 1e3) / 1e3;
      const double low_db = std::round((high_db - 2.0 * kStraddleDb) * 1e3) / 1e3;
      Meter& below = meter(low_db, Frames::kEven);
      Meter& above = meter(high_db, Frames::kOdd);
      const std::uint64_t more = frames_to_add(below, above);
      if (more == 0) break;
      below.run(more);
      above.run(more);
      fit_ = fit(below, low_db, above, high_db);
      if (at_ceiling && misses(above, kEarlyConfidence)) return give_up(above);
      if (!fit_) continue;
      const bool beyond = at_ceiling && fit_->osnr_db > ceiling_db_;  // nowhere to follow it to
      const double nearest =
          std::clamp(fit_->osnr_db, low_db - kStraddleDb, std::min(high_db + kStraddleDb, ceiling_db_));
      if (!beyond && fit_->osnr_db != nearest) {
        near = nearest;
        fit_.reset();
        continue;
      }
      if (kConfidence95 * fit_->sigma_db <= rule_.half_width_db) break;
    }
    if (!fit_)
      result_.failure = why_no_fit();
    else if (fit_->osnr_db > ceiling_db_)
      give_up(meter(ceiling_db_, Frames::kOdd));
    else
      conclude(*fit_);
  }

  std::string why_no_fit() const {
    for (const auto& [key, m] : meters_)
      if (const std::string lacking = too_few_text(m.total().fibres); !lacking.empty()) return lacking;
    return too_few();
  }

  void conclude(const Fit& fit) {
    result_.found = true;
    result_.osnr_db = fit.osnr_db;
    result_.slope = fit.slope;
    result_.low_db = fit.osnr_db - kConfidence95 * fit.sigma_db;
    result_.high_db = fit.osnr_db + kConfidence95 * fit.sigma_db;
  }

  /// Straight line of the equivalent SNR over OSNR through two independent counts: where it meets the target.
  std::optional<Fit> fit(const Meter& below, double low_db, const Meter& above, double high_db) const {
    for (const Meter* m : {&below, &above})
      if ((by_ber() && static_cast<double>(m->total().count.errors) < kFewest) ||
          !too_few_text(m->total().fibres).empty())
        return std::nullopt;
    const double y_low = equivalent_db(below) - target_db_, y_high = equivalent_db(above) - target_db_;
    const double slope = (y_high - y_low) / (high_db - low_db);
    if (!(slope >= 0.05)) return std::nullopt;
    const double osnr_db = low_db - y_low / slope;
    // Each side moves the crossing by the share that the other's distance has in the gap.
    const double sigma = std::hypot((high_db - osnr_db) * scale_.deviation_db(below.total()),
                                    (osnr_db - low_db) * scale_.deviation_db(above.total())) /
                         ((high_db - low_db) * slope);
    return Fit{osnr_db, sigma, slope};
  }

  void count() {
    for (const auto& [key, m] : meters_) {
      result_.frames += m.frames();
      result_.errors += m.total().count.errors;
      result_.bits += m.total().count.bits;
    }
  }

  const Scenario& scenario_;
  const RequiredOsnrRule& rule_;
  const SourceMaker& source_;
  unsigned threads_;
  EquivalentSnr scale_;
  double target_db_;
  double ceiling_db_;                                  // highest total OSNR within reach
  std::map<std::pair<double, Frames>, Meter> meters_;  // by total OSNR in dB
  std::optional<Fit> fit_;
  RequiredOsnr result_;
};

}  // namespace

std::optional<double> line_osnr(const Scenario& scenario) {
  Scenario unloaded = scenario;
  unloaded.set("channel.osnr_db", "", "required OSNR");
  unloaded.set("channel.filter_bandwidth_ghz", "", "required OSNR");  // stands behind the loading
  const LinkSetup setup = link_setup(unloaded);
  return light_levels(plan_optical_path(setup, RandomStreams(setup.seed)),
                      launched_light(setup, launch_noise_psd(setup.transmitter)))
      .osnr();
}

double highest_total_osnr_db(const Scenario& scenario) {
  return -to_db(line_noise(scenario) + from_db(-kHighestOsnrDb));
}

Scenario at_total_osnr(const Scenario& scenario, double total_db) {
  const double rest = from_db(-total_db) - line_noise(scenario);  // noise to load, over the signal
  Scenario loaded = scenario;
  loaded.set("channel.osnr_db", short_decimal(-to_db(std::max(rest, from_db(-kHighestOsnrDb)))),
             "required OSNR");
  return loaded;
}

RequiredOsnr find_required_osnr(const Scenario& scenario, const RequiredOsnrRule& rule,
                                const SourceMaker& source, unsigned threads) {
  if (rule.quality == Quality::kPostFecBer) return find_decoded_osnr(scenario, rule, source, threads);
  return Search(scenario, rule, source, threads).run();
}

Penalty penalty(const RequiredOsnr& measured, const RequiredOsnr& reference) {
  return {measured.osnr_db - reference.osnr_db,
          std::hypot(measured.half_width_db(), reference.half_width_db())};
}

}  // namespace cohlink
