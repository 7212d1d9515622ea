#include "sim/signal/scenario/scenario_values.h"

#include <algorithm>
#include <array>
#include <charconv>
#include <cmath>

#include "sim/signal/line/fibre_types.h"
#include "sim/signal/scenario/strings.h"

namespace cohlink {
namespace {

// 100000 and 0.0001 as people write them; only beyond that 1e12, 1e-7.
std::string short_number(double value) {
  std::array<char, 32> buffer;
  char* const last = buffer.data() + buffer.size();
  const double size = std::abs(value);
  if (size == 0.0 || (size >= 1e-4 && size < 1e8))
    return {buffer.data(), std::to_chars(buffer.data(), last, value, std::chars_format::fixed).ptr};
  std::string text(buffer.data(), std::to_chars(buffer.data(), last, value).ptr);
  if (const auto e = text.find('e'); e != std::string::npos) {
    const bool negative = text[e + 1] == '-';
    const auto digits = text.find_first_not_of("+-0", e + 1);
    text = text.substr(0, e + 1) + (negative ? "-" : "") + text.substr(digits);
  }
  return text;
}

[[noreturn]] void fail(const Origin& origin, const std::string& key, const std::string& why) {
  throw InputError(origin, key, why);
}

}  // namespace

double number_of(const std::string& text, const Origin& origin, const ScenarioKey& key) {
  double value = 0.0;
  const char* end = text.data() + text.size();
  const auto [stop, error] = std::from_chars(text.data(), end, value);
  if (error != std::errc() || stop != end || !std::isfinite(value)) {
    fail(origin, key.full_name(), "'" + text + "' is not a number; legal: " + legal_values(key));
  }
  return value;
}

void check_value(const std::string& text, const Origin& origin, const ScenarioKey& key) {
  const auto refuse = [&](const std::string& what) {
    fail(origin, key.full_name(), "'" + text + "' " + what + "; legal: " + legal_values(key));
  };
  const auto one_of = [&](const std::string& item) {
    const auto choices = split(key.choices, '|');
    return choices.empty() || std::find(choices.begin(), choices.end(), item) != choices.end();
  };
  switch (key.type) {
    case KeyType::kNumber:
    case KeyType::kInteger: {
      const double value = number_of(text, origin, key);
      if (key.type == KeyType::kInteger && value != std::floor(value)) refuse("is not a whole number");
      if (value < key.low || value > key.high) refuse("is out of range");
      break;
    }
    case KeyType::kBoolean:
      if (text != "true" && text != "false") refuse("is neither true nor false");
      break;
    case KeyType::kChoice:
      if (!one_of(text)) refuse("is not a choice");
      break;
    case KeyType::kList:
      for (const auto& item : split(text, ',')) {
        if (!one_of(item))
          fail(origin, key.full_name(), "'" + item + "' is not a known item; legal: " + legal_values(key));
      }
      break;
    case KeyType::kNumbers:
      for (const auto& item : split(text, ',')) {
        const double value = number_of(item, origin, key);
        if (value < key.low || value > key.high) refuse("is out of range");
      }
      break;
    case KeyType::kText:
      break;
  }
}

// Keys that fibre.type fills where they are not given.
std::optional<double> preset_number(std::string_view name, const std::string& fibre_type) {
  const auto type = find_fibre_type(fibre_type);
  if (!type) return std::nullopt;
  if (name == "fibre.attenuation_db_per_km") return type->attenuation_db_per_km;
  if (name == "fibre.dispersion_ps_per_nm_km") return type->dispersion_ps_per_nm_km;
  if (name == "fibre.dispersion_slope_ps_per_nm2_km") return type->slope_ps_per_nm2_km;
  if (name == "fibre.nonlinear_coefficient_per_w_km") return type->nonlinear_coefficient_per_w_km;
  return std::nullopt;
}

std::string legal_values(const ScenarioKey& key) {
  const std::string unit = key.unit.empty() ? "" : " " + std::string(key.unit);
  switch (key.type) {
    case KeyType::kNumber:
      return "between " + short_number(key.low) + " and " + short_number(key.high) + unit;
    case KeyType::kInteger:
      return "a whole number between " + short_number(key.low) + " and " + short_number(key.high);
    case KeyType::kBoolean:
      return "true, false";
    case KeyType::kChoice:
      return "one of " + join(split(key.choices, '|'), ", ");
    case KeyType::kList:
      return key.choices.empty() ? "a comma-separated list"
                                 : "a comma-separated list of " + join(split(key.choices, '|'), ", ");
    case KeyType::kNumbers:
      return "a comma-separated list of numbers, each between " + short_number(key.low) + " and " +
             short_number(key.high) + unit;
    case KeyType::kText:
      return "text";
  }
  return "";
}

}  // namespace cohlink
