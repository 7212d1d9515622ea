// Numbers to text and back, the same on every machine and locale.
#pragma once

#include <optional>
#include <string>
#include <string_view>

namespace cohlink {

/// The whole text as a finite number, or nothing.
std::optional<double> parse_number(std::string_view text);

/// Shortest text that reads back as exactly `value`; "" for NaN, "inf" and "-inf".
std::string exact_decimal(double value);

/// The value to 12 significant digits, trailing zeros gone: 9.300000000000001 -> "9.3".
std::string short_decimal(double value);

/// The value to 12 significant digits: a number written in the trade's units without the last digits that the
/// way through SI and back leaves, -3 and not -3.0000000000000004.
double as_written(double value);

/// `digits` significant digits for people to read: 0.0123, 1.23e-05, 128000000000 -> 1.28e+11.
std::string readable(double value, int digits = 4);

/// An error ratio for people to read: "1.23e-04"; "0" for none.
std::string scientific(double value);

/// With `places` decimals: "12.30".
std::string fixed(double value, int places);

/// 16384 -> "16,384".
std::string grouped(unsigned long long value);

/// "3 s", "4 min 10 s", "2 h 5 min".
std::string duration_text(double seconds);

}  // namespace cohlink
