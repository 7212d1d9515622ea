// A text told from any other by 128 bits: identity of a stage's inputs, of a plan.
#pragma once

#include <compare>
#include <cstdint>
#include <string>
#include <string_view>

namespace cohlink {

struct Fingerprint {
  std::uint64_t a = 0, b = 0;
  auto operator<=>(const Fingerprint&) const = default;
  std::string text() const;  // 32 hexadecimal digits
};

/// Not against forgery: against mistakes.
Fingerprint fingerprint(std::string_view text);

}  // namespace cohlink
