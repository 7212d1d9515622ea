// cohlink keys: the table of scenario keys, for people, programs and docs/scenario-keys.md.
#include <algorithm>
#include <array>
#include <cctype>
#include <iostream>

#include "rx/chain/order.h"
#include "rx/chain/table.h"
#include "sim/signal/scenario/scenario.h"
#include "sim/signal/scenario/strings.h"
#include "tools/cohlink/bench_drawing.h"
#include "tools/cohlink/command_line.h"
#include "tools/cohlink/commands.h"
#include "tools/study/files/table.h"
#include "tools/study/plan/receiver_outputs.h"

namespace cohlink {
namespace {

using Rows = std::vector<const ScenarioKey*>;

std::string lower(std::string text) {
  std::transform(text.begin(), text.end(), text.begin(), [](unsigned char c) { return std::tolower(c); });
  return text;
}

/// Words of the trade for one thing. A word in one of these is found by the others.
constexpr std::array<std::string_view, 20> kSynonyms = {
    "baud symbol_rate gbd",
    "lo local oscillator laser_lo",
    "tx transmitter sender",
    "rx receiver frontend",
    "cd dispersion chromatic",
    "dgd pmd differential group delay",
    "pdl polarisation-dependent polarization loss by polarisation",
    "loss attenuation",
    "edfa amplifier",
    "nf noise_figure",
    "gamma nonlinear kerr",
    "reach span distance length",
    "channels wdm comb count",
    "wss roadm filter",
    "enob bits resolution",
    "vga gain_control agc",
    "tia transimpedance",
    "cpr phase_recovery carrier",
    "dbp back_propagation back-propagation",
    "fibre fiber",
};

/// The word itself, and those that mean it.
std::vector<std::string> meanings(const std::string& word) {
  std::vector<std::string> words = {word};
  for (const std::string_view row : kSynonyms) {
    const auto of_row = split(row, ' ');
    if (std::find(of_row.begin(), of_row.end(), word) != of_row.end())
      words.insert(words.end(), of_row.begin(), of_row.end());
  }
  return words;
}

/// Short words must stand by themselves: "cd" is not in "ocd".
bool holds_word(const std::string& text, const std::string& word) {
  for (auto at = text.find(word); at != std::string::npos; at = text.find(word, at + 1)) {
    const auto letter = [&](std::size_t i) {
      return i < text.size() && std::isalnum(static_cast<unsigned char>(text[i]));
    };
    if (word.size() > 3 || (!letter(at - 1) && !letter(at + word.size()))) return true;
  }
  return false;
}

/// Every word of the pattern, or one that means the same, in whatever order.
bool matches(const ScenarioKey& key, const std::vector<std::string>& words, bool by_meaning) {
  const std::string where = lower(key.full_name() + " " + std::string(key.help));
  return std::all_of(words.begin(), words.end(), [&](const std::string& word) {
    if (where.find(word) != std::string::npos) return true;
    const auto known = by_meaning ? meanings(word) : std::vector<std::string>();
    return std::any_of(known.begin(), known.end(),
                       [&](const std::string& other) { return holds_word(where, other); });
  });
}

/// By the words themselves; where no key has them all, by what they mean.
Rows find_rows(const std::vector<std::string>& patterns) {
  std::vector<std::string> words;
  for (const std::string& pattern : patterns)
    for (const std::string& word : split(lower(pattern), ' '))
      if (!word.empty()) words.push_back(word);
  Rows rows;
  for (const bool by_meaning : {false, true})
    if (rows.empty())
      for (const auto& key : scenario_keys())
        if (matches(key, words, by_meaning)) rows.push_back(&key);
  return rows;
}

// The receiver's own table has the blocks' names, which the key table below it cannot see.
std::string legal(const ScenarioKey& key) {
  if (key.full_name() == "dsp.chain") return "a comma-separated list of " + join(chain_blocks(), ", ");
  return legal_values(key);
}

std::string or_absent(std::string_view text) { return text.empty() ? "(absent)" : std::string(text); }

Table key_table(const Rows& rows) {
  Table table{{{"key"}, {"default"}, {"unit"}, {"legal"}, {"meaning"}, {"source"}}};
  for (const ScenarioKey* key : rows) {
    const std::string cells[] = {key->full_name(), std::string(key->default_value), std::string(key->unit),
                                 legal(*key),      std::string(key->help),          std::string(key->source)};
    for (std::size_t i = 0; i < table.columns.size(); ++i) table.columns[i].cells.push_back(cells[i]);
  }
  return table;
}

/// For a terminal: a line with the key, its default and unit; indented below it what it means and accepts.
void print_people(const Rows& rows) {
  std::string_view section;
  for (const ScenarioKey* key : rows) {
    if (key->section != section) std::cout << (section.empty() ? "" : "\n") << '[' << key->section << "]\n";
    section = key->section;
    std::cout << "  " << key->name << " = " << or_absent(key->default_value)
              << (key->unit.empty() ? "" : " " + std::string(key->unit)) << "\n      " << key->help
              << "\n      " << legal(*key) << (key->source.empty() ? "" : "; " + std::string(key->source))
              << '\n';
  }
}

std::string code(const std::string& text) { return text.empty() ? "" : "`" + text + "`"; }

const char* sampling(Rate rate) {
  return rate == Rate::kAdc ? "the ADC's" : rate == Rate::kTwo ? "2 a symbol" : "1 a symbol";
}

/// The blocks of dsp.chain, from the receiver's table.
void print_blocks() {
  Table table{{{"block"}, {"of dsp.chain"}, {"takes"}, {"leaves"}, {"keys"}, {"finds"}}};
  for (const BlockRow& row : block_table()) {
    std::string outputs;
    for (const BlockOutput& output : row.outputs)
      outputs += (outputs.empty() ? "" : ", ") + code(output.name);
    const std::string cells[] = {row.title, code(row.name), sampling(row.needs), sampling(row.leaves),
                                 row.keys,  outputs};
    for (std::size_t i = 0; i < table.columns.size(); ++i) table.columns[i].cells.push_back(cells[i]);
  }
  std::cout
      << "\n## Receiver blocks\n\nSamplings that blocks take and leave; the order in dsp.chain must fit "
         "them.\n\n";
  print(std::cout, table, Format::kMarkdown);
}

/// What a reception puts out, from the tables that reports and sweeps read.
void print_outputs() {
  Table table{{{"output"}, {"unit"}, {"what it is"}}};
  const auto add = [&](const char* name, const std::string& unit, const std::string& meaning) {
    table.columns[0].cells.emplace_back(code(name));
    table.columns[1].cells.emplace_back(unit);
    table.columns[2].cells.emplace_back(meaning);
  };
  for (const OutputRow& row : output_rows()) add(row.name, unit_of_column(row.name), row.meaning);
  for (const BlockRow& block : block_table())
    for (const BlockOutput& output : block.outputs)
      add(output.name, output.unit,
          std::string(output.title) + ", as the block " + block.title + " finds it");
  for (const EventRow& row : event_rows()) add(row.name, "events", row.meaning);
  std::cout
      << "\n## Outputs of the receiver\n\nWhat `receive` prints beside the BER and `sweep --measure` takes, "
         "where there is one.\n\n";
  print(std::cout, table, Format::kMarkdown);
}

/// docs/scenario-keys.md, whole.
void print_document(const Rows& rows) {
  std::cout
      << "# Scenario keys\n\nGenerated by `cohlink keys --format markdown`; do not edit. A key without a "
         "default may be left out; its meaning says\nwhat then holds. `cohlink keys WORD...` searches this "
         "table.\n";
  std::string_view section;
  for (std::size_t first = 0; first < rows.size();) {
    section = rows[first]->section;
    Table table{{{"key"}, {"default"}, {"unit"}, {"legal"}, {"meaning"}, {"source"}}};
    std::size_t next = first;
    for (; next < rows.size() && rows[next]->section == section; ++next) {
      const ScenarioKey& key = *rows[next];
      const std::string cells[] = {code(std::string(key.name)), code(std::string(key.default_value)),
                                   std::string(key.unit),       legal(key),
                                   std::string(key.help),       std::string(key.source)};
      for (std::size_t i = 0; i < table.columns.size(); ++i) table.columns[i].cells.push_back(cells[i]);
    }
    std::cout << "\n## [" << section << "]\n\n";
    print(std::cout, table, Format::kMarkdown);
    first = next;
  }
  print_blocks();
  print_outputs();
}

}  // namespace

int keys(const Arguments& arguments) {
  CommandLine line(
      "keys [WORD...] [--format text|csv|json|markdown]",
      "Lists the scenario keys whose name or meaning holds every WORD, in any order (all keys\n"
      "without one). Where none does, words of the trade that mean the same are tried: edfa, nf, cd.");
  line.own()("drawing", "draw the bench with all sections and receiver blocks, as SVG");
  if (!line.parse(arguments)) return kDone;
  line.refuse({"set", "tie", "seed"}, "keys lists what may be set; it takes no scenario");
  if (line.has("drawing")) {
    if (!line.common().files.empty())
      throw InputError("--drawing has all sections and blocks; it takes no WORD");
    line.refuse({"format"}, "--drawing is SVG");
    std::cout << bench_drawing();
    return kDone;
  }
  const auto& patterns = line.common().files;
  const Rows rows = find_rows(patterns);
  if (rows.empty()) {
    const std::string all = join(patterns, " "), near = nearest_key(all);
    throw InputError("no key matches '" + all + "'" + (near.empty() ? "" : "; did you mean " + near + "?"));
  }
  switch (line.common().format) {
    case Format::kText:
      print_people(rows);
      break;
    case Format::kMarkdown:
      print_document(rows);
      break;
    default:
      print(std::cout, key_table(rows), line.common().format);
  }
  return kDone;
}

}  // namespace cohlink
