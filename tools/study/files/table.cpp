#include "tools/study/files/table.h"

#include <algorithm>
#include <cmath>
#include <cstdio>

#include "sim/signal/scenario/printable.h"
#include "sim/signal/scenario/scenario.h"
#include "tools/study/plan/numbers.h"
#include "tools/study/plan/vary.h"

namespace cohlink {
namespace {

bool empty(const Cell& cell) {
  if (const auto* number = std::get_if<double>(&cell)) return std::isnan(*number);
  return std::holds_alternative<std::monostate>(cell);
}

/// All digits, for programs.
std::string exact(const Cell& cell) {
  if (empty(cell)) return "";
  if (const auto* number = std::get_if<double>(&cell)) return exact_decimal(*number);
  if (const auto* count = std::get_if<std::uint64_t>(&cell)) return std::to_string(*count);
  if (const auto* flag = std::get_if<bool>(&cell)) return *flag ? "true" : "false";
  return std::get<std::string>(cell);
}

std::string shown(const Cell& cell, Look look) {
  if (empty(cell)) return "-";
  if (const auto* number = std::get_if<double>(&cell)) {
    if (look == Look::kScientific) return scientific(*number);
    return look == Look::kHundredths ? fixed(*number, 2) : readable(*number, look == Look::kFigures ? 4 : 6);
  }
  const std::string text = printable(exact(cell));
  return text.empty() ? "-" : text;
}

std::string csv_field(const std::string& field) {
  const std::string text = printable(field);
  if (text.find_first_of(",\"") == std::string::npos) return text;
  std::string quoted = "\"";
  for (const char c : text) quoted += c == '"' ? "\"\"" : std::string(1, c);
  return quoted + "\"";
}

std::string json_string(const std::string& text) {
  std::string escaped;
  for (const char c : text) escaped += c == '"' || c == '\\' ? std::string{'\\', c} : std::string(1, c);
  return '"' +
         without_controls(escaped,
                          [](unsigned number) {
                            char code[8];
                            std::snprintf(code, sizeof code, "\\u%04x", number);
                            return std::string(code);
                          }) +
         '"';
}

/// JSON has no infinity: it becomes null, as NaN does.
std::string json_value(const Cell& cell) {
  if (empty(cell)) return "null";
  if (const auto* number = std::get_if<double>(&cell); number != nullptr && !std::isfinite(*number))
    return "null";
  return std::holds_alternative<std::string>(cell) ? json_string(std::get<std::string>(cell)) : exact(cell);
}

/// Width on screen of UTF-8 text: every byte but the continuation bytes.
std::size_t width(const std::string& text) {
  return static_cast<std::size_t>(std::count_if(
      text.begin(), text.end(), [](char c) { return (static_cast<unsigned char>(c) & 0xC0) != 0x80; }));
}

std::string padded(const std::string& text, std::size_t to, bool right) {
  const std::string space(to - std::min(to, width(text)), ' ');
  return right ? space + text : text + space;
}

bool wordy(const Column& column) {
  return std::any_of(column.cells.begin(), column.cells.end(),
                     [](const Cell& cell) { return std::holds_alternative<std::string>(cell); });
}

void print_text(std::ostream& out, const Table& table) {
  std::vector<std::vector<std::string>> columns;
  std::vector<std::size_t> widths;
  for (const auto& column : table.columns) {
    std::vector<std::string> lines = {printable(column.name)};
    for (const auto& cell : column.cells) lines.push_back(shown(cell, column.look));
    std::size_t widest = 0;
    for (const auto& line : lines) widest = std::max(widest, width(line));
    widths.push_back(widest);
    columns.push_back(std::move(lines));
  }
  for (std::size_t row = 0; row <= table.rows(); ++row) {
    std::string line;
    for (std::size_t c = 0; c < columns.size(); ++c)
      line += (c == 0 ? "" : "  ") + padded(columns[c][row], widths[c], !wordy(table.columns[c]));
    line.erase(line.find_last_not_of(' ') + 1);
    out << line << '\n';
  }
}

void print_csv(std::ostream& out, const Table& table) {
  for (std::size_t c = 0; c < table.columns.size(); ++c)
    out << (c == 0 ? "" : ",") << csv_field(table.columns[c].name);
  out << '\n';
  for (std::size_t row = 0; row < table.rows(); ++row) {
    for (std::size_t c = 0; c < table.columns.size(); ++c)
      out << (c == 0 ? "" : ",") << csv_field(exact(table.columns[c].cells[row]));
    out << '\n';
  }
}

void print_json(std::ostream& out, const Table& table, const std::string& indent = "") {
  out << "[";
  for (std::size_t row = 0; row < table.rows(); ++row) {
    out << (row == 0 ? "\n" : ",\n") << indent << "  {";
    for (std::size_t c = 0; c < table.columns.size(); ++c)
      out << (c == 0 ? "" : ", ") << json_string(table.columns[c].name) << ": "
          << json_value(table.columns[c].cells[row]);
    out << "}";
  }
  out << "\n" << indent << "]";
}

/// The members of an object: facts, then tables.
void print_json(std::ostream& out, const std::vector<NamedTable>& tables, const std::vector<Fact>& facts) {
  out << "{";
  const char* separator = "\n  ";
  for (const auto& fact : facts) {
    if (fact.name.empty()) continue;
    out << separator << json_string(fact.name) << ": " << json_value(fact.value);
    separator = ",\n  ";
  }
  for (const auto& [name, table] : tables) {
    out << separator << json_string(name) << ": ";
    print_json(out, table, "  ");
    separator = ",\n  ";
  }
  out << "\n}\n";
}

std::string markdown_cell(const std::string& text) {
  std::string escaped;
  for (const char c : printable(text)) escaped += c == '|' ? "\\|" : std::string(1, c);
  return escaped;
}

void print_markdown(std::ostream& out, const Table& table) {
  out << "|";
  for (const auto& column : table.columns) out << ' ' << markdown_cell(column.name) << " |";
  out << "\n|";
  for (std::size_t c = 0; c < table.columns.size(); ++c) out << " --- |";
  out << '\n';
  for (std::size_t row = 0; row < table.rows(); ++row) {
    out << "|";
    for (const auto& column : table.columns) out << ' ' << markdown_cell(exact(column.cells[row])) << " |";
    out << '\n';
  }
}

}  // namespace

Column& Table::add(std::string name, Look look) {
  columns.push_back({std::move(name), look});
  return columns.back();
}

const Column* Table::find(std::string_view name) const {
  for (const auto& column : columns)
    if (column.name == name) return &column;
  return nullptr;
}

std::string unit_of_column(const std::string& column) {
  if (const ScenarioKey* key = find_key(column)) return std::string(key->unit);
  if (moves_together(column)) return "";
  constexpr std::pair<std::string_view, const char*> kEndings[] = {
      {"_db", "dB"},           {"_dbm", "dBm"},  {"_percent", "%"}, {"_hz", "Hz"},    {"_ps", "ps"},
      {"_ps_per_nm", "ps/nm"}, {"_bits", "bit"}, {"_ppm", "ppm"},   {"_gbps", "Gb/s"}};
  for (const auto& [ending, unit] : kEndings)
    if (column.ends_with(ending)) return unit;
  for (const char* quantity : {"required_osnr_", "penalty_"})  // ..._low, _high, _theory
    if (column.starts_with(quantity)) return "dB";
  return "";
}

void print(std::ostream& out, const Table& table, Format format) {
  switch (format) {
    case Format::kText:
      return print_text(out, table);
    case Format::kCsv:
      return print_csv(out, table);
    case Format::kJson:
      print_json(out, table);
      out << '\n';
      return;
    case Format::kMarkdown:
      return print_markdown(out, table);
  }
}

void print(std::ostream& out, const std::vector<Fact>& facts, Format format) {
  if (format == Format::kCsv) {
    out << "quantity,value\n";
    for (const auto& fact : facts)
      if (!fact.name.empty()) out << csv_field(fact.name) << ',' << csv_field(exact(fact.value)) << '\n';
    return;
  }
  if (format == Format::kJson) return print_json(out, {}, facts);
  std::size_t widest = 0;
  for (const auto& fact : facts) widest = std::max(widest, width(printable(fact.label)));
  for (const auto& fact : facts) {
    const std::string label = printable(fact.label), text = printable(fact.text);
    if (label.empty()) continue;
    const bool heading = fact.name.empty() && text.empty();
    out << (heading ? "\n" + label
                    : "  " + padded(label, widest, false) + "  " +
                          (text.empty() ? shown(fact.value, Look::kShort) : text))
        << '\n';
  }
}

void print(std::ostream& out, const std::vector<NamedTable>& tables, const std::vector<Fact>& facts,
           Format format) {
  if (format == Format::kJson) return print_json(out, tables, facts);
  if (format == Format::kText)
    for (const auto& [name, table] : tables) {
      print(out, table, format);
      out << '\n';
    }
  print(out, facts, format);
}

}  // namespace cohlink
