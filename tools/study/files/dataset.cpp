#include "tools/study/files/dataset.h"

#include <algorithm>
#include <chrono>
#include <cstdio>
#include <filesystem>

#include "sim/link.h"
#include "sim/link_setup.h"
#include "sim/link_truth.h"
#include "sim/signal/random.h"
#include "sim/signal/record/capture_file.h"
#include "sim/signal/record/seal.h"
#include "sim/signal/scenario/errors.h"
#include "tools/study/files/dataset_labels.h"
#include "tools/study/files/stack.h"
#include "tools/study/parts/journal.h"
#include "tools/study/run/executor.h"

namespace cohlink {
namespace {

namespace fs = std::filesystem;

std::uint64_t seed_of(const DatasetOrder& order) {
  return static_cast<std::uint64_t>(order.scenario.integer("run.seed"));
}

bool stacked(const DatasetOrder& order) { return order.form.kind != DatasetForm::Kind::kFiles; }

std::string path_of(const DatasetOrder& order, std::uint64_t number) {
  return (fs::path(order.folder) / file_of(order, number)).string();
}

/// The items of each file of the part, in their order.
std::vector<ItemNumbers> files_of(const DatasetOrder& order) {
  std::vector<ItemNumbers> files;
  const std::uint64_t each = items_a_file(order);
  for (std::uint64_t first = 0, file = 0; first < order.count; first += each, ++file) {
    if (file % order.part.count != order.part.number - 1) continue;
    files.emplace_back();
    for (std::uint64_t i = first; i < std::min(order.count, first + each); ++i) files.back().push_back(i);
  }
  return files;
}

/// An item that an earlier run made: whole, and this very item.
Capture read_item(const DatasetOrder& order, std::uint64_t number) {
  const std::string path = path_of(order, number);
  Capture capture = read_capture(h5::File::open_sealed(path, order.remedy));
  Scenario scenario;
  scenario.read_text(capture.scenario_text, path + ":/scenario");
  if (!capture.truth || capture.frame != 0 ||
      deciding_text(scenario) != deciding_text(item_scenario(order, number)))
    throw InputError(path, std::string("is not this item of the data set, whose seed or drawn values "
                                       "differ; ") +
                               order.remedy);
  return capture;
}

/// Labels of a stack that an earlier run made; nothing of one that has fewer items than now or was not
/// received where that is asked for: it is made again.
std::optional<Table> stack_labels(const DatasetOrder& order, const ItemNumbers& items) {
  const std::string path = path_of(order, items.front());
  Table labels = read_stack_labels(path, order.remedy);
  const Column* seeds = labels.find("seed");
  bool ours = seeds != nullptr && labels.rows() <= items.size();
  for (std::size_t row = 0; ours && row < labels.rows(); ++row) {
    const auto* seed = std::get_if<double>(&seeds->cells[row]);
    ours = seed != nullptr && static_cast<std::uint64_t>(*seed) == item_seed(order, items[row]);
  }
  if (!ours) throw InputError(path, std::string("holds other items than this data set's; ") + order.remedy);
  if (labels.rows() < items.size() || (order.measure && labels.find("received_lock") == nullptr))
    return std::nullopt;
  return labels;
}

/// Makes a data set, file by file.
class Maker {
 public:
  Maker(const DatasetOrder& order, const FftCache& fft, unsigned threads, const DatasetListener& listener)
      : order_(order), fft_(fft), threads_(threads), listener_(listener), outcomes_(order.count) {}

  void operator()() {
    ItemNumbers all, there;
    std::vector<ItemNumbers> missing;
    read_files(all, there, missing);
    growing_.emplace(order_, outcomes_, there);
    stacked(order_) ? make_stacks(missing) : make_files(missing);
    if (!stacked(order_)) settle(all);  // what an interrupted run made as well
    write_labels(order_, labels_of(order_, outcomes_, all));
  }

 private:
  /// First what is there: a damaged file is said before any work.
  void read_files(ItemNumbers& all, ItemNumbers& there, std::vector<ItemNumbers>& missing) {
    const std::vector<ItemNumbers> files = files_of(order_);
    std::vector<char> whole(files.size());
    for_each_index(files.size(), threads_, [&](std::size_t f) { whole[f] = read_file(files[f]); });
    for (std::size_t f = 0; f < files.size(); ++f) {
      all.insert(all.end(), files[f].begin(), files[f].end());
      if (whole[f])
        there.insert(there.end(), files[f].begin(), files[f].end());
      else
        missing.push_back(files[f]);
    }
  }

