#include "tools/study/search/limit.h"

#include <algorithm>
#include <cmath>
#include <limits>

#include "sim/signal/line/read_line.h"
#include "sim/signal/scenario/strings.h"
#include "sim/signal/units.h"
#include "tools/study/plan/fec.h"
#include "tools/study/plan/numbers.h"
#include "tools/study/plan/realisations.h"

namespace cohlink {
namespace {

constexpr int kMostValues = 18;
constexpr int kMostLooks = 12;
constexpr const char* kShortOfOsnr =
    "the line's own noise leaves less OSNR there than the penalty allows, so its BER does not tell";

bool makes_longer(const std::string& key) {
  return key == "fibre.spans" || key == "fibre.span_length_km" || key == "fibre.length_km";
}

double length_km(const Scenario& scenario) {
  double length = 0.0;
  for (const LineSection& section : read_line(scenario).sections) length += section.span.length;
  return as_written(length / 1e3);
}

/// Places on the searched range, 0 at `from` to 1 at `to`; whole numbers where the key holds them.
class Scale {
 public:
  Scale(const LimitRule& rule, bool whole)
      : from_(rule.from),
        to_(rule.to),
        whole_(whole),
        by_ratio_(rule.from > 0.0 && rule.to > 0.0 &&
                  std::max(rule.from / rule.to, rule.to / rule.from) >= 10.0) {}
  double place(double value) const {
    return by_ratio_ ? std::log(value / from_) / std::log(to_ / from_) : (value - from_) / (to_ - from_);
  }
  double exact(double place) const {
    return by_ratio_ ? from_ * std::pow(to_ / from_, place) : from_ + place * (to_ - from_);
  }
  double value(double place) const { return whole_ ? std::round(exact(place)) : exact(place); }
  /// A crossing as a value of the key: of whole numbers the last on the side of `holds`.
  double crossing(double place, double holds) const {
    const double v = exact(place);
    if (!whole_) return v;
    return holds <= v ? std::floor(v) : std::ceil(v);
  }
  bool neighbours(double a, double b) const { return whole_ && std::abs(a - b) < 1.5; }

 private:
  double from_, to_;
  bool whole_, by_ratio_;
};

class LimitSearch {
 public:
  LimitSearch(const Scenario& scenario, const LimitRule& rule, const SourceMaker& source, unsigned threads,
              const LimitProgress& progress)
      : scenario_(scenario),
        rule_(rule),
        source_(source),
        threads_(threads),
        progress_(progress),
        scale_(rule, find_key(rule.key)->type == KeyType::kInteger) {}

  Limit run() {
    if (rule_.criterion.kind == Criterion::Kind::kPenalty && !set_reference()) return limit_;
    const Decision first = probe(rule_.from), last = probe(rule_.to);
    if (first == Decision::kOpen || last == Decision::kOpen || first == last) {
      if (first == last && first != Decision::kOpen) look_between(first);
      say_no_crossing();
      return limit_;
    }
    holds_ = first == Decision::kHolds ? rule_.from : rule_.to;
    fails_ = first == Decision::kHolds ? rule_.to : rule_.from;
    narrow();
    conclude();
    return limit_;
  }

 private:
  bool set_reference() {
    Scenario reference = scenario_;
    reference.set(rule_.key, short_decimal(rule_.from), rule_.origin);
    const auto threshold = verdict_threshold(scenario_);
    if (!threshold) scenario_.reject("fec.code", "gives no threshold to measure a penalty at");
    threshold_ = *threshold;
    limit_.reference = find_required_osnr(
        reference, {threshold_.value, 0.02, 4 * rule_.frames, threshold_.quality}, source_, threads_);
    limit_.frames += limit_.reference->frames;
    if (!limit_.reference->found)
      limit_.remark = "no required OSNR at the reference: " + limit_.reference->failure;
    return limit_.reference->found;
  }

  Scenario at(double value) const {
    Scenario scenario = scenario_;
    scenario.set(rule_.key, short_decimal(value), rule_.origin);
    return limit_.reference ? at_total_osnr(scenario, osnr_allowed_db()) : scenario;
  }

