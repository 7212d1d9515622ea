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

/// As people read it; a dash for nothing.
std::string cell_text(const Cell& cell, Look look);

std::string html_table(const Table& table);
std::string html_facts(const std::vector<Fact>& facts);

/// "3 pass, 1 fail of 4" of a table with verdicts; "" of others.
std::string count_verdicts(const Table& table);

/// kNone for a cell that holds no number.
double number_of(const Cell& cell);
/// kNone, too, where there is no such column.
double at(const Table& table, const std::string& column, std::size_t row);

/// "channel.osnr_db [dB]".
std::string with_unit(const std::string& key);

}  // namespace cohlink::report
