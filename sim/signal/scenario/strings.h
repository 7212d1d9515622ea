// The few string helpers that reading and reporting need.
#pragma once

#include <string>
#include <string_view>
#include <vector>

namespace cohlink {

/// Without blanks (space, tab, carriage return) at either end.
std::string trim(std::string_view text);

/// Trimmed parts between separators; empty text gives no parts.
std::vector<std::string> split(std::string_view text, char separator);

std::string join(const std::vector<std::string>& parts, std::string_view separator);

/// "--vary a.b=1", as an option was given; the text alone where no option is.
std::string as_given(const std::string& option, const std::string& text);

/// Levenshtein distance: insertions, deletions and substitutions.
std::size_t edit_distance(std::string_view a, std::string_view b);

/// The candidate nearest to `word`, or "" when none is within a third of its length (at least 2 edits).
std::string nearest_word(std::string_view word, const std::vector<std::string>& candidates);

}  // namespace cohlink
