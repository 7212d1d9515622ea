#include "tools/study/files/study_file.h"

#include <algorithm>
#include <limits>

#include "sim/signal/record/dimension_scales.h"
#include "sim/signal/record/hdf5_write.h"
#include "sim/signal/scenario/strings.h"
#include "sim/signal/version.h"
#include "tools/study/plan/numbers.h"

namespace cohlink {
namespace {

template <class T>
bool all_are(const Column& column) {
  return std::all_of(column.cells.begin(), column.cells.end(),
                     [](const Cell& cell) { return std::holds_alternative<T>(cell); });
}

bool holds_text(const Column& column) {
  return std::any_of(column.cells.begin(), column.cells.end(),
                     [](const Cell& cell) { return std::holds_alternative<std::string>(cell); });
}

double number_of(const Cell& cell) {
  if (const auto* value = std::get_if<double>(&cell)) return *value;
  if (const auto* value = std::get_if<std::uint64_t>(&cell)) return static_cast<double>(*value);
  if (const auto* value = std::get_if<bool>(&cell)) return *value ? 1.0 : 0.0;
  return std::numeric_limits<double>::quiet_NaN();
}

std::string text_of(const Cell& cell) {
  if (const auto* value = std::get_if<std::string>(&cell)) return *value;
  if (const auto* value = std::get_if<std::uint64_t>(&cell)) return std::to_string(*value);
  if (const auto* value = std::get_if<bool>(&cell)) return *value ? "true" : "false";
  return exact_decimal(number_of(cell));
}

constexpr std::string_view kLooks[] = {"short", "hundredths", "scientific", "figures"};

void write_column(h5::NewFile& file, const std::string& group, const Column& column) {
  const std::string name = group + "/" + column.name;
  if (holds_text(column)) {
    std::vector<std::string> texts;
    for (const Cell& cell : column.cells) texts.push_back(text_of(cell));
    file.write_texts(name, texts);
  } else if (all_are<std::uint64_t>(column) && !column.cells.empty()) {
    std::vector<std::uint64_t> counts;
    for (const Cell& cell : column.cells) counts.push_back(std::get<std::uint64_t>(cell));
    file.write<std::uint64_t>(name, counts, {counts.size()});
  } else {
    std::vector<double> numbers;
    for (const Cell& cell : column.cells) numbers.push_back(number_of(cell));
    file.write<double>(name, numbers, {numbers.size()});
  }
  write_unit(file, name, unit_of_column(column.name));
  file.attribute(name, "look", std::string(kLooks[static_cast<std::size_t>(column.look)]));
  file.attribute(name, "type",
                 std::string(holds_text(column)      ? "text"
                             : all_are<bool>(column) ? "boolean"
                                                     : "number"));
}

Column read_column(const h5::File& file, const std::string& group, const std::string& name) {
  const std::string path = group + "/" + name;
  Column column{name};
  const std::string look = file.attribute_text(path, "look"), type = file.attribute_text(path, "type");
  for (std::size_t i = 0; i < std::size(kLooks); ++i)
    if (look == kLooks[i]) column.look = static_cast<Look>(i);
  if (type == "text") {
    for (auto& text : file.read_texts(path)) column.cells.emplace_back(std::move(text));
    return column;
  }
  for (const double value : file.read<double>(path)) {
    if (type == "boolean")
      column.cells.emplace_back(value != 0.0);
    else
      column.cells.emplace_back(value);
  }
  return column;
}

std::vector<Fact> read_facts(const h5::File& file) {
  if (!file.has("/facts/name")) return {};
  const auto names = file.read_texts("/facts/name"), labels = file.read_texts("/facts/label"),
             texts = file.read_texts("/facts/text");
  if (labels.size() != names.size() || texts.size() != names.size())
    throw InputError(file.path(), "the data sets of /facts differ in length");
  std::vector<Fact> facts;
  for (std::size_t i = 0; i < names.size(); ++i)
    facts.push_back({names[i], labels[i], Cell(texts[i]), texts[i]});
  return facts;
}

}  // namespace

void write_provenance(h5::NewFile& file, const std::string& kind, const Scenario& scenario) {
  file.attribute("/", "kind", kind);
  file.attribute("/", "format", 1.0);
  file.attribute("/", "version", std::string(version().number));
  file.attribute("/", "git_hash", std::string(version().git_hash));
  file.attribute("/", "seed", static_cast<std::uint64_t>(scenario.integer("run.seed")));
  file.write_text("/scenario", scenario.resolved());
}

void write_table(h5::NewFile& file, const std::string& group, const Table& table) {
  std::vector<std::string> columns;
  for (const Column& column : table.columns) {
    write_column(file, group, column);
    columns.push_back(column.name);
  }
  file.attribute(group, "columns", join(columns, ","));
}

void write_study(const StudyFile& study, const Scenario& scenario, const std::string& path) {
  h5::create(path, [&](h5::NewFile& file) {
    write_provenance(file, "cohlink " + study.kind, scenario);
    std::vector<std::string> names;
    for (const auto& [name, table] : study.tables) {
      write_table(file, "/" + name, table);
      names.push_back(name);
    }
    file.attribute("/", "tables", join(names, ","));
    std::vector<std::string> fact_names, labels, texts;
    for (const Fact& fact : study.facts) {
      fact_names.push_back(fact.name);
      labels.push_back(fact.label);
      texts.push_back(fact.text.empty() ? text_of(fact.value) : fact.text);
    }
    if (fact_names.empty()) return;
    file.write_texts("/facts/name", fact_names);
    file.write_texts("/facts/label", labels);
    file.write_texts("/facts/text", texts);
    for (const Fact& fact : study.facts)
      if (std::holds_alternative<double>(fact.value) || std::holds_alternative<std::uint64_t>(fact.value))
        file.attribute("/facts", fact.name, number_of(fact.value));
  });
}

Table read_table(const h5::File& file, const std::string& group) {
  Table table;
  for (const auto& name : split(file.attribute_text(group, "columns"), ',')) {
    table.columns.push_back(read_column(file, group, name));
    if (const std::size_t rows = table.columns.back().cells.size(); rows != table.rows())
      throw InputError(file.path(), "data set " + group + "/" + name + " has " + std::to_string(rows) +
                                        " rows, " + group + "/" + table.columns.front().name + " " +
                                        std::to_string(table.rows()));
  }
  return table;
}

StudyFile read_study(const h5::File& file) {
  StudyFile study;
  constexpr std::string_view kOurs = "cohlink ";
  study.kind = file.attribute_text("/", "kind");
  if (!study.kind.starts_with(kOurs)) throw InputError(file.path(), "is not a study of cohlink");
  study.kind.erase(0, kOurs.size());
  for (const auto& name : split(file.attribute_text("/", "tables"), ','))
    study.tables.emplace_back(name, read_table(file, "/" + name));
  study.facts = read_facts(file);
  return study;
}

}  // namespace cohlink
