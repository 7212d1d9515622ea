#include "tools/study/files/report_html.h"

#include <algorithm>
#include <cmath>
#include <map>

#include "tools/study/files/svg.h"
#include "tools/study/files/svg_parts.h"
#include "tools/study/plan/numbers.h"

namespace cohlink::report {
std::string tag(const std::string& name, const std::string& content) {
  return "<" + name + ">" + html_text(content) + "</" + name + ">\n";
}

std::string cell_text(const Cell& cell, Look look) {
  if (const auto* number = std::get_if<double>(&cell)) {
    if (std::isnan(*number)) return kNothing;
    if (look == Look::kScientific) return scientific(*number);
    return look == Look::kHundredths ? fixed(*number, 2) : readable(*number, look == Look::kFigures ? 4 : 6);
  }
  if (const auto* count = std::get_if<std::uint64_t>(&cell)) return grouped(*count);
  if (const auto* flag = std::get_if<bool>(&cell)) return *flag ? "yes" : "no";
  if (const auto* text = std::get_if<std::string>(&cell)) return *text;
  return kNothing;
}

namespace {

/// Characters of a page's width, as it prints: what goes on A4 at 7 points and into a window of 800 pixels.
constexpr std::size_t kMostCharacters = 118;
constexpr std::size_t kWidestWords = 40;  // longer texts wrap

bool wordy(const Column& column) {
  return std::any_of(column.cells.begin(), column.cells.end(),
                     [](const Cell& cell) { return std::holds_alternative<std::string>(cell); });
}

/// The longest part of a column's name: it breaks behind "." and "_".
std::size_t longest_part(const std::string& name) {
  std::size_t longest = 0, length = 0;
  for (const char c : name) {
    longest = std::max(longest, ++length);
    if (c == '.' || c == '_') length = 0;
  }
  return longest;
}

/// Characters a column takes, with the room beside it.
std::size_t width_of(const Column& column) {
  std::size_t widest = 0;
  for (const Cell& cell : column.cells) widest = std::max(widest, cell_text(cell, column.look).size());
  if (wordy(column)) widest = std::min(widest, kWidestWords);
  return std::max(widest, longest_part(column.name)) + 2;
}

/// Columns of each of the tables that one becomes.
std::vector<std::vector<std::size_t>> parts_of(const Table& table, std::size_t keys) {
  std::vector<std::size_t> key_columns;
  std::size_t key_width = 0;
  for (std::size_t c = 0; c < std::min(keys, table.columns.size()); ++c) {
    key_columns.push_back(c);
    key_width += width_of(table.columns[c]);
  }
  std::vector<std::vector<std::size_t>> parts = {key_columns};
  std::size_t width = key_width;
  for (std::size_t c = key_columns.size(); c < table.columns.size(); ++c) {
    const std::size_t own = width_of(table.columns[c]);
    if (width + own > kMostCharacters && parts.back().size() > key_columns.size()) {
      parts.push_back(key_columns);
      width = key_width;
    }
    parts.back().push_back(c);
    width += own;
  }
  return parts;
}

std::string heading(const Column& column) {
  std::string name;
  for (const char c : column.name)
    name += html_text(std::string(1, c)) + (c == '.' || c == '_' ? "<wbr>" : "");
  const Quantity quantity = quantity_of(column.name);
  return std::string("<th scope=\"col\"") + (wordy(column) ? " class=\"w\"" : "") + " title=\"" +
         html_text(quantity.words) + "\">" + name +
         (quantity.unit.empty() ? "" : " <span class=\"unit\">[" + html_text(quantity.unit) + "]</span>") +
         "</th>";
}

std::string cell(const Column& column, std::size_t row) {
  const std::string text = cell_text(column.cells[row], column.look);
  const bool verdict = text == "pass" || text == "fail" || text == "undecided";
  return std::string("<td") + (wordy(column) ? " class=\"w\"" : "") + ">" +
         (verdict ? "<span class=\"" + text + "\">" + text + "</span>" : html_text(text)) + "</td>";
}

std::string part(const Table& table, const std::vector<std::size_t>& columns, const std::string& name) {
  std::string out = "<div class=\"scroll\" tabindex=\"0\" role=\"region\" aria-label=\"" + html_text(name) +
                    "\"><table>\n<thead><tr>";
  for (const std::size_t c : columns) out += heading(table.columns[c]);
  out += "</tr></thead>\n<tbody>\n";
  for (std::size_t row = 0; row < table.rows(); ++row) {
    out += "<tr>";
    for (const std::size_t c : columns) out += cell(table.columns[c], row);
    out += "</tr>\n";
  }
  return out + "</tbody></table></div>\n";
}

}  // namespace

std::string html_table(const Table& table, const std::string& name, std::size_t keys) {
  std::string out = "<div class=\"numbers\" data-csv=\"" + svg::csv_attribute(table) + "\">\n";
  const auto parts = parts_of(table, keys);
  for (std::size_t i = 0; i < parts.size(); ++i)
    out += part(
        table, parts[i],
        name + (parts.size() > 1 ? ", part " + std::to_string(i + 1) + " of " + std::to_string(parts.size())
                                 : ""));
  return out + "</div>\n";
}

std::string html_facts(const std::vector<Fact>& facts) {
  std::string out;
  Table table{{{"quantity"}, {"value"}}};
  for (const Fact& fact : facts) {
    const bool verdict = fact.text == "pass" || fact.text == "fail" || fact.text == "undecided";
    if (!fact.label.empty() && !fact.text.empty())
      out += "<dt>" + html_text(fact.label) + "</dt><dd>" +
             (verdict ? "<span class=\"" + fact.text + "\">" + fact.text + "</span>" : html_text(fact.text)) +
             "</dd>\n";
    if (fact.name.empty()) continue;
    table.columns[0].cells.emplace_back(fact.name);
    table.columns[1].cells.push_back(fact.value);
  }
  return out.empty() ? ""
                     : "<div class=\"numbers\" data-csv=\"" + svg::csv_attribute(table) + "\"><dl>\n" + out +
                           "</dl></div>\n";
}

double number_of(const Cell& cell) {
  if (const auto* value = std::get_if<double>(&cell)) return *value;
  if (const auto* value = std::get_if<std::uint64_t>(&cell)) return static_cast<double>(*value);
  return kNone;
}

double at(const Table& table, const std::string& column, std::size_t row) {
  const Column* found = table.find(column);
  return found == nullptr ? kNone : number_of(found->cells[row]);
}

std::string count_verdicts(const Table& table) {
  const Column* column = table.find("verdict");
  if (column == nullptr) return "";
  std::map<std::string, int> counts;
  for (const Cell& cell : column->cells)
    if (const auto* text = std::get_if<std::string>(&cell)) ++counts[*text];
  std::string out;
  for (const char* word : {"pass", "undecided", "fail"})
    if (counts[word] > 0)
      out += std::string("<span class=\"") + word + "\">" + std::to_string(counts[word]) + " " + word +
             "</span> ";
  return out.empty()
             ? ""
             : "<p class=\"verdicts\">" + out + "of " + std::to_string(column->cells.size()) + "</p>\n";
}

}  // namespace cohlink::report
