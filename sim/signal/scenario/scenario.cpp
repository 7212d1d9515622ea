#include "sim/signal/scenario/scenario.h"

#include <algorithm>
#include <boost/program_options.hpp>
#include <filesystem>
#include <fstream>
#include <set>
#include <sstream>

#include "sim/signal/scenario/scenario_values.h"
#include "sim/signal/scenario/strings.h"

namespace cohlink {
namespace {

const ScenarioKey& declared(std::string_view full_name) {
  const ScenarioKey* key = find_key(full_name);
  if (key == nullptr) throw std::logic_error("undeclared scenario key " + std::string(full_name));
  return *key;
}

[[noreturn]] void fail(const Origin& origin, const std::string& key, const std::string& why) {
  throw InputError(origin, key, why);
}

// One line of INI through Boost.Program_options, which owns the syntax (comments, spaces, '='). Line by
// line, because its parser does not report line numbers. Empty for a blank line or comment.
std::vector<std::pair<std::string, std::string>> parse_line(const std::string& section,
                                                            const std::string& line) {
  namespace po = boost::program_options;
  std::istringstream text("[" + section + "]\n" + line + "\n");
  std::vector<std::pair<std::string, std::string>> assignments;
  for (const auto& option : po::parse_config_file(text, po::options_description(), true).options) {
    assignments.emplace_back(option.string_key, option.value.empty() ? "" : option.value.front());
  }
  return assignments;
}

constexpr std::string_view kRequire = "require.";
constexpr std::string_view kDraw = "draw.";
constexpr std::string_view kTie = "tie.";

const std::vector<std::string>& requirement_entries() {
  static const std::vector<std::string> entries = {
      "set", "vary", "measure", "at_most", "at_least", "criterion", "confidence", "screen", "source"};
  return entries;
}

std::string unknown_key_message(const std::string& name) {
  const std::string nearest = nearest_key(name);
  if (nearest.empty()) return "unknown key; 'cohlink keys' lists them all";
  return "unknown key; did you mean " + nearest + "?";
}

}  // namespace

const ScenarioKey* find_key(std::string_view full_name) {
  static const auto index = [] {
    std::map<std::string, const ScenarioKey*, std::less<>> map;
    for (const auto& key : scenario_keys()) map[key.full_name()] = &key;
    return map;
  }();
  const auto found = index.find(full_name);
  return found == index.end() ? nullptr : found->second;
}

std::string nearest_key(std::string_view full_name) {
  std::string best;
  std::size_t best_distance = std::max<std::size_t>(3, full_name.size() / 3) + 1;
  // A key given without or under the wrong section is still near: compare the bare names as well.
  const std::string_view bare = full_name.substr(full_name.rfind('.') + 1);
  for (const auto& key : scenario_keys()) {
    const std::size_t distance =
        std::min(edit_distance(full_name, key.full_name()), edit_distance(bare, key.name) + 1);
    if (distance < best_distance) {
      best_distance = distance;
      best = key.full_name();
    }
  }
  return best;
}

const Scenario::Value& Scenario::found(std::string_view name) const {
  static const auto defaults = [] {
    std::map<std::string, Value, std::less<>> values;
    for (const auto& key : scenario_keys()) values[key.full_name()] = {std::string(key.default_value), {}};
    return values;
  }();
  const auto given = given_.find(name);
  if (given == given_.end()) return defaults.find(name)->second;
  if (!given->second.fault.empty()) fail(given->second.origin, std::string(name), given->second.fault);
  return given->second;
}

void Scenario::read_file(const std::string& path) {
  std::error_code error;
  if (std::filesystem::is_directory(path, error)) throw InputError(path, "is a folder, not a file");
  constexpr std::size_t kLongest = std::size_t{4} << 20;  // a device never ends
  std::ifstream file(path, std::ios::binary);
  if (!file) throw InputError(path, "cannot be read");
  std::string content(kLongest + 1, '\0');
  file.read(content.data(), static_cast<std::streamsize>(content.size()));
  content.resize(static_cast<std::size_t>(file.gcount()));
  if (file.bad()) throw InputError(path, "cannot be read");
  if (content.size() > kLongest) throw InputError(path, "is longer than 4 MiB, which no scenario is");
  constexpr std::string_view byte_order_mark = "\xef\xbb\xbf";  // some editors begin a file with it
  read_text(content.starts_with(byte_order_mark) ? content.substr(byte_order_mark.size()) : content, path);
}

void Scenario::read_text(const std::string& text, const std::string& origin) {
  std::istringstream stream(text);
  std::string line, section;
  std::map<std::string, std::string> seen;  // key -> where, in this file
  for (std::size_t number = 1; std::getline(stream, line); ++number) {
    const Origin where(origin, number);
    const std::string bare = trim(line.substr(0, line.find('#')));
    if (bare.starts_with(';')) continue;  // INI's other comment mark, which the library does not know
    if (!bare.empty() && bare.front() == '[') {
      if (bare.back() != ']')
        throw InputError(where, "'" + bare + "' is not a section heading; write [name]");
      section = trim(bare.substr(1, bare.size() - 2));
      continue;
    }
    if (!bare.empty() && bare.find('=') == std::string::npos) {
      throw InputError(where, "'" + bare + "' is neither a [section] nor key = value");
    }
    for (const auto& [name, value] : parse_line(section, line)) {
      if (const auto before = seen.find(name); before != seen.end()) {
        fail(where, name, "given twice in this file, first at " + before->second);
      }
      set(name, value, where);
      seen[name] = where.text();
    }
  }
}

void Scenario::set(const std::string& assignment, const Origin& origin) {
  const auto equals = assignment.find('=');
  if (equals == std::string::npos) {
    throw InputError(origin, "'" + assignment + "' is not of the form section.key=value");
  }
  set(trim(assignment.substr(0, equals)), trim(assignment.substr(equals + 1)), origin);
}

void Scenario::set(const std::string& full_name, const std::string& text, const Origin& origin) {
  if (full_name.starts_with(kRequire)) return set_requirement(full_name, text, origin);
  if (full_name.starts_with(kDraw)) return set_draw(full_name.substr(kDraw.size()), text, origin);
  if (full_name.starts_with(kTie)) {
    const std::string key = full_name.substr(kTie.size());
    if (find_key(key) == nullptr) fail(origin, full_name, unknown_key_message(key));
    return set_tie(key, text, origin);
  }
  const ScenarioKey* key = find_key(full_name);
  if (key == nullptr) fail(origin, full_name, unknown_key_message(full_name));
  if (const Tie* tie = find_tie(full_name))
    fail(origin, full_name,
         "follows '" + tie->text + "'" + (tie->origin.empty() ? "" : ", by ") + tie->origin.text() +
             "; change what it follows, or free it with tie." + full_name + "=");
  // An empty value takes a key back to "absent", which only keys without a default may be.
  const bool absent = text.empty() && key->default_value.empty();
  if (!absent) check_value(text, origin, *key);
  given_[full_name] = {text, origin};
  draw_ties_tight();
}

void Scenario::set_draw(const std::string& key, const std::string& law, const Origin& origin) {
  if (find_key(key) == nullptr) fail(origin, "draw." + key, unknown_key_message(key));
  if (law.empty()) fail(origin, "draw." + key, "a law is missing, such as uniform:1:2");
  if (writes_tie(key, law)) return set_tie(key, law, origin);
  std::erase_if(draws_, [&](const DrawText& other) { return other.key == key; });
  draws_.push_back({key, law, origin});
}

void Scenario::set_requirement(const std::string& full_name, const std::string& text, const Origin& origin) {
  const auto dot = full_name.rfind('.');
  const bool whole = dot > kRequire.size();
  const std::string name = whole ? full_name.substr(kRequire.size(), dot - kRequire.size()) : "";
  const std::string entry = full_name.substr(dot + 1);
  if (name.empty()) fail(origin, full_name, "a requirement needs a name: [require.NAME]");
  const auto& known = requirement_entries();
  if (std::find(known.begin(), known.end(), entry) == known.end()) {
    const std::string nearest = nearest_word(entry, known);
    fail(origin, full_name,
         "a requirement has no such entry; " +
             (nearest.empty() ? "it has " + join(known, ", ") : "did you mean " + nearest + "?"));
  }
  if (text.empty()) fail(origin, full_name, "a value is missing");
  auto found = std::find_if(requirements_.begin(), requirements_.end(),
                            [&](const RequirementText& r) { return r.name == name; });
  if (found == requirements_.end()) found = requirements_.insert(requirements_.end(), {name, origin, {}});
  found->entries[entry] = {text, origin};
}

const Scenario::Value& Scenario::value(std::string_view name, KeyType type) const {
  if (declared(name).type != type)
    throw std::logic_error("scenario key of another type: " + std::string(name));
  const Value& here = found(name);
  const bool may_be_empty = type == KeyType::kText || type == KeyType::kList || type == KeyType::kNumbers;
  if (here.text.empty() && !may_be_empty) {
    throw InputError(Origin(), std::string(name), "needed here, but not given");
  }
  return here;
}

double Scenario::number(std::string_view name) const {
  if (!is_set(name)) {
    if (const auto preset = preset_number(name, text("fibre.type"))) return *preset;
  }
  const Value& here = value(name, KeyType::kNumber);
  return number_of(here.text, here.origin, declared(name));
}

std::optional<double> Scenario::optional_number(std::string_view name) const {
  if (!is_set(name)) return std::nullopt;
  return number(name);
}

std::int64_t Scenario::integer(std::string_view name) const {
  const Value& here = value(name, KeyType::kInteger);
  return static_cast<std::int64_t>(number_of(here.text, here.origin, declared(name)));
}

bool Scenario::boolean(std::string_view name) const { return value(name, KeyType::kBoolean).text == "true"; }

std::string Scenario::text(std::string_view name) const {
  const KeyType type = declared(name).type;
  return value(name, type == KeyType::kChoice ? type : KeyType::kText).text;
}

std::vector<std::string> Scenario::list(std::string_view name) const {
  return split(value(name, KeyType::kList).text, ',');
}

std::vector<double> Scenario::numbers(std::string_view name) const {
  const Value& here = value(name, KeyType::kNumbers);
  std::vector<double> out;
  for (const auto& item : split(here.text, ',')) out.push_back(number_of(item, here.origin, declared(name)));
  return out;
}

const std::string& Scenario::written(std::string_view name) const {
  declared(name);
  return found(name).text;
}

bool Scenario::is_set(std::string_view name) const {
  declared(name);
  return !found(name).text.empty();
}

bool Scenario::is_given(std::string_view name) const {
  declared(name);
  return given_.find(name) != given_.end();
}

void Scenario::reject(std::string_view name, const std::string& why) const {
  declared(name);
  const Value& here = found(name);
  fail(is_given(name) ? here.origin : file_of_section(name), std::string(name),
       (here.text.empty() ? "" : "'" + here.text + "' ") + why);
}

// Where a key that nobody set would have stood: the file of its section, if one names any key of it.
Origin Scenario::file_of_section(std::string_view name) const {
  const std::string section(name.substr(0, name.find('.') + 1));
  for (auto it = given_.lower_bound(section); it != given_.end() && it->first.starts_with(section); ++it) {
    if (const Origin& origin = it->second.origin; origin.line > 0) return origin.file;
  }
  return {};
}

std::string Scenario::resolved() const {
  std::string out, section;
  for (const auto& key : scenario_keys()) {
    if (key.section != section) {
      section = key.section;
      out += (out.empty() ? "[" : "\n[") + section + "]\n";
    }
    const std::string& text = found(key.full_name()).text;
    out += text.empty() ? "# " + std::string(key.name) + " is absent\n"
                        : std::string(key.name) + " = " + text + "\n";
  }
  if (!ties_.empty()) out += "\n[tie]\n";
  for (const Tie& tie : ties_) out += tie.key + " = " + tie.text + "\n";
  if (!draws_.empty()) out += "\n[draw]\n";
  for (const auto& [key, law, origin] : draws_) out += key + " = " + law + "\n";
  for (const auto& requirement : requirements_) {
    out += "\n[require." + requirement.name + "]\n";
    for (const auto& [entry, value] : requirement.entries) out += entry + " = " + value.text + "\n";
  }
  return out;
}

}  // namespace cohlink
