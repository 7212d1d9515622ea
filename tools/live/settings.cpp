#include "tools/live/settings.h"

#include <algorithm>
#include <nlohmann/json.hpp>

#include "rx/chain/order.h"
#include "rx/chain/table.h"
#include "sim/link_setup.h"
#include "sim/signal/scenario/strings.h"
#include "tools/live/knobs.h"
#include "tools/live/lecture.h"
#include "tools/live/page.h"
#include "tools/study/plan/numbers.h"

namespace cohlink::live {
namespace {

constexpr const char* kPage = "the page";  // where a value came from, in messages

const nlohmann::json& field(const nlohmann::json& object, const char* name) {
  const auto found = object.find(name);
  if (found == object.end())
    throw InputError(std::string("the page asked for something without '") + name + "'");
  return *found;
}

std::string text_of(const nlohmann::json& value) {
  if (!value.is_string()) throw InputError("the page asked for something that is no text");
  return value.get<std::string>();
}

std::size_t index_of(const nlohmann::json& value, std::size_t below) {
  if (!value.is_number_unsigned() || value.get<std::uint64_t>() >= below)
    throw InputError("the page asked for something by a number that there is not");
  return value.get<std::size_t>();
}

// Rows of a chain that works as a whole; a title each.
std::vector<const BlockRow*> rows(const std::vector<std::string>& chain) {
  return chain_fault(chain).empty() ? rows_of(chain) : std::vector<const BlockRow*>();
}

// For a shell: plain words as they are.
std::string quoted(const std::string& text) {
  const bool plain = std::all_of(text.begin(), text.end(), [](unsigned char c) {
    return std::isalnum(c) != 0 ||
           std::string_view("_.,+-=:/").find(static_cast<char>(c)) != std::string_view::npos;
  });
  return plain && !text.empty() ? text : "'" + text + "'";
}

void check_length(const Scenario& scenario) {
  if (static_cast<double>(scenario.integer("signal.symbols")) > kMostLiveSymbols)
    throw InputError(kPage, "signal.symbols",
                     "live at most " + grouped(static_cast<unsigned long long>(kMostLiveSymbols)) +
                         " a round; a saved scenario may have more");
}

}  // namespace

void make_live(Scenario& scenario, const std::vector<std::string>& by_hand) {
  const auto given = [&](const std::string& key) {
    return std::any_of(by_hand.begin(), by_hand.end(),
                       [&](const std::string& setting) { return trim(setting).starts_with(key); });
  };
  if (!given("signal.symbols") && scenario.find_tie("signal.symbols") == nullptr)
    scenario.set("signal.symbols", "8192", kPage);
  if (!given("run.fft_planning")) scenario.set("run.fft_planning", "estimated", kPage);
  scenario.clear_draws();
  for (const ScenarioKey& key : scenario_keys())
    scenario.written(key.full_name());  // ties that cannot be kept
}

Settings::Settings(Opening opening) : opening_(std::move(opening)) {
  begin(opening_.scenario, opening_.name, opening_.command);
}

void Settings::begin(Scenario scenario, std::string name, std::string command) {
  base_ = std::move(scenario);
  name_ = std::move(name);
  command_ = std::move(command);
  step_ = -1;
  changes_.clear();
  off_.assign(base_.list("dsp.chain").size(), false);
}

void Settings::apply(const nlohmann::json& request) {
  if (request.contains("set")) {
    const auto& wanted = field(request, "set");
    return set(text_of(field(wanted, "key")), field(wanted, "value"));
  }
  if (request.contains("block")) return turn_block(field(request, "block"));
  if (request.contains("preset")) return open_preset(text_of(field(request, "preset")));
  if (request.contains("lecture")) return open_step(index_of(field(request, "lecture"), lecture().size()));
  if (request.contains("start")) return begin(opening_.scenario, opening_.name, opening_.command);
  throw InputError("the page asked for something that is not known here");
}

void Settings::set(const std::string& key, const nlohmann::json& value) {
  const ScenarioKey* found = find_key(key);
  if (found == nullptr || !may_turn(*found)) throw InputError(kPage, key, "is no knob of this page");
  Settings next = *this;
  if (value.is_null())
    next.changes_.erase(key);
  else
    next.changes_[key] = trim(text_of(value));
  if (key == "dsp.chain") {
    const std::string fault = chain_fault(next.whole_chain());
    if (!fault.empty()) throw InputError(kPage, key, fault);
    next.off_.assign(next.whole_chain().size(), false);
  }
  check_length(next.scenario());
  next.describe(0);  // a key that follows another may not be able to: said now, of that key
  *this = std::move(next);
}

void Settings::turn_block(const nlohmann::json& request) {
  const std::size_t index = index_of(field(request, "index"), off_.size());
  const auto& on = field(request, "on");
  if (!on.is_boolean()) throw InputError("a block is on or off");
  std::vector<bool> off = off_;
  off[index] = !on.get<bool>();
  const std::string fault = chain_fault(chain_without(off));
  if (!fault.empty()) throw InputError(kPage, "dsp.chain", fault);
  off_ = off;
}

void Settings::open_preset(const std::string& name) {
  for (const EmbeddedFile& file : preset_files())
    if (file.name == name) {
      Scenario scenario;
      scenario.read_text(std::string(file.content), name + ".ini");
      make_live(scenario, {});
      return begin(std::move(scenario), name + ".ini", "");
    }
  throw InputError("there is no ready scenario of that name");
}

void Settings::open_step(std::size_t step) {
  const LectureStep& wanted = lecture()[step];
  Scenario scenario;
  scenario.read_text(std::string(lecture_bench()), "lecture");
  scenario.read_text(std::string(wanted.scenario), "lecture");
  make_live(scenario, {});
  begin(std::move(scenario), "lecture: " + std::string(wanted.title), "");
  step_ = static_cast<int>(step);
}

// The base's, or as it was changed: all blocks on.
std::vector<std::string> Settings::whole_chain() const {
  Scenario whole = base_;
  if (const auto found = changes_.find("dsp.chain"); found != changes_.end())
    whole.set("dsp.chain", found->second, kPage);
  return whole.list("dsp.chain");
}

// Where nothing else can do what a block does (it changes the sampling), its stand-in takes its place.
std::vector<std::string> Settings::chain_without(const std::vector<bool>& off) const {
  const std::vector<std::string> whole = whole_chain();
  const auto all = rows(whole);
  std::vector<std::string> left;
  for (std::size_t i = 0; i < whole.size(); ++i) {
    if (!off[i])
      left.push_back(whole[i]);
    else if (i < all.size() && *all[i]->stand_in != '\0')
      left.emplace_back(all[i]->stand_in);
  }
  return left;
}

Scenario Settings::scenario() const {
  Scenario scenario = base_;
  for (const auto& [key, value] : changes_) scenario.set(key, value, kPage);
  if (std::find(off_.begin(), off_.end(), true) != off_.end())
    scenario.set("dsp.chain", join(chain_without(off_), ","), kPage);
  return scenario;
}

nlohmann::json Settings::describe_blocks() const {
  nlohmann::json blocks = nlohmann::json::array();
  const std::vector<std::string> whole = whole_chain();
  const auto all = rows(whole);
  for (std::size_t i = 0; i < all.size(); ++i) {
    std::vector<bool> off = off_;
    off[i] = !off[i];
    const std::string fault = chain_fault(chain_without(off));
    blocks.push_back({{"name", whole[i]},
                      {"title", all[i]->title},
                      {"on", !off_[i]},
                      {"may", fault.empty()},
                      {"why", fault},
                      {"stand_in", all[i]->stand_in}});
  }
  return blocks;
}

nlohmann::json Settings::describe(std::uint64_t rounds) const {
  const Scenario now = scenario();
  nlohmann::json values = nlohmann::json::object(), changed = nlohmann::json::array();
  for (const ScenarioKey& key : scenario_keys())
    if (may_turn(key)) values[key.full_name()] = now.written(key.full_name());
  for (const auto& change : changes_) changed.push_back(change.first);
  return {{"values", values}, {"changed", changed}, {"blocks", describe_blocks()},
          {"bench", name_},   {"lecture", step_},   {"command", command(rounds)}};
}

std::string Settings::saved(std::uint64_t rounds) const {
  Scenario scenario = this->scenario();
  scenario.set("run.frames", std::to_string(std::max<std::uint64_t>(1, rounds)), kPage);
  scenario.set("run.target_errors", "0", kPage);
  return "; As seen on cohlink live (" + name_ + "), " + std::to_string(rounds) +
         " rounds. The same count once more:\n;\n;   cohlink sweep THIS-FILE --vary signal.symbols=" +
         scenario.written("signal.symbols") + "\n\n" + scenario.resolved();
}

// A sweep of one point: frame n of it is round n of the page.
std::string Settings::command(std::uint64_t rounds) const {
  const Scenario now = scenario();
  const std::string one_point = " --vary signal.symbols=" + now.written("signal.symbols");
  if (command_.empty()) return "cohlink sweep cohlink-live.ini" + one_point;
  std::string text = "cohlink sweep " + command_;
  const auto add = [&](const std::string& key, const std::string& value) {
    text += " --set " + quoted(key + "=" + value);
  };
  for (const auto& [key, value] : changes_)
    if (key != "dsp.chain" && key != "signal.symbols") add(key, value);
  if (now.written("dsp.chain") != base_.written("dsp.chain")) add("dsp.chain", now.written("dsp.chain"));
  add("run.fft_planning", now.written("run.fft_planning"));
  add("run.frames", std::to_string(std::max<std::uint64_t>(1, rounds)));
  add("run.target_errors", "0");
  return text + one_point;
}

}  // namespace cohlink::live