  /// Penalty: the total OSNR at which the threshold must be met.
  double osnr_allowed_db() const { return limit_.reference->osnr_db + rule_.criterion.bound; }

  /// A frame without lock has no SNR, and what stands for it in the sums (search.h) would hold low bounds.
  void judge_lock(LimitProbe& p, const Meter& meter) const {
    p.unlocked = meter.total().unlocked;
    if (!rule_.criterion.needs_lock() || p.unlocked == 0) return;
    p.decision = Decision::kFails;
    p.margin_db = p.low_db = p.high_db = std::numeric_limits<double>::quiet_NaN();
  }

  /// Margin with its interval at a confidence.
  void judge(LimitProbe& p, const Scenario& scenario, const Meter& meter, double confidence) const {
    p.ber = meter.ber();
    p.ngmi = meter.total().mean_ngmi();
    p.post_fec_ber = meter.total().post_fec.ber();
    if (rule_.criterion.kind == Criterion::Kind::kSnr) {
      const double snr = meter.total().snr_db();
      p.margin_db = snr - rule_.criterion.bound;
      if (const auto over_fibres = meter.total().snr_over_realisations(confidence)) {
        p.low_db = over_fibres->low - rule_.criterion.bound,
        p.high_db = over_fibres->high - rule_.criterion.bound;
        return;
      }
      // Noise power averaged over n complex samples: relative deviation 1/sqrt(n), doubled for the memory
      // that filters give the noise.
      const double deviation = 2.0 * 10.0 / std::log(10.0) / std::sqrt(std::max(1.0, meter.total().symbols));
      const double width = std::sqrt(-2.0 * std::log(0.5 * (1.0 - confidence))) * deviation;
      p.low_db = p.margin_db - width, p.high_db = p.margin_db + width;
      return;
    }
    const bool penalty = limit_.reference.has_value();
    const Threshold threshold = penalty ? threshold_ : *rule_.criterion.threshold(scenario);
    const EquivalentSnr equivalent(scenario, threshold.quality);
    const double target = equivalent.db(threshold.value),
                 slack = penalty ? limit_.reference->half_width_db() : 0.0;
    const EquivalentSnr::Reading reading = equivalent.read(meter.total(), confidence);
    p.margin_db = reading.db - target;
    p.low_db = reading.low_db - target - slack;
    p.high_db = reading.high_db - target + slack;
  }

  Decision probe(double value) {
    LimitProbe p;
    p.value = value;
    const Scenario scenario = at(value);
    p.short_of_osnr = limit_.reference && highest_total_osnr_db(scenario) < osnr_allowed_db();
    Meter meter(source_(scenario), threads_);
    double risk = (1.0 - rule_.confidence) / kMostValues;
    for (int look = 0; look < kMostLooks && p.decision == Decision::kOpen && meter.frames() < rule_.frames;
         ++look) {
      meter.run(std::min(rule_.frames - meter.frames(), std::max<std::uint64_t>(1, meter.frames())));
      risk /= 2.0;  // half of what is left for this look: all looks together stay within the share
      judge(p, scenario, meter, 1.0 - risk);
      // A warned frame may be one that happened to lock: then the others have their say.
      const bool hear_all = meter.total().warned > 0 && meter.frames() < rule_.frames;
      if (p.low_db > 0.0 && !hear_all) p.decision = Decision::kHolds;
      if (p.high_db < 0.0) {
        if (p.short_of_osnr) break;  // more frames cannot make it hold
        p.decision = Decision::kFails;
      }
      judge_lock(p, meter);
    }
    p.frames = meter.frames();
    p.lacking = too_few_text(meter.total().fibres);
    limit_.frames += p.frames;
    limit_.probes.push_back(p);
    if (progress_) progress_(p);
    return p.decision;
  }

  double middle(double a, double b) const { return scale_.value(0.5 * (scale_.place(a) + scale_.place(b))); }
  double gap(double a, double b) const { return std::abs(scale_.place(a) - scale_.place(b)); }
  bool close(double a, double b) const { return scale_.neighbours(a, b) || gap(a, b) <= rule_.resolution; }

