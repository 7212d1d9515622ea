#include "tools/study/files/dataset_labels.h"

#include <cmath>
#include <filesystem>
#include <set>
#include <sstream>

#include "rx/receiver.h"
#include "sim/signal/record/atomic_file.h"
#include "tools/study/files/study_file.h"
#include "tools/study/plan/numbers.h"
#include "tools/study/plan/refusals.h"
#include "tools/study/plan/ties.h"

namespace cohlink {
namespace {

namespace fs = std::filesystem;

std::uint64_t seed_of(const DatasetOrder& order) {
  return static_cast<std::uint64_t>(order.scenario.integer("run.seed"));
}

Column drawn_column(const DatasetOrder& order, const Draw& draw, const ItemNumbers& items) {
  Column column{draw.key};
  for (const std::uint64_t i : items) {
    if (draw.numeric)
      column.cells.emplace_back(drawn_value(draw, seed_of(order), i));
    else
      column.cells.emplace_back(drawn_text(draw, seed_of(order), i));
  }
  return column;
}

/// A key that follows what is drawn.
Column following_column(const DatasetOrder& order, const std::string& key, const ItemNumbers& items) {
  Column column{key};
  for (const std::uint64_t i : items) {
    const auto value = parse_number(item_scenario(order, i).written(key));
    column.cells.emplace_back(value.value_or(std::nan("")));
  }
  return column;
}

std::vector<std::string> drawn_followers(const DatasetOrder& order) {
  const auto drawn = keys_of(order.draws);
  const auto moving = with_followers(order.scenario, drawn);
  const std::set<std::string> unique(moving.begin() + static_cast<std::ptrdiff_t>(drawn.size()),
                                     moving.end());
  return {unique.begin(), unique.end()};
}

/// One column of what came out.
template <class Of>
void add_outcomes(Table& table, const char* name, const std::vector<Outcome>& outcomes,
                  const ItemNumbers& items, const Of& of) {
  Column column{name};
  for (const std::uint64_t i : items) column.cells.emplace_back(of(outcomes[i]));
  table.columns.push_back(std::move(column));
}

/// "labels.csv", of a part "labels-2-of-4.csv": parts may share a folder.
std::string part_name(const DatasetOrder& order, const std::string& stem, const std::string& ending) {
  const std::string part = order.part.whole() ? ""
                                              : "-" + std::to_string(order.part.number) + "-of-" +
                                                    std::to_string(order.part.count);
  return (fs::path(order.folder) / (stem + part + ending)).string();
}

std::string csv_of(const Table& table) {
  std::ostringstream csv;
  print(csv, table, Format::kCsv);
  return csv.str();
}

Reception received(const DatasetOrder& order, const Capture& capture, const FftCache& fft) {
  Scenario scenario;
  scenario.read_text(capture.scenario_text, order.folder);
  const ReceiverResult result = Receiver(scenario, fft)(capture, false);
  Reception out{result.snr_db, std::nan(""), result.locked};
  if (!result.locked) out.snr_db = std::nan("");
  if (result.score && result.score->both.bits > 0) out.ber = result.score->both.ber();
  return out;
}

}  // namespace

Outcome outcome_of(const DatasetOrder& order, const Capture& capture, const FftCache& fft) {
  Outcome out;
  const Truth& truth = capture.truth.value();
  if (truth.osnr_db) out.osnr_db = *truth.osnr_db;
  out.dispersion = truth.dispersion_ps_per_nm;
  out.dgd = truth.dgd_ps;
  out.frequency_offset = truth.frequency_offset_hz;
  if (const auto found = capture.counters.find("adc_clipped_samples"); found != capture.counters.end())
    out.clipped = found->second;
  if (order.measure) out.received = received(order, capture, fft);
  return out;
}

Table labels_of(const DatasetOrder& order, const std::vector<Outcome>& outcomes, const ItemNumbers& items) {
  Column item{"item"}, file{"file"}, row{"row"}, split{"split"}, seed{"seed"};
  for (const std::uint64_t i : items) {
    item.cells.emplace_back(i);
    file.cells.emplace_back(file_of(order, i));
    row.cells.emplace_back(i % items_a_file(order));
    split.cells.emplace_back(split_of(order.splits, seed_of(order), i));
    seed.cells.emplace_back(item_seed(order, i));
  }
  Table table;
  for (auto* column : {&item, &file}) table.columns.push_back(std::move(*column));
  if (order.form.kind != DatasetForm::Kind::kFiles) table.columns.push_back(std::move(row));
  if (!order.splits.empty()) table.columns.push_back(std::move(split));
  table.columns.push_back(std::move(seed));
  for (const Draw& draw : order.draws) table.columns.push_back(drawn_column(order, draw, items));
  for (const std::string& key : drawn_followers(order))
    table.columns.push_back(following_column(order, key, items));
  const auto add = [&](const char* name, const auto& of) { add_outcomes(table, name, outcomes, items, of); };
  add("osnr_db", [](const Outcome& o) { return o.osnr_db; });
  add("dispersion_ps_per_nm", [](const Outcome& o) { return o.dispersion; });
  add("dgd_ps", [](const Outcome& o) { return o.dgd; });
  add("frequency_offset_hz", [](const Outcome& o) { return o.frequency_offset; });
  add("adc_clipped_samples", [](const Outcome& o) { return o.clipped; });
  if (order.measure) {
    add("received_snr_db", [](const Outcome& o) { return o.received.snr_db; });
    add("received_ber", [](const Outcome& o) { return o.received.ber; });
    add("received_lock", [](const Outcome& o) { return std::uint64_t{o.received.locked}; });
  }
  add("crc32", [](const Outcome& o) { return o.sum; });
  return table;
}

std::vector<Outcome> outcomes_in(const Table& labels) {
  std::vector<Outcome> outcomes(labels.rows());
  const auto read = [&](const char* name, const auto& put) {
    const Column* column = labels.find(name);
    for (std::size_t row = 0; column != nullptr && row < outcomes.size(); ++row)
      if (const auto* value = std::get_if<double>(&column->cells[row])) put(outcomes[row], *value);
  };
  read("osnr_db", [](Outcome& o, double value) { o.osnr_db = value; });
  read("dispersion_ps_per_nm", [](Outcome& o, double value) { o.dispersion = value; });
  read("dgd_ps", [](Outcome& o, double value) { o.dgd = value; });
  read("frequency_offset_hz", [](Outcome& o, double value) { o.frequency_offset = value; });
  read("adc_clipped_samples",
       [](Outcome& o, double value) { o.clipped = static_cast<std::uint64_t>(value); });
  read("received_snr_db", [](Outcome& o, double value) { o.received.snr_db = value; });
  read("received_ber", [](Outcome& o, double value) { o.received.ber = value; });
  read("received_lock", [](Outcome& o, double value) { o.received.locked = value != 0.0; });
  return outcomes;
}

GrowingLabels::GrowingLabels(const DatasetOrder& order, const std::vector<Outcome>& outcomes,
                             const ItemNumbers& there)
    : order_(order), outcomes_(outcomes) {
  write_atomically(labels_path(order), csv_of(labels_of(order, outcomes, there)));
  file_.open(labels_path(order), std::ios::binary | std::ios::app);
}

void GrowingLabels::add(const ItemNumbers& items) {
  const std::string csv = csv_of(labels_of(order_, outcomes_, items));
  const std::lock_guard lock(mutex_);
  file_ << csv.substr(csv.find('\n') + 1) << std::flush;
  if (!file_) throw RunError(labels_path(order_), "cannot be written");
}

Scenario recorded_scenario(const DatasetOrder& order) {
  Scenario scenario = order.scenario;
  for (const char* key : {"run.threads", "run.reuse", "run.reuse_memory_mb", "run.frames"})
    scenario.set(key, std::string(find_key(key)->default_value), "dataset");
  scenario.clear_draws();
  return scenario;
}

std::string labels_path(const DatasetOrder& order) { return part_name(order, "labels", ".csv"); }

void write_labels(const DatasetOrder& order, const Table& labels) {
  write_atomically(labels_path(order), csv_of(labels));
  write_study({"dataset", {{"labels", labels}}, {}}, recorded_scenario(order),
              part_name(order, "index", ".h5"));
}

}  // namespace cohlink
