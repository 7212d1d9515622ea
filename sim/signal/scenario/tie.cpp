#include "sim/signal/scenario/tie.h"

#include <algorithm>
#include <charconv>
#include <cmath>
#include <regex>

#include "sim/signal/scenario/scenario.h"
#include "sim/signal/scenario/strings.h"

namespace cohlink {
namespace {

bool holds_number(const ScenarioKey& key) {
  return key.type == KeyType::kNumber || key.type == KeyType::kInteger;
}

bool is_blank(char c) { return c == ' ' || c == '\t'; }
bool begins_name(char c) { return (c >= 'a' && c <= 'z') || (c >= 'A' && c <= 'Z') || c == '_'; }
bool goes_on_name(char c) { return begins_name(c) || (c >= '0' && c <= '9') || c == '.'; }

/// Sum of products, left to right.
class TieReader {
 public:
  explicit TieReader(Tie& tie) : tie_(tie), rest_(tie.text) {}

  void read() {
    double sign = take("-") ? -1.0 : 1.0;
    if (sign > 0.0) take("+");
    for (;;) {
      read_term(sign);
      if (rest_.empty()) break;
      const bool minus = take("-");
      if (!minus && !take("+"))
        fail("'" + std::string(rest_) + "' where one of + - * / or the end was expected");
      sign = minus ? -1.0 : 1.0;
    }
    if (std::none_of(tie_.terms.begin(), tie_.terms.end(),
                     [](const TieTerm& t) { return !t.times.empty() || !t.over.empty(); }))
      fail("names no key to follow");
  }

 private:
  [[noreturn]] void fail(const std::string& why) const {
    throw InputError(tie_.origin, tie_.key, "tie '" + tie_.text + "': " + why);
  }

  bool take(std::string_view mark) {
    skip_blanks();
    const bool there = rest_.starts_with(mark);
    if (there) rest_.remove_prefix(mark.size());
    skip_blanks();
    return there;
  }
  void skip_blanks() {
    while (!rest_.empty() && is_blank(rest_.front())) rest_.remove_prefix(1);
  }

  void read_term(double sign) {
    TieTerm& term = tie_.terms.emplace_back();
    term.factor = sign;
    read_factor(term, false);
    for (;;) {
      const bool over = take("/");
      if (!over && !take("*")) return;
      read_factor(term, over);
    }
  }

  void read_factor(TieTerm& term, bool over) {
    if (rest_.empty()) fail("a number or a key is missing at its end");
    if (begins_name(rest_.front())) {
      (over ? term.over : term.times).push_back(read_name());
      return;
    }
    double number = 0.0;
    const auto [end, error] = std::from_chars(rest_.data(), rest_.data() + rest_.size(), number);
    if (error != std::errc() || !std::isfinite(number))
      fail("'" + std::string(rest_) + "' where a number or a key was expected");
    if (over && number == 0.0) fail("divides by zero");
    term.factor = over ? term.factor / number : term.factor * number;
    rest_.remove_prefix(static_cast<std::size_t>(end - rest_.data()));
  }

  std::string read_name() {
    const auto end = std::find_if_not(rest_.begin(), rest_.end(), goes_on_name);
    const std::string name(rest_.begin(), end);
    rest_.remove_prefix(name.size());
    const ScenarioKey* key = find_key(name);
    if (key == nullptr) {
      const std::string near = nearest_key(name);
      fail(name + " is no key" + (near.empty() ? "" : "; did you mean " + near + "?"));
    }
    if (!holds_number(*key)) fail(name + " holds no number");
    return name;
  }

  Tie& tie_;
  std::string_view rest_;
};

}  // namespace

bool Tie::names(const std::string& other) const {
  const auto in = [&](const std::vector<std::string>& keys) {
    return std::find(keys.begin(), keys.end(), other) != keys.end();
  };
  return std::any_of(terms.begin(), terms.end(), [&](const TieTerm& t) { return in(t.times) || in(t.over); });
}

Tie parse_tie(const std::string& key, const std::string& text, const Origin& origin) {
  Tie tie{key, trim(text), origin, {}};
  if (!holds_number(*find_key(key)))
    throw InputError(origin, key, "holds no number that could follow others");
  if (key.starts_with("run."))
    throw InputError(origin, key, "is a setting of the run, which follows nothing");
  TieReader(tie).read();
  if (tie.names(key)) throw InputError(origin, key, "tie '" + tie.text + "': a key cannot follow itself");
  return tie;
}

bool writes_tie(std::string_view key, const std::string& text) {
  // Ranges and laws hold colons, lists of values bars.
  static const std::regex names_key(R"((^|[^A-Za-z0-9_.])[A-Za-z_]+\.[A-Za-z_])");
  const ScenarioKey* known = find_key(key);
  return known != nullptr && holds_number(*known) && text.find_first_of(":|") == std::string::npos &&
         std::regex_search(text, names_key);
}

}  // namespace cohlink
