#include "tools/study/search/spec_sheet.h"

#include <algorithm>
#include <cmath>
#include <limits>

#include "rx/quality/metrics.h"
#include "sim/signal/scenario/strings.h"
#include "sim/signal/units.h"
#include "tools/study/plan/fec.h"
#include "tools/study/plan/numbers.h"
#include "tools/study/plan/realisations.h"
#include "tools/study/search/limit.h"
#include "tools/study/search/rare_outage.h"
#include "tools/study/search/required_osnr.h"

namespace cohlink {
namespace {

constexpr double kConfidence = 0.95;

std::string settings_text(const Requirement& requirement) {
  std::string text;
  for (const auto& [key, value] : requirement.settings)
    text += (text.empty() ? "" : ", ") + key + "=" + value;
  return text;
}

// --- One point. ---

std::uint64_t most_frames(const Scenario& scenario) {
  return static_cast<std::uint64_t>(scenario.integer("run.frames"));
}

/// 95 % deviation of an SNR in dB from so many symbols, doubled for the memory filters give the noise.
double snr_deviation_db(double symbols) {
  return 1.96 * 2.0 * 10.0 / std::log(10.0) / std::sqrt(std::max(1.0, symbols));
}

/// Of what the margin is given for in SNR that ideal reception would need: BER and Q, NGMI and rate.
void fill_by_snr(RequirementOutcome& out, const Requirement& requirement, const Scenario& scenario,
                 const FrameResult& total, double confidence) {
  const bool ngmi = requirement.measure == Measure::kNgmi || requirement.measure == Measure::kRate,
             decoded = requirement.measure == Measure::kPostFec;
  const EquivalentSnr equivalent(scenario, ngmi      ? Quality::kNgmi
                                           : decoded ? Quality::kPostFecBer
                                                     : Quality::kBer);
  const bool rate = requirement.measure == Measure::kRate;
  const auto shown = [&](double value) { return rate ? achievable_rate(scenario, value) / 1e9 : value; };
  const Interval interval = ngmi      ? total.ngmi_interval(confidence)
                            : decoded ? total.post_fec_interval(confidence)
                                      : total.ber_interval(confidence);
  out.value = shown(ngmi ? total.mean_ngmi() : decoded ? total.post_fec.ber() : total.count.ber());
  out.low = shown(interval.low), out.high = shown(interval.high);
  double bound = rate ? ngmi_of_rate(scenario, 1e9 * requirement.bound) : requirement.bound;
  if (requirement.measure == Measure::kQ) {
    bound = 0.5 * std::erfc(std::pow(10.0, requirement.bound / 20.0) / std::sqrt(2.0));
    out.value = q_from_ber_db(out.value);
    out.low = q_from_ber_db(interval.high), out.high = q_from_ber_db(interval.low);
  }
  // Without errors there is no estimate: the margin is what the bad end of the interval leaves, or more.
  const EquivalentSnr::Reading reading = equivalent.read(total, confidence);
  out.margin = (reading.lower_bound ? reading.low_db : reading.db) - equivalent.db(bound);
  out.margin_unit = decoded ? "dB Q" : "dB SNR";
  if (reading.lower_bound) out.margin_unit += " or more";
}

/// Value and interval of what a meter measured.
void fill(RequirementOutcome& out, const Requirement& requirement, const Scenario& scenario,
          const Meter& meter, double confidence) {
  const double snr = meter.total().snr_db(), deviation = snr_deviation_db(meter.total().symbols);
  const Interval snrs =
      meter.total().snr_over_realisations(confidence).value_or(Interval{snr - deviation, snr + deviation});
  switch (requirement.measure) {
    case Measure::kBer:
    case Measure::kQ:
    case Measure::kPostFec:
    case Measure::kNgmi:
    case Measure::kRate:
      return fill_by_snr(out, requirement, scenario, meter.total(), confidence);
    case Measure::kEvm:
      out.value = meter.total().evm_percent();
      out.low = out.value * std::pow(10.0, (snr - snrs.high) / 20.0);
      out.high = out.value * std::pow(10.0, (snr - snrs.low) / 20.0);
      out.margin_unit = "%";
      break;
    default:
      out.value = snr;
      out.low = snrs.low, out.high = snrs.high;
      out.margin_unit = "dB";
  }
  out.margin = requirement.at_most ? requirement.bound - out.value : out.value - requirement.bound;
}

std::string pass_verdict(const RequirementOutcome& out, const Requirement& requirement) {
  const double worse = requirement.at_most ? out.high : out.low,
               better = requirement.at_most ? out.low : out.high;
  const auto within = [&](double value) {
    return requirement.at_most ? value <= requirement.bound : value >= requirement.bound;
  };
  return within(worse) ? "pass" : !within(better) ? "fail" : "undecided";
}

void add_remark(RequirementOutcome& out, const std::string& text) {
  if (!text.empty()) out.remark += (out.remark.empty() ? "" : "; ") + text;
}

/// Verdict by the interval, and why where it leaves the matter open.
void conclude(RequirementOutcome& out, const Requirement& requirement, const std::string& lacking = "") {
  out.verdict = pass_verdict(out, requirement);
  if (out.verdict == "undecided")
    add_remark(out, lacking.empty() ? "the interval holds the bound; more frames may decide" : lacking);
}

/// Nothing measured, which by itself decides nothing.
RequirementOutcome not_found(const std::string& why, std::uint64_t frames) {
  RequirementOutcome out;
  out.value = out.low = out.high = out.margin = std::numeric_limits<double>::quiet_NaN();
  out.verdict = "undecided";
  out.remark = why;
  out.frames = frames;
  return out;
}

/// A frame without lock has no SNR, and what stands for it in the sums (search.h) would pass low bounds.
bool fails_without_lock(const Requirement& requirement, const Meter& meter) {
  const bool guessed = requirement.measure == Measure::kBer || requirement.measure == Measure::kNgmi ||
                       requirement.measure == Measure::kRate;
  return !guessed && meter.total().unlocked > 0;
}

/// Of a redrawn fibre, beside the mean: how many of its realisations are beyond the bound.
std::string spread_text(const Requirement& requirement, const std::vector<FibreResult>& fibres) {
  if (fibres.empty() || requirement.measure != Measure::kBer) return "";
  const FibreSpread spread = spread_of(fibres, {Quality::kBer, requirement.bound});
  return "mean over " + std::to_string(fibres.size()) + " fibres; " + readable(100.0 * spread.outage, 3) +
         " % of them are beyond the bound (95 %: " + readable(100.0 * spread.outage_interval.low, 3) +
         " to " + readable(100.0 * spread.outage_interval.high, 3) + " %)";
}

RequirementOutcome count_point(const Requirement& requirement, const Scenario& scenario,
                               const SourceMaker& source, unsigned threads) {
  RequirementOutcome out;
  Meter meter(source(scenario), threads);
  const std::uint64_t most = most_frames(scenario);
  double risk = 1.0 - kConfidence;
  do {
    meter.run(std::min(most - meter.frames(), std::max<std::uint64_t>(1, meter.frames())));
    risk /= 2.0;  // all looks together stay within the risk
    fill(out, requirement, scenario, meter, 1.0 - risk);
    // A warned frame may be one that happened to lock: then the others have their say.
  } while (!fails_without_lock(requirement, meter) &&
           (pass_verdict(out, requirement) == "undecided" || meter.total().warned > 0) &&
           meter.frames() < most);
  if (fails_without_lock(requirement, meter)) {
    out = not_found("", meter.frames());
    out.verdict = "fail";
  } else {
    out.frames = meter.frames();
    conclude(out, requirement, too_few_text(meter.total().fibres));
  }
  if (const std::uint64_t lost = meter.total().unlocked; lost > 0)
    add_remark(out, "no lock in " + std::to_string(lost) + " of " + std::to_string(out.frames) + " frames");
  add_remark(out, spread_text(requirement, meter.total().fibres));
  add_remark(out, meter.total().first_warning);
  return out;
}

RequiredOsnr required(const Scenario& scenario, const SourceMaker& source, unsigned threads) {
  const auto threshold = verdict_threshold(scenario);
  if (!threshold) scenario.reject("fec.code", "gives no threshold for a required OSNR");
  return find_required_osnr(scenario, {threshold->value, 0.03, 4 * most_frames(scenario), threshold->quality},
                            source, threads);
}

RequirementOutcome osnr_point(const Requirement& requirement, const Scenario& base, const Scenario& scenario,
                              const SourceMaker& source, unsigned threads) {
  const RequiredOsnr here = required(scenario, source, threads);
  const bool relative = requirement.measure == Measure::kPenalty;
  const RequiredOsnr reference = relative ? required(base, source, threads) : RequiredOsnr();
  if (relative && !reference.found)
    return not_found("no reference: " + reference.failure, here.frames + reference.frames);
  if (!here.found) {
    RequirementOutcome none = not_found(here.failure, here.frames + reference.frames);
    // All that is proven: it is above the highest OSNR that can be set.
    const double bound_db = requirement.bound + (relative ? reference.osnr_db : 0.0);
    if (here.out_of_reach && requirement.at_most && bound_db <= highest_total_osnr_db(scenario))
      none.verdict = "fail";
    return none;
  }
  RequirementOutcome out;
  out.value = here.osnr_db, out.low = here.low_db, out.high = here.high_db;
  out.frames = here.frames;
  if (relative) {
    const Penalty p = penalty(here, reference);
    out.value = p.db, out.low = p.db - p.half_width_db, out.high = p.db + p.half_width_db;
    out.frames += reference.frames;
  }
  out.margin = requirement.bound - out.value;
  out.margin_unit = "dB";
  conclude(out, requirement);
  return out;
}

/// A limit beyond the range searched. At least: it must hold up to the bound, and what holds throughout holds
/// up to the upper end; at most: down to the bound and the lower end. What fails throughout fails there too.
RequirementOutcome limit_beyond(const Requirement& requirement, const Limit& found, const std::string& unit) {
  RequirementOutcome out = not_found(found.remark, found.frames);
  if (found.crossing == Crossing::kUndecided) return out;
  const bool holds = found.crossing == Crossing::kHoldsThroughout, below = requirement.at_most == holds;
  const double end =
      below ? std::min(requirement.from, requirement.to) : std::max(requirement.from, requirement.to);
  (below ? out.high : out.low) = end;
  out.margin = requirement.at_most ? requirement.bound - end : end - requirement.bound;
  out.margin_unit = unit + (unit.empty() ? "" : " ") + (holds ? "or more" : "or less");
  if (holds && out.margin >= 0.0)
    out.verdict = "pass";
  else if (!holds && out.margin < 0.0)
    out.verdict = "fail";
  else
    add_remark(out, "the range searched ends before the bound");
  return out;
}

RequirementOutcome limit_point(const Requirement& requirement, const Scenario& scenario,
                               const SourceMaker& source, unsigned threads) {
  LimitRule rule;
  rule.key = requirement.limit_key;
  rule.from = requirement.from, rule.to = requirement.to;
  rule.criterion = parse_criterion("fec", scenario);
  rule.frames = most_frames(scenario);
  const Limit found = find_limit(scenario, rule, source, threads);
  const std::string unit(find_key(requirement.limit_key)->unit);
  if (!found.crossed()) return limit_beyond(requirement, found, unit);
  RequirementOutcome out;
  out.value = found.value;
  out.low = std::min(found.holds, found.fails), out.high = std::max(found.holds, found.fails);
  out.margin = requirement.at_most ? requirement.bound - out.value : out.value - requirement.bound;
  out.margin_unit = unit;
  out.frames = found.frames;
  out.remark = found.remark;
  conclude(out, requirement);
  return out;
}

/// How often realisations fail: all of run.frames counted, or chosen from many more that were screened.
RequirementOutcome outage_point(const Requirement& requirement, const Scenario& scenario,
                                const SourceMaker& source, unsigned threads) {
  const OutageQuestion question{scenario, {}, parse_criterion(requirement.criterion, scenario)};
  RequirementOutcome out;
  std::string reason = "the interval holds the bound; more realisations may decide";
  if (requirement.screened > 0) {
    const RareOutage found =
        find_rare_outage(question, screen(scenario, {}, requirement.screened, threads),
                         {most_frames(scenario), requirement.confidence}, source, threads);
    out.value = found.probability, out.low = found.interval.low, out.high = found.interval.high;
    out.frames = found.frames;
    add_remark(out, found.remark);
  } else {
    const Outage found = find_outage(question, most_frames(scenario), source, threads);
    out.frames = found.realisations.size();
    out.value = static_cast<double>(found.outages) / static_cast<double>(out.frames);
    const Interval interval = clopper_pearson(found.outages, out.frames, requirement.confidence);
    out.low = interval.low, out.high = interval.high;
    add_remark(out, found.remark);
    if (found.outages == 0) reason += ", or screen = 1e6";
  }
  out.margin = requirement.bound - out.value;
  conclude(out, requirement, reason);
  return out;
}

/// Follows from the scenario alone.
RequirementOutcome rate_point(const Requirement& requirement, const Scenario& scenario) {
  const BitRates rates = bit_rates(scenario);
  if (requirement.measure == Measure::kNetRate && !rates.net)
    return not_found("the code's overhead is not known (fec.code, fec.overhead_percent)", 0);
  RequirementOutcome out;
  out.value = out.low = out.high =
      as_written((requirement.measure == Measure::kNetRate ? *rates.net : rates.line) / 1e9);
  out.margin = out.value - requirement.bound;
  out.margin_unit = "Gb/s";
  conclude(out, requirement);
  return out;
}

RequirementOutcome measured_point(const Requirement& requirement, const Scenario& base,
                                  const Scenario& scenario, const SourceMaker& source, unsigned threads) {
  switch (requirement.measure) {
    case Measure::kLimit:
      return limit_point(requirement, scenario, source, threads);
    case Measure::kOutage:
      return outage_point(requirement, scenario, source, threads);
    case Measure::kRequiredOsnr:
    case Measure::kPenalty:
      return osnr_point(requirement, base, scenario, source, threads);
    case Measure::kLineRate:
    case Measure::kNetRate:
      return rate_point(requirement, scenario);
    default:
      return count_point(requirement, scenario, source, threads);
  }
}

int badness(const RequirementOutcome& outcome) {
  return outcome.verdict == "fail" ? 2 : outcome.verdict == "undecided" ? 1 : 0;
}

/// Fails before undecided before passes, then by margin.
bool worse(const RequirementOutcome& a, const RequirementOutcome& b) {
  if (badness(a) != badness(b)) return badness(a) > badness(b);
  return std::isnan(a.margin) || a.margin < b.margin;
}

}  // namespace

RequirementOutcome check_requirement(const Scenario& base, const Requirement& requirement,
                                     const SourceMaker& source, unsigned threads) {
  const Scenario fixed = with_settings(base, requirement);
  const std::vector<std::string> single = {""};
  const auto& values = requirement.axes.empty() ? single : requirement.axes[0].values;
  RequirementOutcome worst;
  std::uint64_t frames = 0;
  for (std::size_t i = 0; i < values.size(); ++i) {
    Scenario scenario = fixed;
    if (!requirement.axes.empty())
      requirement.axes[0].set(scenario, values[i], "require." + requirement.name + ".vary");
    RequirementOutcome here = measured_point(requirement, base, scenario, source, threads);
    here.at = settings_text(requirement);
    if (!requirement.axes.empty())
      here.at += (here.at.empty() ? "" : ", ") + requirement.axes[0].key + "=" + values[i];
    frames += here.frames;
    if (i == 0 || worse(here, worst)) worst = here;
  }
  worst.frames = frames;
  return worst;
}

Table spec_table(const std::vector<Requirement>& requirements,
                 const std::vector<RequirementOutcome>& outcomes) {
  Table table;
  Column name{"requirement"}, verdict{"verdict"}, measure{"measure"}, value{"value", Look::kFigures},
      low{"low", Look::kFigures}, high{"high", Look::kFigures}, bound{"bound"},
      margin{"margin", Look::kHundredths}, unit{"margin_unit"}, frames{"frames"}, at{"at"}, remark{"remark"},
      source{"source"};
  for (std::size_t i = 0; i < requirements.size(); ++i) {
    const Requirement& requirement = requirements[i];
    const RequirementOutcome& out = outcomes[i];
    name.cells.emplace_back(requirement.name);
    verdict.cells.emplace_back(out.verdict);
    measure.cells.emplace_back(requirement.measure_name);
    value.cells.emplace_back(out.value);
    low.cells.emplace_back(out.low);
    high.cells.emplace_back(out.high);
    bound.cells.emplace_back((requirement.at_most ? "at most " : "at least ") +
                             readable(requirement.bound, 6));
    margin.cells.emplace_back(out.margin);
    unit.cells.emplace_back(out.margin_unit);
    frames.cells.emplace_back(out.frames);
    at.cells.emplace_back(out.at);
    remark.cells.emplace_back(out.remark);
    source.cells.emplace_back(requirement.source);
  }
  for (auto* column : {&name, &verdict, &measure, &value, &low, &high, &bound, &margin, &unit, &frames, &at,
                       &remark, &source})
    table.columns.push_back(std::move(*column));
  return table;
}

}  // namespace cohlink
