#include "tools/study/files/report_html.h"

#include <algorithm>
#include <cmath>
#include <map>

#include "sim/signal/scenario/scenario.h"
#include "tools/study/files/svg.h"
#include "tools/study/plan/numbers.h"

namespace cohlink::report {
std::string tag(const std::string& name, const std::string& content) {
  return "<" + name + ">" + html_text(content) + "</" + name + ">\n";
}

std::string cell_text(const Cell& cell, Look look) {
  if (const auto* number = std::get_if<double>(&cell)) {
    if (std::isnan(*number)) return "–";
    if (look == Look::kScientific) return scientific(*number);
    return look == Look::kHundredths ? fixed(*number, 2) : readable(*number, look == Look::kFigures ? 4 : 6);
  }
  if (const auto* count = std::get_if<std::uint64_t>(&cell)) return grouped(*count);
  if (const auto* flag = std::get_if<bool>(&cell)) return *flag ? "yes" : "no";
  if (const auto* text = std::get_if<std::string>(&cell)) return *text;
  return "–";
}

std::string html_table(const Table& table) {
  std::string out = "<div class=\"scroll\"><table>\n<thead><tr>";
  std::vector<bool> wordy;
  for (const Column& column : table.columns) {
    wordy.push_back(std::any_of(column.cells.begin(), column.cells.end(),
                                [](const Cell& cell) { return std::holds_alternative<std::string>(cell); }));
    out += std::string("<th") + (wordy.back() ? " class=\"w\"" : "") + ">" + html_text(column.name) + "</th>";
  }
  out += "</tr></thead>\n<tbody>\n";
  for (std::size_t row = 0; row < table.rows(); ++row) {
    out += "<tr>";
    for (std::size_t c = 0; c < table.columns.size(); ++c) {
      const std::string text = cell_text(table.columns[c].cells[row], table.columns[c].look);
      const bool verdict = text == "pass" || text == "fail" || text == "undecided";
      out += std::string("<td") + (wordy[c] ? " class=\"w\"" : "") + ">" +
             (verdict ? "<span class=\"" + text + "\">" + text + "</span>" : html_text(text)) + "</td>";
    }
    out += "</tr>\n";
  }
  return out + "</tbody></table></div>\n";
}

std::string html_facts(const std::vector<Fact>& facts) {
  std::string out;
  for (const Fact& fact : facts)
    if (!fact.label.empty() && !fact.text.empty())
      out += "<dt>" + html_text(fact.label) + "</dt><dd>" + html_text(fact.text) + "</dd>\n";
  return out.empty() ? "" : "<dl>\n" + out + "</dl>\n";
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

std::string with_unit(const std::string& key) {
  const ScenarioKey* found = find_key(key);
  return key + (found != nullptr && !found->unit.empty() ? " [" + std::string(found->unit) + "]" : "");
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
  return out.empty() ? "" : "<p>" + out + "of " + std::to_string(column->cells.size()) + "</p>\n";
}

}  // namespace cohlink::report
