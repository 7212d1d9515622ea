#include <algorithm>
#include <array>
#include <charconv>

#include "sim/signal/scenario/scenario.h"
#include "sim/signal/scenario/scenario_values.h"

namespace cohlink {

void Scenario::set_tie(const std::string& key, const std::string& text, const Origin& origin) {
  if (text.empty()) {
    std::erase_if(ties_, [&](const Tie& tie) { return tie.key == key; });
    return;
  }
  Tie tie = parse_tie(key, text, origin);
  for (const std::string& follower : followers(key))
    if (tie.names(follower))
      throw InputError(origin, key, "tie '" + tie.text + "': " + follower + " follows " + key + " itself");
  std::erase_if(ties_, [&](const Tie& other) { return other.key == key; });
  std::erase_if(draws_, [&](const DrawText& draw) { return draw.key == key; });
  ties_.push_back(std::move(tie));
  draw_ties_tight();
}

const Tie* Scenario::find_tie(std::string_view key) const {
  const auto found = std::find_if(ties_.begin(), ties_.end(), [&](const Tie& tie) { return tie.key == key; });
  return found == ties_.end() ? nullptr : &*found;
}

std::vector<std::string> Scenario::followers(const std::string& key) const {
  std::vector<std::string> moving = {key};
  for (std::size_t i = 0; i < moving.size(); ++i)
    for (const Tie& tie : ties_)
      if (tie.names(moving[i]) && std::find(moving.begin(), moving.end(), tie.key) == moving.end())
        moving.push_back(tie.key);
  moving.erase(moving.begin());
  return moving;
}

/// Nothing where a key that it names is absent.
std::optional<double> Scenario::tied_number(const Tie& tie) const {
  const auto value_of = [&](const std::string& key) -> std::optional<double> {
    if (!is_set(key) && !preset_number(key, text("fibre.type"))) return std::nullopt;
    return find_key(key)->type == KeyType::kInteger ? static_cast<double>(integer(key)) : number(key);
  };
  double sum = 0.0;
  for (const TieTerm& term : tie.terms) {
    double product = term.factor;
    for (const std::string& key : term.times) {
      const auto number = value_of(key);
      if (!number) return std::nullopt;
      product *= *number;
    }
    for (const std::string& key : term.over) {
      const auto number = value_of(key);
      if (!number) return std::nullopt;
      product /= *number;
    }
    sum += product;
  }
  return sum;
}

Scenario::Value Scenario::tied_value(const Tie& tie) const {
  const ScenarioKey& key = *find_key(tie.key);
  Value value{"", tie.origin};
  const std::string what = "tie '" + tie.text + "': ";
  try {
    if (const auto number = tied_number(tie)) {
      // 12 digits: 0.1 x 3 is 0.3.
      std::array<char, 40> digits;
      value.text = {digits.data(), std::to_chars(digits.data(), digits.data() + digits.size(), *number + 0.0,
                                                 std::chars_format::general, 12)
                                       .ptr};
      check_value(value.text, tie.origin, key);
    } else if (!key.default_value.empty()) {
      value.fault = what + "what it follows is absent";
    }
  } catch (const InputError& error) {
    value.fault = what + (error.key() == tie.key ? "" : error.key() + ": ") + error.reason();
  }
  return value;
}

/// Ties follow one another in any order, and never in a circle: as many rounds as there are ties settle all.
void Scenario::draw_ties_tight() {
  for (std::size_t round = 0; round < ties_.size(); ++round)
    for (const Tie& tie : ties_) given_[tie.key] = tied_value(tie);
}

}  // namespace cohlink
