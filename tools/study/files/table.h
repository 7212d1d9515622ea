// Tables of results, and how they print: text for people, CSV and JSON for programs, Markdown for docs.
#pragma once

#include <cstdint>
#include <ostream>
#include <string>
#include <string_view>
#include <utility>
#include <variant>
#include <vector>

namespace cohlink {

/// Nothing (no value exists), a number, a count, a yes or no, or words.
using Cell = std::variant<std::monostate, double, std::uint64_t, bool, std::string>;

enum class Format { kText, kCsv, kJson, kMarkdown };

/// How a column's numbers look in text output; CSV and JSON always carry all digits.
enum class Look {
  kShort,       // as short as six significant digits allow: a varied key
  kHundredths,  // 12.34: decibels, percent
  kScientific,  // 1.23e-04: error ratios
  kFigures,     // 13.77, 0.01234: four significant digits, of whatever a row measures
};

struct Column {
  std::string name;  // fixed: programs read it
  Look look = Look::kShort;
  std::vector<Cell> cells = {};
};

struct Table {
  std::vector<Column> columns;

  std::size_t rows() const { return columns.empty() ? 0 : columns.front().cells.size(); }
  Column& add(std::string name, Look look = Look::kShort);
  const Column* find(std::string_view name) const;
};

/// Unit of a column, from the scenario key it is or the end of its name ("snr_db"); "" without one.
std::string unit_of_column(const std::string& column);

/// NaN and nothing print as "-" (text), an empty field (CSV) or null (JSON). JSON is an array of objects.
void print(std::ostream& out, const Table& table, Format format);

/// One line of a report about one thing.
struct Fact {
  std::string name;   // for programs: "frequency_offset_hz"
  std::string label;  // for people: "frequency offset"
  Cell value;         // SI or as the name says
  std::string text;   // for people, with trade units; "" = the value itself
};

/// Text: label and text, aligned. CSV: "quantity,value". JSON: one object. A fact with an empty label is
/// for programs only; one with an empty name for people only (a heading where it has no text).
void print(std::ostream& out, const std::vector<Fact>& facts, Format format);

/// A table with its name.
using NamedTable = std::pair<std::string, Table>;

/// What a study found. Text: the tables, then the facts. JSON: one object of the facts and of each table, an
/// array under its name. CSV holds one table: the facts.
void print(std::ostream& out, const std::vector<NamedTable>& tables, const std::vector<Fact>& facts,
           Format format);

}  // namespace cohlink
