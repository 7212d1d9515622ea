#include "tools/study/search/limit_report.h"

#include <algorithm>
#include <cmath>

#include "tools/study/plan/numbers.h"

namespace cohlink {

namespace {

/// A value of the limit's key.
std::string with_unit(const LimitRule& rule, double value) {
  const std::string unit(find_key(rule.key)->unit);
  return readable(value, 5) + (unit.empty() ? "" : " " + unit);
}

/// What was searched for, and how.
std::vector<Fact> search_facts(const LimitRule& rule) {
  return {
      {"key", "key", rule.key, rule.key},
      {"from", "searched from", rule.from, with_unit(rule, rule.from) + " to " + with_unit(rule, rule.to)},
      {"to", "", rule.to, ""},
      {"resolution_percent", "resolution", 100.0 * rule.resolution,
       readable(100.0 * rule.resolution) + " % of the range, at most " + grouped(rule.frames) +
           " frames a value"},
      {"most_frames", "", rule.frames, ""},
      {"criterion", "criterion", rule.criterion.text(), rule.criterion.text()},
      {"confidence", "", rule.confidence, ""},
  };
}

/// The same fields whatever was found, empty without a crossing: programs need not read the remark.
std::vector<Fact> crossing_facts(const LimitRule& rule, const Limit& limit) {
  const auto known = [&](double value) { return limit.crossed() ? value : std::nan(""); };
  const auto shown = [&](double value) { return limit.crossed() ? with_unit(rule, value) : ""; };
  const auto label = [&](const char* text) { return limit.crossed() ? text : ""; };
  const std::string crossing = crossing_name(limit.crossing), sure = "   (all decisions together at " +
                                                                     readable(100.0 * rule.confidence) +
                                                                     " % confidence)";
  return {{"found", "crossing", crossing, crossing},
          {"limit", label("limit"), known(limit.value), shown(limit.value)},
          {"low", "", known(std::min(limit.holds, limit.fails)), ""},
          {"high", "", known(std::max(limit.holds, limit.fails)), ""},
          {"holds_at", label("holds at"), known(limit.holds), shown(limit.holds)},
          {"fails_at", label("fails at"), known(limit.fails),
           limit.crossed() ? with_unit(rule, limit.fails) + sure : ""}};
}

}  // namespace

std::vector<Fact> limit_facts(const LimitRule& rule, const Limit& limit) {
  std::vector<Fact> facts = search_facts(rule);
  if (limit.reference) {
    const bool found = limit.reference->found;
    facts.push_back({"reference_osnr_db", "required OSNR at the reference",
                     found ? limit.reference->osnr_db : std::nan(""),
                     found ? readable(limit.reference->osnr_db) + " +- " +
                                 readable(limit.reference->half_width_db(), 2) + " dB"
                           : "not found"});
  }
  const std::vector<Fact> crossing = crossing_facts(rule, limit);
  facts.insert(facts.end(), crossing.begin(), crossing.end());
  if (limit.reach_km)
    facts.push_back({"reach_km", "reach", *limit.reach_km, readable(*limit.reach_km, 5) + " km"});
  facts.push_back({"frames", "frames", limit.frames, grouped(limit.frames)});
  if (!limit.remark.empty()) facts.push_back({"remark", "remark", limit.remark, limit.remark});
  return facts;
}

Table probe_table(const LimitRule& rule, const Limit& limit) {
  Table table;
  Column value{rule.key}, ber{"ber", Look::kScientific}, ngmi{"ngmi"},
      left{"post_fec_ber", Look::kScientific}, margin{"margin_db", Look::kHundredths},
      low{"margin_low_db", Look::kHundredths}, high{"margin_high_db", Look::kHundredths}, frames{"frames"},
      unlocked{"frames_without_lock"}, decision{"decision"};
  for (const LimitProbe& p : limit.probes) {
    value.cells.emplace_back(p.value);
    ber.cells.emplace_back(p.ber);
    ngmi.cells.emplace_back(p.ngmi);
    left.cells.emplace_back(p.post_fec_ber);
    margin.cells.emplace_back(p.margin_db);
    low.cells.emplace_back(p.low_db);
    high.cells.emplace_back();
    if (std::isfinite(p.high_db)) high.cells.back() = p.high_db;
    frames.cells.emplace_back(p.frames);
    unlocked.cells.emplace_back(p.unlocked);
    decision.cells.emplace_back(std::string(p.decision == Decision::kHolds   ? "holds"
                                            : p.decision == Decision::kFails ? "fails"
                                                                             : "open"));
  }
  const bool by_ngmi =
      rule.criterion.kind == Criterion::Kind::kNgmi || rule.criterion.kind == Criterion::Kind::kRate;
  for (auto* column : {&value,
                       rule.criterion.kind == Criterion::Kind::kPostFec ? &left
                       : by_ngmi                                        ? &ngmi
                                                                        : &ber,
                       &margin, &low, &high, &frames, &unlocked, &decision})
    table.columns.push_back(std::move(*column));
  return table;
}

}  // namespace cohlink
