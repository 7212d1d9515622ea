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
    {"post_fec_ber", Measure::kPostFec},
    {"ngmi", Measure::kNgmi},
    {"achievable_rate_gbps", Measure::kRate},
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

void read_measure(const RequirementText& r, Requirement& requirement) {
  const Entry* entry = entry_of(r, "measure");
  if (entry == nullptr)
    throw InputError(r.origin, "require." + r.name, "nothing is measured; add measure = ber");
  std::string known;
  // sweep --measure has it without its unit, too.
  const std::string text = entry->text == "required_osnr" ? "required_osnr_db" : entry->text;
  for (const auto& [name, measure] : kMeasures) {
    if (text == name) {
      requirement.measure = measure;
      requirement.measure_name = name;
      return;
    }
    known += (known.empty() ? "" : ", ") + std::string(name);
  }
  refuse(r, *entry, "measure", "'" + entry->text + "' is not one of " + known);
}

void read_bound(const RequirementText& r, Requirement& requirement) {
  const Entry* most = entry_of(r, "at_most");
  const Entry* least = entry_of(r, "at_least");
  if ((most == nullptr) == (least == nullptr))
    throw InputError(r.origin, "require." + r.name, "needs a bound, either at_most or at_least");
  const Entry& given = most != nullptr ? *most : *least;
  const std::string name = most != nullptr ? "at_most" : "at_least";
  const auto number = parse_number(given.text);
  if (!number) refuse(r, given, name, "'" + given.text + "' is not a number");
  requirement.bound = *number;
  requirement.at_most = most != nullptr;
  const bool smaller_is_better =
      requirement.measure == Measure::kBer || requirement.measure == Measure::kEvm ||
      requirement.measure == Measure::kPostFec || requirement.measure == Measure::kRequiredOsnr ||
      requirement.measure == Measure::kPenalty || requirement.measure == Measure::kOutage;
  if (requirement.measure != Measure::kLimit && smaller_is_better != requirement.at_most)
    refuse(r, given, name,
           requirement.measure_name + " is " +
               (smaller_is_better ? "the better the smaller; use at_most"
                                  : "the better the larger; use at_least"));
  if ((requirement.measure == Measure::kBer || requirement.measure == Measure::kPostFec) &&
      (requirement.bound < 1e-12 || requirement.bound > 0.35))
    refuse(r, given, name, "a BER between 1e-12 and 0.35 is needed");
  if (requirement.measure == Measure::kNgmi && (requirement.bound < 0.05 || requirement.bound > 0.9999))
    refuse(r, given, name, "an NGMI between 0.05 and 0.9999 is needed");
}

/// What only an outage has, and the confidence.
void read_outage(const RequirementText& r, Requirement& requirement, const Scenario& base) {
  constexpr double kFewestScreened = 1000, kMostScreened = 1e7;
  for (const char* name : {"criterion", "screen", "confidence"})
    if (const Entry* entry = entry_of(r, name); entry != nullptr && requirement.measure != Measure::kOutage)
      refuse(r, *entry, name, "goes with measure = outage");
  if (requirement.measure != Measure::kOutage) return;
  if (const Entry* entry = entry_of(r, "criterion")) requirement.criterion = entry->text;
  Criterion criterion;
  const auto read = [&] { criterion = parse_criterion(requirement.criterion, base); };
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
  requirement.confidence = number("confidence", 0.5, 0.999999).value_or(requirement.confidence);
  requirement.screened =
      static_cast<std::uint64_t>(number("screen", kFewestScreened, kMostScreened).value_or(0.0));
}

/// "KEY=value, KEY=value": a comma parts two only where a new key follows.
void read_settings(const RequirementText& r, Requirement& requirement, const Scenario& base) {
  const Entry* entry = entry_of(r, "set");
  if (entry == nullptr) return;
  Scenario trial = base;
  for (const std::string& text : split_assignments(entry->text)) {
    const auto equals = text.find('=');
    if (equals == std::string::npos)
      refuse(r, *entry, "set", "'" + trim(text) + "' is not of the form section.key=value");
    requirement.settings.emplace_back(trim(text.substr(0, equals)), trim(text.substr(equals + 1)));
    const auto& [key, value] = requirement.settings.back();
    within(r, *entry, "set", [&, &key = key, &value = value] { trial.set(key, value, {}); });
  }
}

