// Keys that another key makes idle: they change nothing, and are told of.
#include "tools/study/plan/unread_keys.h"

#include <doctest/doctest.h>

#include <set>

#include "rx/receiver.h"
#include "sim/link.h"

using namespace cohlink;

namespace {

Scenario scenario(const std::vector<std::string>& settings) {
  Scenario s;
  for (const char* setting : {"signal.symbols=2048", "run.samples_per_symbol=2", "channel.osnr_db=20",
                              "run.fft_planning=estimated"})
    s.set(setting);
  for (const auto& setting : settings) s.set(setting);
  return s;
}

// A value that the decider has where the key is idle, as "section.key=value".
std::string idle_setting(const KeyUse& use) {
  const ScenarioKey& decider = *find_key(use.decider);
  const std::string name(use.decider);
  if (use.values == "*")
    return name + "=" + (decider.type == KeyType::kBoolean ? "false" : std::string(decider.default_value));
  const std::set<std::string_view> serving = {use.values, use.values.substr(0, use.values.find('|')),
                                              use.values.substr(use.values.find('|') + 1)};
  std::string_view choices = decider.choices;
  while (!choices.empty()) {
    const auto choice = choices.substr(0, choices.find('|'));
    if (!serving.contains(choice)) return name + "=" + std::string(choice);
    choices.remove_prefix(std::min(choices.size(), choice.size() + 1));
  }
  return "";
}

// Another legal value of the key, as "section.key=value".
std::string other_value(std::string_view name) {
  const ScenarioKey& key = *find_key(name);
  const bool middle = key.low < key.high;
  const double value = key.type == KeyType::kInteger ? key.low + 1
                       : middle                      ? 0.5 * (key.low + std::min(key.high, 100.0))
                                                     : key.low;
  return std::string(name) + "=" + std::to_string(value);
}

}  // namespace

TEST_CASE("an idle key changes neither capture nor reception, and is told of") {
  for (const KeyUse& use : key_uses()) {
    CAPTURE(use.key);
    const std::vector<std::string> idle = {idle_setting(use)};
    const Scenario plain = scenario(idle), spoken = scenario({idle[0], other_value(use.key)});
    REQUIRE(plain.written(use.key) != spoken.written(use.key));
    CHECK(unread_keys(plain).empty());
    CHECK(unread_keys(spoken).size() == 1);
    CHECK(unread_keys(spoken, {std::string(use.decider)}).empty());

    FftCache fft(FftPlanning::kEstimate);
    const Capture a = Link(plain, fft)(0), b = Link(spoken, fft)(0);
    CHECK(a.lanes == b.lanes);
    if (!use.key.starts_with("dsp.")) continue;
    const auto received = [&](const Scenario& s) { return Receiver(s, fft)(a, false).symbols; };
    CHECK(received(plain).x == received(spoken).x);
    CHECK(received(plain).y == received(spoken).y);
  }
}

TEST_CASE("a frame starts the equaliser without passes, unless the receiver is blind to it") {
  const std::vector<std::string> framed = {"signal.symbols=8192", "signal.frame=free",
                                           "signal.pilot_spacing=32", "dsp.equaliser_passes=7"};
  const auto with = [&](const std::string& setting) {
    auto settings = framed;
    settings.push_back(setting);
    return unread_keys(scenario(settings));
  };
  CHECK(unread_keys(scenario(framed)).size() == 1);
  CHECK(unread_keys(scenario(framed), {"dsp.pilots"}).empty());
  CHECK(with("dsp.pilots=ignored").empty());
  CHECK(with("dsp.equaliser_form=widely-linear").empty());
}