  bool read_file(const ItemNumbers& items) {
    if (!has_file(order_, items.front())) return false;
    const std::string path = path_of(order_, items.front());
    if (!stacked(order_)) {
      outcomes_[items.front()] = outcome_of(order_, read_item(order_, items.front()), fft_);
    } else {
      const auto labels = stack_labels(order_, items);
      if (!labels) return false;
      std::ranges::copy(outcomes_in(*labels), outcomes_.begin() + static_cast<std::ptrdiff_t>(items.front()));
    }
    land(items, path);
    return true;
  }

  void land(const ItemNumbers& items, const std::string& path) {
    const std::string sum = sealed_sum(path);
    for (const std::uint64_t i : items) outcomes_[i].sum = sum;
  }

  void settle(const ItemNumbers& items) {
    std::vector<std::string> paths;
    for (const std::uint64_t i : items) paths.push_back(path_of(order_, i));
    settle_files(paths);
  }

  Capture make_item(std::uint64_t number) {
    Capture capture = Link(item_scenario(order_, number), fft_)(0);
    outcomes_[number] = outcome_of(order_, capture, fft_);
    return capture;
  }

  /// Calls make(0) by itself, and tells what it took; then the others on all threads.
  template <class Make>
  void first_alone(std::size_t count, bool told, const Make& make) {
    const std::size_t alone = told && listener_.first && count > 0 ? 1 : 0;
    if (alone == 1) {
      const auto start = std::chrono::steady_clock::now();
      const std::uint64_t bytes = make(0);
      const std::chrono::duration<double> took = std::chrono::steady_clock::now() - start;
      listener_.first({bytes, took.count()});
    }
    for_each_index(count - alone, threads_, [&](std::size_t k) { make(k + alone); });
  }

  void make_files(const std::vector<ItemNumbers>& missing) {
    first_alone(missing.size(), true, [&](std::size_t k) {
      const std::string path = path_of(order_, missing[k].front());
      write_capture(make_item(missing[k].front()), path, OnDisk::kLater);
      land(missing[k], path);
      growing_->add(missing[k]);
      if (listener_.made) listener_.made();
      return static_cast<std::uint64_t>(fs::file_size(path));
    });
  }

  void make_stacks(const std::vector<ItemNumbers>& missing) {
    for (const ItemNumbers& items : missing) {
      std::vector<Capture> captures(items.size());
      first_alone(items.size(), items.front() == missing.front().front(), [&](std::size_t k) {
        captures[k] = make_item(items[k]);
        if (listener_.made) listener_.made();
        return bytes_in_stack(captures[k]);
      });
      Table labels = labels_of(order_, outcomes_, items);
      labels.columns.pop_back();  // crc32, of the file that this becomes
      const std::string path = path_of(order_, items.front());
      write_stack(captures, labels, recorded_scenario(order_), order_.form.crop, path);
      land(items, path);
      growing_->add(items);
    }
  }

  const DatasetOrder& order_;
  const FftCache& fft_;
  const unsigned threads_;
  const DatasetListener& listener_;
  std::vector<Outcome> outcomes_;
  std::optional<GrowingLabels> growing_;
};

}  // namespace

std::string item_name(std::uint64_t number) {
  char name[40];
  std::snprintf(name, sizeof name, "item-%06llu.h5", static_cast<unsigned long long>(number));
  return name;
}

std::uint64_t items_a_file(const DatasetOrder& order) {
  switch (order.form.kind) {
    case DatasetForm::Kind::kFiles:
      return 1;
    case DatasetForm::Kind::kShards:
      return order.form.shard_items;
    case DatasetForm::Kind::kStacked:
      break;
  }
  return std::max<std::uint64_t>(1, order.count);
}

std::string file_of(const DatasetOrder& order, std::uint64_t number) {
  if (order.form.kind == DatasetForm::Kind::kFiles) return item_name(number);
  if (order.form.kind == DatasetForm::Kind::kStacked) return "stack.h5";
  char name[40];
  std::snprintf(name, sizeof name, "shard-%05llu.h5",
                static_cast<unsigned long long>(number / order.form.shard_items));
  return name;
}

std::uint64_t item_seed(const DatasetOrder& order, std::uint64_t number) {
  return RandomStreams(seed_of(order), number).stream("dataset-item").bits() >> 11;
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
  for_each_index(order.count, threads, [&](std::size_t i) {
    const Scenario item = item_scenario(order, i);
    check_truth_size(item, link_setup(item));
  });
}

std::uint64_t items_of_part(const DatasetOrder& order) {
  std::uint64_t count = 0;
  for (const ItemNumbers& items : files_of(order)) count += items.size();
  return count;
}

void make_dataset(const DatasetOrder& order, const FftCache& fft, unsigned threads,
                  const DatasetListener& listener) {
  Maker(order, fft, threads, listener)();
}

}  // namespace cohlink
