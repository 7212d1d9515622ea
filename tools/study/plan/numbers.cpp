#include "tools/study/plan/numbers.h"

#include <charconv>
#include <cmath>
#include <cstdio>

namespace cohlink {

std::optional<double> parse_number(std::string_view text) {
  if (!text.empty() && text.front() == '+') text.remove_prefix(1);
  double value = 0.0;
  const auto [end, error] = std::from_chars(text.data(), text.data() + text.size(), value);
  if (error != std::errc{} || end != text.data() + text.size() || !std::isfinite(value)) return std::nullopt;
  return value;
}

std::string exact_decimal(double value) {
  if (std::isnan(value)) return "";
  char buffer[40];
  const auto [end, error] = std::to_chars(buffer, buffer + sizeof buffer, value);
  return error == std::errc{} ? std::string(buffer, end) : "";
}

std::string short_decimal(double value) {
  char buffer[40];
  const auto [end, error] =
      std::to_chars(buffer, buffer + sizeof buffer, value, std::chars_format::general, 12);
  if (error != std::errc{}) return exact_decimal(value);
  // 1e-17 left over from 0.3 - 3 x 0.1 stays what it is; only the sign of zero goes.
  const std::string text(buffer, end);
  return text == "-0" ? "0" : text;
}

double as_written(double value) { return parse_number(short_decimal(value)).value_or(value); }

std::string readable(double value, int digits) {
  if (std::isnan(value)) return "-";
  char buffer[40];
  std::snprintf(buffer, sizeof buffer, "%.*g", digits, value);
  return buffer;
}

std::string scientific(double value) {
  if (std::isnan(value)) return "-";
  if (value == 0.0) return "0";
  char buffer[40];
  std::snprintf(buffer, sizeof buffer, "%.2e", value);
  return buffer;
}

std::string fixed(double value, int places) {
  if (std::isnan(value)) return "-";
  char buffer[64];
  std::snprintf(buffer, sizeof buffer, "%.*f", places, value);
  // Rounded to zero from below: without its sign.
  const std::string text = buffer;
  return text.find_first_not_of("-0.") == std::string::npos && text[0] == '-' ? text.substr(1) : text;
}

std::string grouped(unsigned long long value) {
  std::string text = std::to_string(value);
  for (auto place = static_cast<long>(text.size()) - 3; place > 0; place -= 3)
    text.insert(static_cast<std::size_t>(place), 1, ',');
  return text;
}

std::string duration_text(double seconds) {
  char buffer[40];
  const auto whole = std::llround(seconds);
  if (whole < 60)
    std::snprintf(buffer, sizeof buffer, "%lld s", whole);
  else if (whole < 3600)
    std::snprintf(buffer, sizeof buffer, "%lld min %lld s", whole / 60, whole % 60);
  else
    std::snprintf(buffer, sizeof buffer, "%lld h %lld min", whole / 3600, whole % 3600 / 60);
  return buffer;
}

}  // namespace cohlink
