// Texts from outside, made fit for a terminal or a page.
#pragma once

#include <functional>
#include <string>
#include <string_view>

namespace cohlink {

/// `text` with every control character (C0, delete, C1) and every byte that is no UTF-8 replaced by what
/// `replacement` makes of its number.
std::string without_controls(std::string_view text, const std::function<std::string(unsigned)>& replacement);

/// The same as "\\x1b": names and texts out of files must not steer a terminal.
std::string printable(std::string_view text);

}  // namespace cohlink
