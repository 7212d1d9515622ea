// A folder of labelled captures with parameters drawn at random.
#pragma once

#include <cstdint>
#include <functional>
#include <string>
#include <vector>

#include "sim/signal/execution/fft.h"
#include "sim/signal/record/capture.h"
#include "tools/study/files/draw.h"
#include "tools/study/files/split.h"
#include "tools/study/files/table.h"

namespace cohlink {

struct DatasetOrder {
  Scenario scenario;
  std::vector<Draw> draws;
  std::uint64_t count = 0;
  std::string folder;
  std::vector<Split> splits = {};  // none: the labels have no column for it
};

/// "item-000042.h5"
std::string item_name(std::uint64_t number);

/// The scenario of one item: drawn values set, a seed of its own in run.seed, no [draw] section. Simulating
/// its frame 0 makes the item; so does simulating the item's own file.
Scenario item_scenario(const DatasetOrder& order, std::uint64_t number);

/// Sets every item up without simulating it; InputError, naming the item, for values that do not fit
/// together.
void check_items(const DatasetOrder& order, unsigned threads);

/// Makes the folder and what it says of itself (dataset.ini), or checks that it holds this very data set:
/// InputError when it belongs to another scenario, seed or draws, has more items or holds something else.
/// Returns how many items of the order are there already.
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
/// makes the missing ones, each whole or not at all. labels.csv, one
/// row an item, grows as they land, in their order of landing, and is put in the order of the items when all
/// are there, beside index.h5: item, file, split (where there are any), seed, the drawn keys and what follows
/// them, what came out (osnr_db, dispersion_ps_per_nm, dgd_ps, frequency_offset_hz, adc_clipped_samples) and
/// crc32, the check sum in the file's seal.
void make_dataset(const DatasetOrder& order, const FftCache& fft, unsigned threads,
                  const DatasetListener& listener);

}  // namespace cohlink
