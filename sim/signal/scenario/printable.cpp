#include "sim/signal/scenario/printable.h"

#include <algorithm>
#include <cstdio>

namespace cohlink {
namespace {

/// Bytes of the UTF-8 character at the head of `text`; 0 where there is none (RFC 3629, overlong forms and
/// surrogates left to whoever draws them).
std::size_t character_length(std::string_view text) {
  const auto byte = [&](std::size_t i) { return static_cast<unsigned char>(text[i]); };
  const unsigned lead = byte(0);
  const std::size_t length = lead < 0x80   ? 1
                             : lead < 0xC2 ? 0
                             : lead < 0xE0 ? 2
                             : lead < 0xF0 ? 3
                             : lead < 0xF5 ? 4
                                           : 0;
  if (length > text.size()) return 0;
  for (std::size_t i = 1; i < length; ++i)
    if ((byte(i) & 0xC0) != 0x80) return 0;
  return length;
}

}  // namespace

std::string without_controls(std::string_view text, const std::function<std::string(unsigned)>& replacement) {
  std::string out;
  while (!text.empty()) {
    const std::size_t length = character_length(text);
    const auto first = static_cast<unsigned char>(text[0]);
    const auto second = static_cast<unsigned char>(length == 2 ? text[1] : '\0');
    if (length == 0 || first < 0x20 || first == 0x7F)
      out += replacement(first);
    else if (first == 0xC2 && second < 0xA0)  // U+0080 to U+009F
      out += replacement(second);
    else
      out += text.substr(0, length);
    text.remove_prefix(std::max<std::size_t>(1, length));
  }
  return out;
}

std::string printable(std::string_view text) {
  return without_controls(text, [](unsigned number) {
    char code[8];
    std::snprintf(code, sizeof code, "\\x%02x", number);
    return std::string(code);
  });
}

}  // namespace cohlink
