// Tables, facts and numbers of a report page as HTML.
#pragma once

#include <limits>
#include <string>
#include <vector>

#include "tools/study/files/table.h"

namespace cohlink::report {

/// No number.
inline constexpr double kNone = std::numeric_limits<double>::quiet_NaN();

/// <name>content</name>, the content escaped.
std::string tag(const std::string& name, const std::string& content);

/// What stands for no value.
inline constexpr const char* kNothing = "–";

/// As people read it; kNothing for nothing.
std::string cell_text(const Cell& cell, Look look);

/// A table that carries all its digits as CSV. One too wide for a page or a screen becomes several, one below
/// the other, each beginning with the first `keys` columns.
std::string html_table(const Table& table, const std::string& name, std::size_t keys = 1);
std::string html_facts(const std::vector<Fact>& facts);

/// "3 pass, 1 fail of 4" of a table with verdicts; "" of others.
std::string count_verdicts(const Table& table);

/// kNone for a cell that holds no number.
double number_of(const Cell& cell);
/// kNone, too, where there is no such column.
double at(const Table& table, const std::string& column, std::size_t row);

}  // namespace cohlink::report