  /// Moves holds_ and fails_ towards each other; open values between them bound what can still be shown.
  void narrow() {
    std::vector<double> open;
    while (static_cast<int>(limit_.probes.size()) < kMostValues && !close(holds_, fails_)) {
      const double next = choose(open);
      if (std::isnan(next)) return;
      switch (probe(next)) {
        case Decision::kHolds:
          holds_ = next;
          break;
        case Decision::kFails:
          fails_ = next;
          break;
        case Decision::kOpen:
          open.push_back(next);
      }
    }
  }

  /// The middle, or with open values between, the middle of the wider gap beside them; NaN when done.
  double choose(const std::vector<double>& open) const {
    if (open.empty()) return middle(holds_, fails_);
    const auto nearer = [&](double to) {
      return [this, to](double a, double b) { return gap(a, to) < gap(b, to); };
    };
    const double near_holds = *std::min_element(open.begin(), open.end(), nearer(holds_));
    const double near_fails = *std::min_element(open.begin(), open.end(), nearer(fails_));
    const bool done_holds = close(holds_, near_holds), done_fails = close(fails_, near_fails);
    if (done_holds && done_fails) return std::nan("");
    const bool holding = !done_holds && (done_fails || gap(holds_, near_holds) >= gap(fails_, near_fails));
    return holding ? middle(holds_, near_holds) : middle(fails_, near_fails);
  }

  /// Where the straight line of the margins between the proven ends crosses 0, weighted by their intervals.
  double crossing() const {
    double w = 0, wx = 0, wy = 0, wxx = 0, wxy = 0;
    const double low = std::min(scale_.place(holds_), scale_.place(fails_)) - 1e-9;
    const double high = std::max(scale_.place(holds_), scale_.place(fails_)) + 1e-9;
    for (const LimitProbe& p : limit_.probes) {
      const double x = scale_.place(p.value), y = p.margin_db;
      if (x < low || x > high || std::isnan(y) || p.short_of_osnr) continue;
      const double weight = 1.0 / std::pow(std::max(p.high_db - p.low_db, 1e-3), 2);
      w += weight, wx += weight * x, wy += weight * y, wxx += weight * x * x, wxy += weight * x * y;
    }
    const double determinant = w * wxx - wx * wx,
                 slope = determinant > 0 ? (w * wxy - wx * wy) / determinant : 0.0;
    const double middle_place = 0.5 * (low + high);
    // Where lock is lost there is no line to draw.
    const bool lost = std::any_of(limit_.probes.begin(), limit_.probes.end(),
                                  [&](const LimitProbe& p) { return p.value == fails_ && fell_by_lock(p); });
    if (slope == 0.0 || lost) return scale_.crossing(middle_place, holds_);
    return scale_.crossing(std::clamp((slope * wx - wy) / (w * slope), low + 1e-9, high - 1e-9), holds_);
  }

  void conclude() {
    limit_.crossing = Crossing::kFound;
    limit_.holds = holds_;
    limit_.fails = fails_;
    limit_.value = scale_.neighbours(holds_, fails_) ? holds_ : crossing();
    if (makes_longer(rule_.key)) limit_.reach_km = length_km(at(limit_.value));
    if (!close(holds_, fails_)) {
      const bool lacking = std::any_of(limit_.probes.begin(), limit_.probes.end(), lacks_osnr);
      limit_.remark = "values between stayed open with " + std::to_string(rule_.frames) + " frames each; " +
                      (lacking ? kShortOfOsnr : "more frames narrow the interval");
    }
    for (const LimitProbe& p : limit_.probes)
      if (p.value == fails_ && fell_by_lock(p))
        limit_.remark += (limit_.remark.empty() ? "" : "; ") + lock_text(p) + " at " + readable(p.value, 6);
  }

  static bool fell_by_lock(const LimitProbe& p) {
    return p.decision == Decision::kFails && std::isnan(p.margin_db);
  }

  static bool lacks_osnr(const LimitProbe& p) {
    return p.short_of_osnr && p.decision == Decision::kOpen && p.high_db < 0.0;
  }

  /// Both ends are alike: the range is so throughout only if its middle is too. A tolerance to both signs
  /// fails at both ends and holds between them.
  void look_between(Decision ends) {
    if (!scale_.neighbours(rule_.from, rule_.to) && probe(middle(rule_.from, rule_.to)) != ends) return;
    limit_.crossing = ends == Decision::kHolds ? Crossing::kHoldsThroughout : Crossing::kFailsThroughout;
  }

