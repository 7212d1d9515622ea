#include "tools/study/plan/vary.h"

#include <algorithm>
#include <cmath>
#include <limits>
#include <regex>
#include <set>

#include "sim/signal/scenario/strings.h"
#include "tools/study/plan/numbers.h"

namespace cohlink {
namespace {

/// Every part between marks, empty ones too, so that a missing value is noticed.
std::vector<std::string> parts_between(const std::string& text, char mark) {
  std::vector<std::string> parts(1);
  for (const char c : text) {
    if (c == mark)
      parts.emplace_back();
    else
      parts.back() += c;
  }
  for (auto& part : parts) part = trim(part);
  return parts;
}

bool holds_number(const std::string& key) {
  const KeyType type = find_key(key)->type;
  return type == KeyType::kNumber || type == KeyType::kInteger;
}

/// One for each key.
std::vector<std::string> parts_of(const Axis& axis, const std::string& value) {
  return axis.keys().size() > 1 ? parts_between(value, ':') : std::vector<std::string>{value};
}

/// Two points of one place cannot be told apart, in a table or by the coordinates of a file.
void refuse_repeated(const Axis& axis, const std::string& where) {
  const std::vector<std::string> keys = axis.keys();
  std::set<std::string> seen;
  for (const auto& value : axis.values) {
    std::vector<std::string> parts = parts_of(axis, value);
    for (std::size_t i = 0; i < keys.size(); ++i)  // 6 and 6.0 are one value, as are 0 and -0
      if (const auto number = holds_number(keys[i]) ? parse_number(parts[i]) : std::nullopt)
        parts[i] = exact_decimal(*number + 0.0);
    if (!seen.insert(join(parts, ":")).second)
      throw InputError(where, "the value " + value + " is given twice");
  }
}

std::vector<std::string> range_values(const std::string& range, const std::string& where) {
  const auto parts = parts_between(range, ':');
  if (parts.size() != 3) throw InputError(where, "a range is start:step:end");
  double number[3];
  for (int i = 0; i < 3; ++i) {
    const auto value = parse_number(parts[i]);
    if (!value) throw InputError(where, "'" + parts[i] + "' is not a number");
    number[i] = *value;
  }
  const double start = number[0], step = number[1], end = number[2];
  if (step == 0.0 && start != end) throw InputError(where, "the step is zero");
  const double steps = start == end ? 0.0 : (end - start) / step;
  if (steps < 0.0) throw InputError(where, "the step leads away from the end");
  if (steps >= static_cast<double>(kMaximumAxisValues))
    throw InputError(where, "more than " + std::to_string(kMaximumAxisValues) + " values");
  // A step that fits but for rounding (0.1 ten times) still reaches the end.
  const double whole = std::floor(steps + 1e-6);
  if (steps - whole > 1e-6) {
    const auto up_to = [&](double count) { return short_decimal(start + count * step); };
    throw InputError(where, "steps of " + parts[1] + " from " + parts[0] + " do not meet " + parts[2] +
                                "; end at " + up_to(whole) + " or " + up_to(whole + 1.0));
  }
  const auto count = static_cast<std::size_t>(whole) + 1;
  std::vector<std::string> values;
  for (std::size_t i = 0; i < count; ++i)
    values.push_back(short_decimal(start + static_cast<double>(i) * step));
  return values;
}

std::vector<std::string> known_keys(const std::string& text, const std::string& origin) {
  const std::vector<std::string> keys = parts_between(text, '+');
  for (const std::string& name : keys) {
    if (find_key(name) == nullptr) {
      const std::string near = nearest_key(name);
      throw InputError(as_given(origin, name),
                       "unknown key" + (near.empty() ? "" : "; did you mean " + near + "?"));
    }
    if (std::count(keys.begin(), keys.end(), name) > 1)
      throw InputError(as_given(origin, name), "varied twice");
  }
  return keys;
}

void check_values(const Axis& axis, const std::string& where) {
  const std::vector<std::string> keys = axis.keys();
  for (const auto& value : axis.values) {
    if (value.empty()) throw InputError(where, "a value is missing");
    const std::vector<std::string> parts = parts_of(axis, value);
    if (parts.size() != keys.size())
      throw InputError(where, "'" + value + "' is no value for each of the " + std::to_string(keys.size()) +
                                  " keys that move together; part them by colons: v:w|v:w");
    for (std::size_t i = 0; i < keys.size(); ++i)
      if (holds_number(keys[i]) && !parts[i].empty() && !parse_number(parts[i]))
        throw InputError(where, "'" + parts[i] + "' is not a number");
  }
  refuse_repeated(axis, where);
}

Axis parse_axis(const std::string& text, const std::string& origin) {
  const auto equals = text.find('=');
  if (equals == std::string::npos)
    throw InputError(as_given(origin, text),
                     "expected KEY=start:step:end or KEY=v1|v2, or of keys together KEY+KEY=v:w|v:w");
  Axis axis;
  axis.origin = origin;
  const std::vector<std::string> keys = known_keys(trim(text.substr(0, equals)), origin);
  axis.key = join(keys, "+");
  axis.numeric = keys.size() == 1 && holds_number(keys.front());
  const std::string value = trim(text.substr(equals + 1));
  const std::string where = as_given(origin, axis.key + "=" + value);
  axis.values = axis.numeric && value.find(':') != std::string::npos ? range_values(value, where)
                                                                     : parts_between(value, '|');
  check_values(axis, where);
  return axis;
}

}  // namespace

std::vector<std::string> split_assignments(const std::string& text) {
  static const std::regex next_key(
      R"(,(?=\s*[A-Za-z_]+(\.[A-Za-z0-9_]+)+\s*(\+\s*[A-Za-z_]+(\.[A-Za-z0-9_]+)+\s*)*=))");
  std::sregex_token_iterator begin(text.begin(), text.end(), next_key, -1), end;
  return {begin, end};
}

std::vector<std::string> Axis::keys() const { return parts_between(key, '+'); }

void Axis::set(Scenario& scenario, const std::string& value, const Origin& where) const {
  const std::vector<std::string> names = keys(), parts = parts_of(*this, value);
  for (std::size_t i = 0; i < names.size(); ++i) scenario.set(names[i], parts.at(i), where);
}

std::vector<double> Axis::numbers() const {
  std::vector<double> result;
  for (const auto& value : values)
    result.push_back(numeric ? parse_number(value).value_or(std::numeric_limits<double>::quiet_NaN())
                             : std::numeric_limits<double>::quiet_NaN());
  return result;
}

bool moves_together(const std::string& axis) { return axis.find('+') != std::string::npos; }

std::vector<std::string> varied_keys(const std::vector<Axis>& axes) {
  std::vector<std::string> all;
  for (const Axis& axis : axes)
    for (std::string& key : axis.keys()) all.push_back(std::move(key));
  return all;
}

std::vector<Axis> parse_vary(const std::vector<std::string>& arguments, const std::string& origin) {
  std::vector<Axis> axes;
  for (const auto& argument : arguments) {
    for (const auto& text : split_assignments(argument)) {
      Axis axis = parse_axis(text, origin);
      for (const std::string& key : axis.keys())
        for (const std::string& other : varied_keys(axes))
          if (other == key) throw InputError(as_given(origin, key), "varied twice");
      axes.push_back(std::move(axis));
    }
  }
  if (axes.empty()) throw InputError(origin, "nothing to vary; give KEY=start:step:end");
  if (axes.size() > kMaximumAxes)
    throw InputError(origin,
                     "a sweep has at most three dimensions, these are " + std::to_string(axes.size()));
  return axes;
}

}  // namespace cohlink
