// The labels of a data set: one row an item, in labels.csv and index.h5.
#pragma once

#include <cstdint>
#include <fstream>
#include <limits>
#include <mutex>
#include <optional>
#include <string>
#include <vector>

#include "sim/signal/execution/fft.h"
#include "sim/signal/record/capture.h"
#include "tools/study/files/dataset.h"
#include "tools/study/files/table.h"

namespace cohlink {

/// What the whole set was made from, without its draws and what does not decide: the same whoever says it.
Scenario recorded_scenario(const DatasetOrder& order);

/// What our receiver made of an item.
struct Reception {
  double snr_db = std::numeric_limits<double>::quiet_NaN();
  double ber = std::numeric_limits<double>::quiet_NaN();
  bool locked = false;
};

/// What came out of an item, beside what was drawn.
struct Outcome {
  double osnr_db = std::numeric_limits<double>::quiet_NaN();
  double dispersion = 0, dgd = 0, frequency_offset = 0;
  std::uint64_t clipped = 0;
  std::string sum;  // of the file that holds it
  Reception received = {};
};

/// Of a capture, received where the order asks for it.
Outcome outcome_of(const DatasetOrder& order, const Capture& capture, const FftCache& fft);

/// Columns as make_dataset names them, rows of these items; `outcomes` are of all items.
Table labels_of(const DatasetOrder& order, const std::vector<Outcome>& outcomes, const ItemNumbers& items);

/// The other way: of the rows of a stack.
std::vector<Outcome> outcomes_in(const Table& labels);

/// labels.csv while the set is under way: whoever looks, or comes after a crash, sees what is there.
class GrowingLabels {
 public:
  /// `there`: items whose outcomes are known.
  GrowingLabels(const DatasetOrder& order, const std::vector<Outcome>& outcomes, const ItemNumbers& there);
  /// Thread-safe.
  void add(const ItemNumbers& items);

 private:
  const DatasetOrder& order_;
  const std::vector<Outcome>& outcomes_;
  std::ofstream file_;
  std::mutex mutex_;
};

/// labels.csv in the order of the items, and index.h5; of a part "labels-2-of-4.csv", "index-2-of-4.h5".
void write_labels(const DatasetOrder& order, const Table& labels);
std::string labels_path(const DatasetOrder& order);

}  // namespace cohlink
