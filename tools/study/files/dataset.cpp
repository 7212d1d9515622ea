#include "tools/study/files/dataset.h"

#include <algorithm>
#include <chrono>
#include <cmath>
#include <cstdio>
#include <filesystem>
#include <fstream>
#include <limits>
#include <mutex>
#include <set>
#include <sstream>

#include "sim/link.h"
#include "sim/link_setup.h"
#include "sim/signal/random.h"
#include "sim/signal/record/atomic_file.h"
#include "sim/signal/record/capture_file.h"
#include "sim/signal/record/seal.h"
#include "sim/signal/scenario/strings.h"
#include "tools/study/files/study_file.h"
#include "tools/study/parts/journal.h"
#include "tools/study/plan/numbers.h"
#include "tools/study/plan/refusals.h"
#include "tools/study/plan/ties.h"
#include "tools/study/run/executor.h"

namespace cohlink {
namespace {

namespace fs = std::filesystem;

constexpr const char* kOrderFile = "dataset.ini";

std::uint64_t seed_of(const DatasetOrder& order) {
  return static_cast<std::uint64_t>(order.scenario.integer("run.seed"));
}

/// 53 bits, as many as run.seed holds.
std::uint64_t item_seed(const DatasetOrder& order, std::uint64_t number) {
  return RandomStreams(seed_of(order), number).stream("dataset-item").bits() >> 11;
}

fs::path path_of(const DatasetOrder& order, std::uint64_t number) {
  return fs::path(order.folder) / item_name(number);
}

/// What the folder must have been made from; how it was computed does not matter.
std::string order_text(const DatasetOrder& order) {
  Scenario scenario = order.scenario;
  for (const char* key : {"run.threads", "run.reuse", "run.reuse_memory_mb", "run.frames"})
    scenario.set(key, std::string(find_key(key)->default_value), "dataset");
  scenario.clear_draws();
  std::string text = scenario.resolved() + "\n[draw]\n";
  for (const Draw& draw : order.draws) text += draw.key + " = " + draw_text(draw) + "\n";
  if (!order.splits.empty()) text += "\n[split]\nshares = " + split_text(order.splits) + "\n";
  return text;
}

std::string content(const fs::path& path) {
  std::ifstream file(path, std::ios::binary);
  std::ostringstream text;
  text << file.rdbuf();
  return text.str();
}

Capture make_item(const DatasetOrder& order, std::uint64_t number, const FftCache& fft) {
  return Link(item_scenario(order, number), fft)(0);
}

/// An item that an earlier run made: whole, and this very item.
Capture read_item(const DatasetOrder& order, std::uint64_t number) {
  const std::string path = path_of(order, number).string();
  const std::string remedy = "remove it to have it made again";
  Capture capture = read_capture(h5::File::open_sealed(path, remedy));
  Scenario scenario;
  scenario.read_text(capture.scenario_text, path + ":/scenario");
  if (!capture.truth || capture.frame != 0 ||
      deciding_text(scenario) != deciding_text(item_scenario(order, number)))
    throw InputError(path, "is not this item of the data set, whose seed or drawn values differ; " + remedy);
  return capture;
}

/// What came out of an item, beside what was drawn.
struct Outcome {
  double osnr_db = std::numeric_limits<double>::quiet_NaN();
  double dispersion = 0, dgd = 0, frequency_offset = 0;
  std::uint64_t clipped = 0;
  std::string sum;  // of the file
};

Outcome outcome_of(const Capture& capture, const fs::path& path) {
  Outcome out;
  out.sum = sealed_sum(path.string());
  const Truth& truth = capture.truth.value();
  if (truth.osnr_db) out.osnr_db = *truth.osnr_db;
  out.dispersion = truth.dispersion_ps_per_nm;
  out.dgd = truth.dgd_ps;
  out.frequency_offset = truth.frequency_offset_hz;
  if (const auto found = capture.counters.find("adc_clipped_samples"); found != capture.counters.end())
    out.clipped = found->second;
  return out;
}

using Numbers = std::vector<std::uint64_t>;

Column drawn_column(const DatasetOrder& order, const Draw& draw, const Numbers& items) {
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
Column following_column(const DatasetOrder& order, const std::string& key, const Numbers& items) {
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

/// Rows of these items; `outcomes` are of all.
Table labels_of(const DatasetOrder& order, const std::vector<Outcome>& outcomes, const Numbers& items) {
  Column item{"item"}, file{"file"}, split{"split"}, seed{"seed"}, osnr{"osnr_db"},
      dispersion{"dispersion_ps_per_nm"}, dgd{"dgd_ps"}, offset{"frequency_offset_hz"},
      clipped{"adc_clipped_samples"}, sum{"crc32"};
  for (const std::uint64_t i : items) {
    const Outcome& out = outcomes[i];
    item.cells.emplace_back(i);
    file.cells.emplace_back(item_name(i));
    split.cells.emplace_back(split_of(order.splits, seed_of(order), i));
    seed.cells.emplace_back(item_seed(order, i));
    osnr.cells.emplace_back(out.osnr_db);
    dispersion.cells.emplace_back(out.dispersion);
    dgd.cells.emplace_back(out.dgd);
    offset.cells.emplace_back(out.frequency_offset);
    clipped.cells.emplace_back(out.clipped);
    sum.cells.emplace_back(out.sum);
  }
  Table table;
  for (auto* column : {&item, &file}) table.columns.push_back(std::move(*column));
  if (!order.splits.empty()) table.columns.push_back(std::move(split));
  table.columns.push_back(std::move(seed));
  for (const Draw& draw : order.draws) table.columns.push_back(drawn_column(order, draw, items));
  for (const std::string& key : drawn_followers(order))
    table.columns.push_back(following_column(order, key, items));
  for (auto* column : {&osnr, &dispersion, &dgd, &offset, &clipped, &sum})
    table.columns.push_back(std::move(*column));
  return table;
}

std::string labels_path(const DatasetOrder& order) {
  return (fs::path(order.folder) / "labels.csv").string();
}

std::string csv_of(const Table& table) {
  std::ostringstream csv;
  print(csv, table, Format::kCsv);
  return csv.str();
}

/// labels.csv while the set is under way: whoever looks, or comes after a crash, sees what is there.
class GrowingLabels {
 public:
  GrowingLabels(const DatasetOrder& order, const std::vector<Outcome>& outcomes, const Numbers& there)
      : order_(order), outcomes_(outcomes) {
    write_atomically(labels_path(order), csv_of(labels_of(order, outcomes, there)));
    file_.open(labels_path(order), std::ios::binary | std::ios::app);
  }

  void add(std::uint64_t item) {
    const std::string csv = csv_of(labels_of(order_, outcomes_, {item}));
    const std::lock_guard lock(mutex_);
    file_ << csv.substr(csv.find('\n') + 1) << std::flush;
    if (!file_) throw RunError(labels_path(order_), "cannot be written");
  }

 private:
  const DatasetOrder& order_;
  const std::vector<Outcome>& outcomes_;
  std::ofstream file_;
  std::mutex mutex_;
};

void write_labels(const DatasetOrder& order, const Table& labels) {
  write_atomically(labels_path(order), csv_of(labels));
  write_study({"dataset", {{"labels", labels}}, {}}, order.scenario,
              (fs::path(order.folder) / "index.h5").string());
}

/// One more than the highest number among the folder's items.
std::uint64_t items_present(const DatasetOrder& order) {
  std::uint64_t end = 0;
  for (const auto& entry : fs::directory_iterator(order.folder)) {
    unsigned long long number = 0;
    const std::string name = entry.path().filename().string();
    if (std::sscanf(name.c_str(), "item-%llu", &number) == 1 && name == item_name(number))
      end = std::max<std::uint64_t>(end, number + 1);
  }
  return end;
}

}  // namespace

std::string item_name(std::uint64_t number) {
  char name[40];
  std::snprintf(name, sizeof name, "item-%06llu.h5", static_cast<unsigned long long>(number));
  return name;
}

Scenario item_scenario(const DatasetOrder& order, std::uint64_t number) {
  Scenario scenario = order.scenario;
  scenario.clear_draws();
  for (const Draw& draw : order.draws)
    scenario.set(draw.key, drawn_text(draw, seed_of(order), number), "drawn for " + item_name(number));
  scenario.set("run.seed", std::to_string(item_seed(order, number)), "data set");
  scenario.set("run.frames", "1", "data set");
  return scenario;
}

void check_items(const DatasetOrder& order, unsigned threads) {
  for_each_index(order.count, threads, [&](std::size_t i) { link_setup(item_scenario(order, i)); });
}

std::uint64_t open_dataset(const DatasetOrder& order) {
  const fs::path folder = order.folder, ini = folder / kOrderFile;
  std::error_code error;
  if (fs::exists(folder, error) && !fs::is_directory(folder, error))
    throw InputError(order.folder, "is no folder");
  if (!fs::exists(ini, error)) {
    if (fs::is_directory(folder, error) && !fs::is_empty(folder, error))
      throw InputError(order.folder, "holds something else; give a new or empty folder");
    fs::create_directories(folder, error);
    if (error) throw RunError(order.folder, "cannot be made: " + error.message());
    write_atomically(ini.string(), order_text(order));
  } else if (content(ini) != order_text(order)) {
    throw InputError(order.folder,
                     "holds a data set of another scenario, seed or draws (see its dataset.ini)");
  }
  if (const std::uint64_t present = items_present(order); present > order.count)
    throw InputError(order.folder, "holds " + std::to_string(present) +
                                       " items, whose labels a smaller set would lose; ask for at least " +
                                       std::to_string(present));
  std::uint64_t there = 0;
  for (std::uint64_t i = 0; i < order.count; ++i) there += fs::exists(path_of(order, i), error);
  return there;
}

void make_dataset(const DatasetOrder& order, const FftCache& fft, unsigned threads,
                  const DatasetListener& listener) {
  std::vector<Outcome> outcomes(order.count);
  Numbers all, there, missing;
  for (std::uint64_t i = 0; i < order.count; ++i) {
    std::error_code error;
    (fs::exists(path_of(order, i), error) ? there : missing).push_back(i);
    all.push_back(i);
  }
  // First what is there: a damaged item is said before any work.
  for_each_index(there.size(), threads, [&](std::size_t k) {
    outcomes[there[k]] = outcome_of(read_item(order, there[k]), path_of(order, there[k]));
  });
  GrowingLabels growing(order, outcomes, there);
  const auto make = [&](std::uint64_t i) {
    const Capture capture = make_item(order, i, fft);
    write_capture(capture, path_of(order, i).string());
    outcomes[i] = outcome_of(capture, path_of(order, i));
    growing.add(i);
    if (listener.made) listener.made();
  };
  const std::size_t alone = listener.first && !missing.empty() ? 1 : 0;
  if (alone == 1) {
    const auto start = std::chrono::steady_clock::now();
    make(missing.front());
    const std::chrono::duration<double> took = std::chrono::steady_clock::now() - start;
    listener.first({fs::file_size(path_of(order, missing.front())), took.count()});
  }
  for_each_index(missing.size() - alone, threads, [&](std::size_t k) { make(missing[k + alone]); });
  write_labels(order, labels_of(order, outcomes, all));
}

}  // namespace cohlink
