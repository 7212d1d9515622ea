// A folder of labelled captures with parameters drawn at random.
#pragma once

#include <cstdint>
#include <functional>
#include <string>
#include <vector>

#include "sim/signal/execution/fft.h"
#include "sim/signal/record/capture.h"
#include "tools/study/files/correlation.h"
#include "tools/study/files/draw.h"
#include "tools/study/files/split.h"
#include "tools/study/parts/part_file.h"

namespace cohlink {

using ItemNumbers = std::vector<std::uint64_t>;

/// How items lie in the folder: a capture file each, or stacked in files of many, arrays of equal length.
struct DatasetForm {
  enum class Kind { kFiles, kShards, kStacked };
  Kind kind = Kind::kFiles;
  std::uint64_t shard_items = 1000;
  bool crop = false;  // stacked rows are as long as the shortest item's; else the longest's, filled with 0
};

/// "files", "shards", "shards:500" or "stacked"; InputError, beginning with `origin`, else.
DatasetForm parse_form(const std::string& text, const std::string& origin);

struct DatasetOrder {
  Scenario scenario;
  std::vector<Draw> draws;
  std::uint64_t count = 0;
  std::string folder;
  std::vector<Split> splits = {};  // none: the labels have no column for it
  std::vector<NormalCorrelation> correlations = {};
  DatasetForm form = {};
  Part part = {};        // of the files
  bool measure = false;  // receive each item and label it with what came out
  bool repair = false;   // make again what is there and damaged
  std::string remedy = "remove it to have it made again";  // ends the message about such a file
};

/// "item-000042.h5"
std::string item_name(std::uint64_t number);

/// The file that holds an item: item_name, "shard-00003.h5" or "stack.h5".
std::string file_of(const DatasetOrder& order, std::uint64_t number);
std::uint64_t items_a_file(const DatasetOrder& order);

/// run.seed of an item: 53 bits, as many as the key holds.
std::uint64_t item_seed(const DatasetOrder& order, std::uint64_t number);

/// The scenario of one item: drawn values set, a seed of its own in run.seed, no [draw] section. Simulating
/// its frame 0 makes the item; so does simulating the item's own file.
Scenario item_scenario(const DatasetOrder& order, std::uint64_t number);

/// What a folder's dataset.ini says: scenario, draws, correlations, splits and form. InputError for a folder
/// that is none of a data set.
DatasetOrder read_order(const std::string& folder);

/// Whether the file that begins with item `first` is there. An empty one is not: a loss of power leaves such
/// files of items that were not on the disk yet. For a repair none without its whole seal is.
bool has_file(const DatasetOrder& order, std::uint64_t first);

/// Sets every item up without simulating it; InputError, naming the item, for values that do not fit
/// together.
void check_items(const DatasetOrder& order, unsigned threads);

/// Makes the folder and what it says of itself (dataset.ini), or checks that it holds this very data set:
/// InputError when it belongs to another scenario, seed or draws, has more items or holds something else.
/// Returns how many of the order's items are there already, or of its part.
std::uint64_t open_dataset(const DatasetOrder& order);

/// Bytes and seconds of one item.
struct ItemCost {
  std::uint64_t bytes = 0;
  double seconds = 0;
};

/// Who hears how a data set comes along. `first`: what the first missing item took, before any other is made;
/// `made`: each item, from many threads.
struct DatasetListener {
  std::function<void(const ItemCost&)> first;
  std::function<void()> made;
};

/// Checks the items that are there (InputError for one that is damaged, copied from elsewhere or changed),
/// makes the missing ones, each file whole or not at all, and waits until all are on the disk; of a part
/// those alone that fall into its files. labels.csv, one row an item, grows as they land, in their order of
/// landing, and is put in the order of the items when all are there, beside index.h5: item, file, row (in
/// stacks), split (where there are any), seed, the drawn keys and what follows them, what came out (osnr_db,
/// dispersion_ps_per_nm, dgd_ps, frequency_offset_hz, adc_clipped_samples; where asked for received_snr_db,
/// received_ber, received_lock) and crc32, the check sum in the file's seal.
void make_dataset(const DatasetOrder& order, const FftCache& fft, unsigned threads,
                  const DatasetListener& listener);

/// How many items the order, or its part, has.
std::uint64_t items_of_part(const DatasetOrder& order);

/// Brings the files of folders that are parts of one data set together in `folder` (hard links where the file
/// system has them, else copies). InputError for folders of different data sets and for items that are in
/// none of them. Returns the order of the whole.
DatasetOrder join_datasets(const std::vector<std::string>& folders, const std::string& folder);

}  // namespace cohlink
