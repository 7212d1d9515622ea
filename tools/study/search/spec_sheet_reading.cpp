// Reading the [require.NAME] sections of a scenario.
#include "tools/study/search/spec_sheet.h"

#include <algorithm>
#include <optional>

#include "sim/signal/scenario/strings.h"
#include "tools/study/plan/fec.h"
#include "tools/study/plan/numbers.h"
#include "tools/study/search/limit.h"

namespace cohlink {
namespace {

struct MeasureName {
  const char* name;
  Measure measure;
};
constexpr MeasureName kMeasures[] = {
    {"ber", Measure::kBer},
    {"q_db", Measure::kQ},
    {"snr_db", Measure::kSnr},
    {"evm_percent", Measure::kEvm},
    {"required_osnr_db", Measure::kRequiredOsnr},
    {"penalty_db", Measure::kPenalty},
    {"limit", Measure::kLimit},
    {"outage", Measure::kOutage},
    {"line_rate_gbps", Measure::kLineRate},
    {"net_rate_gbps", Measure::kNetRate},
};

using Entry = RequirementText::Entry;

[[noreturn]] void refuse(const RequirementText& r, const Entry& entry, const std::string& name,
                         const std::string& why) {
  throw InputError(entry.origin, "require." + r.name + "." + name, why);
}

/// What `read` refuses is refused as that entry.
template <class Reading>
void within(const RequirementText& r, const Entry& entry, const std::string& name, const Reading& read) {
  try {
    read();
  } catch (const InputError& error) {
    refuse(r, entry, name, error.what());
  }
}

const Entry* entry_of(const RequirementText& r, const std::string& name) {
  const auto found = r.entries.find(name);
  return found == r.entries.end() ? nullptr : &found->second;
}

void read_measure(const RequirementText& r, SpecLine& line) {
  const Entry* entry = entry_of(r, "measure");
  if (entry == nullptr)
    throw InputError(r.origin, "require." + r.name, "nothing is measured; add measure = ber");
  std::string known;
  // sweep --measure has it without its unit, too.
  const std::string text = entry->text == "required_osnr" ? "required_osnr_db" : entry->text;
  for (const auto& [name, measure] : kMeasures) {
    if (text == name) {
      line.measure = measure;
      line.measure_name = name;
      return;
    }
    known += (known.empty() ? "" : ", ") + std::string(name);
  }
  refuse(r, *entry, "measure", "'" + entry->text + "' is not one of " + known);
}

void read_bound(const RequirementText& r, SpecLine& line) {
  const Entry* most = entry_of(r, "at_most");
  const Entry* least = entry_of(r, "at_least");
  if ((most == nullptr) == (least == nullptr))
    throw InputError(r.origin, "require." + r.name, "needs a bound, either at_most or at_least");
  const Entry& given = most != nullptr ? *most : *least;
  const std::string name = most != nullptr ? "at_most" : "at_least";
  const auto number = parse_number(given.text);
  if (!number) refuse(r, given, name, "'" + given.text + "' is not a number");
  line.bound = *number;
  line.at_most = most != nullptr;
  const bool smaller_is_better = line.measure == Measure::kBer || line.measure == Measure::kEvm ||
                                 line.measure == Measure::kRequiredOsnr ||
                                 line.measure == Measure::kPenalty || line.measure == Measure::kOutage;
  if (line.measure != Measure::kLimit && smaller_is_better != line.at_most)
    refuse(r, given, name,
           line.measure_name + " is " +
               (smaller_is_better ? "the better the smaller; use at_most"
                                  : "the better the larger; use at_least"));
  if (line.measure == Measure::kBer && (line.bound < 1e-12 || line.bound > 0.35))
    refuse(r, given, name, "a BER between 1e-12 and 0.35 is needed");
}

/// What only an outage has, and the confidence.
void read_outage(const RequirementText& r, SpecLine& line, const Scenario& base) {
  constexpr double kFewestScreened = 1000, kMostScreened = 1e7;
  for (const char* name : {"criterion", "screen", "confidence"})
    if (const Entry* entry = entry_of(r, name); entry != nullptr && line.measure != Measure::kOutage)
      refuse(r, *entry, name, "goes with measure = outage");
  if (line.measure != Measure::kOutage) return;
  if (const Entry* entry = entry_of(r, "criterion")) line.criterion = entry->text;
  Criterion criterion;
  const auto read = [&] { criterion = parse_criterion(line.criterion, base); };
  if (const Entry* entry = entry_of(r, "criterion")) within(r, *entry, "criterion", read);
  if (criterion.kind == Criterion::Kind::kPenalty)
    throw InputError(r.origin, "require." + r.name + ".criterion",
                     "one frame has no required OSNR; use snr_penalty_db");
  const auto number = [&](const char* name, double low, double high) -> std::optional<double> {
    const Entry* entry = entry_of(r, name);
    if (entry == nullptr) return std::nullopt;
    const auto value = parse_number(entry->text);
    if (!value || *value < low || *value > high)
      refuse(r, *entry, name, "a number between " + readable(low) + " and " + readable(high) + " is needed");
    return value;
  };
  line.confidence = number("confidence", 0.5, 0.999999).value_or(line.confidence);
  line.screened = static_cast<std::uint64_t>(number("screen", kFewestScreened, kMostScreened).value_or(0.0));
}

/// "KEY=value, KEY=value": a comma parts two only where a new key follows.
void read_settings(const RequirementText& r, SpecLine& line, const Scenario& base) {
  const Entry* entry = entry_of(r, "set");
  if (entry == nullptr) return;
  Scenario trial = base;
  for (const std::string& text : split_assignments(entry->text)) {
    const auto equals = text.find('=');
    if (equals == std::string::npos)
      refuse(r, *entry, "set", "'" + trim(text) + "' is not of the form section.key=value");
    line.settings.emplace_back(trim(text.substr(0, equals)), trim(text.substr(equals + 1)));
    const auto& [key, value] = line.settings.back();
    within(r, *entry, "set", [&, &key = key, &value = value] { trial.set(key, value, {}); });
  }
}

void read_vary(const RequirementText& r, SpecLine& line, const Scenario& base) {
  const Entry* entry = entry_of(r, "vary");
  if (entry == nullptr) {
    if (line.measure == Measure::kLimit)
      throw InputError(r.origin, "require." + r.name, "measure = limit needs vary = KEY=a:b");
    return;
  }
  if (line.measure != Measure::kLimit) {
    within(r, *entry, "vary", [&] { line.axes = parse_vary({entry->text}); });
    if (line.axes.size() > 1) refuse(r, *entry, "vary", "one key at a time; use set for the others");
    within(r, *entry, "vary", [&] {
      for (const auto& value : line.axes[0].values) Scenario(base).set(line.axes[0].key, value, {});
    });
    return;
  }
  const auto equals = entry->text.find('='), colon = entry->text.find(':');
  if (equals == std::string::npos || colon == std::string::npos || colon < equals)
    refuse(r, *entry, "vary", "a limit is searched over KEY=a:b");
  line.limit_key = trim(entry->text.substr(0, equals));
  const auto from = parse_number(trim(entry->text.substr(equals + 1, colon - equals - 1)));
  const auto to = parse_number(trim(entry->text.substr(colon + 1)));
  if (!from || !to) refuse(r, *entry, "vary", "a limit is searched over KEY=a:b");
  line.from = *from, line.to = *to;
  for (const double end : {line.from, line.to})
    within(r, *entry, "vary", [&] { Scenario(base).set(line.limit_key, short_decimal(end), {}); });
}

/// What a measure needs of the scenario beside its keys.
void check_measure(const SpecLine& line, const Scenario& scenario) {
  const bool searched = line.measure == Measure::kRequiredOsnr || line.measure == Measure::kPenalty ||
                        line.measure == Measure::kLimit;
  if (searched && !fec_threshold(scenario))
    scenario.reject("fec.code", "gives no threshold, which require." + line.name + ".measure needs");
  if (searched || line.measure == Measure::kBer || line.measure == Measure::kQ) EquivalentSnr{scenario};
}

}  // namespace

Scenario with_settings(const Scenario& base, const SpecLine& line) {
  Scenario scenario = base;
  for (const auto& [key, value] : line.settings) scenario.set(key, value, "require." + line.name + ".set");
  return scenario;
}

std::vector<SpecLine> read_spec_sheet(const Scenario& scenario) {
  if (scenario.requirements().empty())
    throw InputError("the scenario asks nothing: a spec sheet needs [require.NAME] sections");
  std::vector<SpecLine> lines;
  for (const RequirementText& r : scenario.requirements()) {
    SpecLine line;
    line.name = r.name;
    if (const Entry* entry = entry_of(r, "source")) line.source = entry->text;
    read_measure(r, line);
    read_bound(r, line);
    read_outage(r, line, scenario);
    read_settings(r, line, scenario);
    const Scenario set = with_settings(scenario, line);
    read_vary(r, line, set);
    check_measure(line, set);
    lines.push_back(std::move(line));
  }
  return lines;
}

}  // namespace cohlink