  /// Why a fault of the front end may cost nothing wherever it is looked for.
  std::string front_end_text() const {
    const bool own_noise = scenario_.boolean("frontend.shot_noise") ||
                           scenario_.number("frontend.thermal_noise_pa_per_sqrt_hz") > 0.0;
    if (!rule_.key.starts_with("frontend.") || own_noise || !scenario_.is_set("channel.osnr_db")) return "";
    return "; the noise of channel.osnr_db is loaded before the front end, which does to it what it does to "
           "the signal, and the receiver has no noise of its own (frontend.shot_noise, "
           "thermal_noise_pa_per_sqrt_hz)";
  }

  /// What each value probed said, along the range.
  void say_no_crossing() {
    const auto word = [](Decision d) {
      return d == Decision::kHolds ? "holds" : d == Decision::kFails ? "fails" : "stays open";
    };
    std::vector<LimitProbe> along = limit_.probes;
    std::sort(along.begin(), along.end(), [&](const LimitProbe& a, const LimitProbe& b) {
      return scale_.place(a.value) < scale_.place(b.value);
    });
    bool open = false, holds = false, fails = false, lacking = false;
    std::string said, lacking_fibres;
    for (const LimitProbe& p : along) {
      said += (said.empty() ? " " : ", ") + std::string(word(p.decision)) + " at " + readable(p.value, 6);
      if (fell_by_lock(p)) said += " (" + lock_text(p) + ")";
      lacking |= lacks_osnr(p);
      if (p.decision == Decision::kOpen && lacking_fibres.empty()) lacking_fibres = p.lacking;
      open |= p.decision == Decision::kOpen;
      holds |= p.decision == Decision::kHolds, fails |= p.decision == Decision::kFails;
    }
    limit_.remark = "no crossing shown: " + rule_.criterion.text() + said;
    if (lacking)
      limit_.remark += std::string("; ") + kShortOfOsnr;
    else if (open)
      limit_.remark += "; " + (lacking_fibres.empty() ? "more frames may decide" : lacking_fibres);
    else if (holds && fails)
      limit_.remark += "; it is crossed on both sides of the middle, search each by itself";
    else if (limit_.crossing == Crossing::kHoldsThroughout)
      limit_.remark += front_end_text();
  }

  const Scenario& scenario_;
  const LimitRule& rule_;
  const SourceMaker& source_;
  unsigned threads_;
  const LimitProgress& progress_;
  Scale scale_;
  Threshold threshold_;
  double holds_ = 0.0, fails_ = 0.0;
  Limit limit_;
};

}  // namespace

std::string crossing_name(Crossing crossing) {
  switch (crossing) {
    case Crossing::kFound:
      return "found";
    case Crossing::kHoldsThroughout:
      return "holds throughout";
    case Crossing::kFailsThroughout:
      return "fails throughout";
    case Crossing::kUndecided:
      break;
  }
  return "undecided";
}

std::string lock_text(const LimitProbe& p) {
  return "no lock in " + std::to_string(p.unlocked) + " of " + std::to_string(p.frames) + " frames";
}

Limit find_limit(const Scenario& scenario, const LimitRule& rule, const SourceMaker& source, unsigned threads,
                 const LimitProgress& progress) {
  const ScenarioKey* key = find_key(rule.key);
  if (key == nullptr || (key->type != KeyType::kNumber && key->type != KeyType::kInteger))
    throw InputError(Origin(), rule.key, "a limit needs a key that holds a number");
  if (rule.from == rule.to) throw InputError(Origin(), rule.key, "both ends of the range are the same");
  if (rule.criterion.kind == Criterion::Kind::kSnrPenalty)
    throw InputError("snr_penalty_db is for outage; a limit's penalty is one of required OSNR, penalty_db=P");
  if (rule.criterion.kind != Criterion::Kind::kSnr) EquivalentSnr{scenario};  // symbols with bits
  return LimitSearch(scenario, rule, source, threads, progress).run();
}

}  // namespace cohlink