void read_vary(const RequirementText& r, Requirement& requirement, const Scenario& base) {
  const Entry* entry = entry_of(r, "vary");
  if (entry == nullptr) {
    if (requirement.measure == Measure::kLimit)
      throw InputError(r.origin, "require." + r.name, "measure = limit needs vary = KEY=a:b");
    return;
  }
  if (requirement.measure != Measure::kLimit) {
    within(r, *entry, "vary", [&] { requirement.axes = parse_vary({entry->text}); });
    if (requirement.axes.size() > 1) refuse(r, *entry, "vary", "one key at a time; use set for the others");
    within(r, *entry, "vary", [&] {
      for (const auto& value : requirement.axes[0].values) {
        Scenario trial = base;
        requirement.axes[0].set(trial, value, {});
      }
    });
    return;
  }
  const auto equals = entry->text.find('='), colon = entry->text.find(':');
  if (equals == std::string::npos || colon == std::string::npos || colon < equals)
    refuse(r, *entry, "vary", "a limit is searched over KEY=a:b");
  requirement.limit_key = trim(entry->text.substr(0, equals));
  const auto from = parse_number(trim(entry->text.substr(equals + 1, colon - equals - 1)));
  const auto to = parse_number(trim(entry->text.substr(colon + 1)));
  if (!from || !to) refuse(r, *entry, "vary", "a limit is searched over KEY=a:b");
  requirement.from = *from, requirement.to = *to;
  for (const double end : {requirement.from, requirement.to})
    within(r, *entry, "vary", [&] { Scenario(base).set(requirement.limit_key, short_decimal(end), {}); });
}

/// What a measure needs of the scenario beside its keys.
void check_measure(const Requirement& requirement, const Scenario& scenario) {
  const bool searched = requirement.measure == Measure::kRequiredOsnr ||
                        requirement.measure == Measure::kPenalty || requirement.measure == Measure::kLimit;
  const bool bits = requirement.measure == Measure::kBer || requirement.measure == Measure::kQ ||
                    requirement.measure == Measure::kNgmi || requirement.measure == Measure::kRate;
  if (requirement.measure == Measure::kPostFec && !scenario.boolean("fec.decode"))
    scenario.reject("fec.decode", "must be true, which require." + requirement.name + ".measure needs");
  if (searched && !verdict_threshold(scenario))
    scenario.reject("fec.code", "gives no threshold, which require." + requirement.name + ".measure needs");
  if (searched || bits) EquivalentSnr{scenario};
}

}  // namespace

Scenario with_settings(const Scenario& base, const Requirement& requirement) {
  Scenario scenario = base;
  for (const auto& [key, value] : requirement.settings)
    scenario.set(key, value, "require." + requirement.name + ".set");
  return scenario;
}

std::vector<Requirement> read_spec_sheet(const Scenario& scenario) {
  if (scenario.requirements().empty())
    throw InputError("the scenario asks nothing: a spec sheet needs [require.NAME] sections");
  std::vector<Requirement> requirements;
  for (const RequirementText& r : scenario.requirements()) {
    Requirement requirement;
    requirement.name = r.name;
    if (const Entry* entry = entry_of(r, "source")) requirement.source = entry->text;
    read_measure(r, requirement);
    read_bound(r, requirement);
    read_outage(r, requirement, scenario);
    read_settings(r, requirement, scenario);
    const Scenario set = with_settings(scenario, requirement);
    read_vary(r, requirement, set);
    check_measure(requirement, set);
    requirements.push_back(std::move(requirement));
  }
  return requirements;
}

}  // namespace cohlink
