// cohlink dataset: labelled captures with drawn parameters.
#include "tools/study/files/dataset.h"

#include <algorithm>
#include <atomic>
#include <iostream>
#include <mutex>

#include "sim/optical_path.h"
#include "tools/cohlink/command_line.h"
#include "tools/cohlink/commands.h"
#include "tools/cohlink/console.h"
#include "tools/cohlink/refusals.h"
#include "tools/cohlink/resume.h"
#include "tools/study/plan/numbers.h"
#include "tools/study/plan/ties.h"
#include "tools/study/run/executor.h"

namespace cohlink {
namespace {

/// The strongest light in the fibres of any item.
double strongest_light(const DatasetOrder& order, unsigned threads) {
  std::vector<double> peaks(order.draws.empty() ? 1 : order.count);
  for_each_index(peaks.size(), threads,
                 [&](std::size_t i) { peaks[i] = peak_fibre_power(item_scenario(order, i)); });
  return *std::max_element(peaks.begin(), peaks.end());
}

/// What the whole takes, by its first item; `left` are still to be made.
void tell_cost(const DatasetOrder& order, const ItemCost& item, std::uint64_t left, unsigned threads,
               bool quiet) {
  if (left == 0) return;
  const double megabytes = 1e-6 * static_cast<double>(item.bytes);
  note(quiet, "about " + readable(static_cast<double>(order.count) * megabytes, 3) + " MB in all, " +
                  readable(megabytes, 3) + " MB an item; about " +
                  duration_text(static_cast<double>(left) * item.seconds / threads) + " to go");
}

void declare_options(CommandLine& line) {
  namespace po = boost::program_options;
  line.own()("items,n", po::value<std::string>()->value_name("N"), "how many captures")(
      "output,o", po::value<std::string>()->value_name("DIR"), "the folder; made when it is not there")(
      "draw", po::value<std::vector<std::string>>()->composing()->value_name("KEY=LAW"),
      "a:b (uniform), log:a:b, normal:mean:deviation, maxwell:mean, choice:v1|v2, or what it follows as in "
      "--tie (17*fibre.span_length_km); once a key; replaces its law in the scenario's [draw] section")(
      "split", po::value<std::string>()->value_name("NAME:SHARE,..."),
      "parts to keep apart, train:0.8,validation:0.1,test:0.1: a column of the labels, drawn by the seed");
}

DatasetOrder read_order(const CommandLine& line) {
  const CommonOptions& options = line.common();
  if (options.files.empty()) throw InputError("dataset needs a scenario file");
  if (options.output.empty()) throw InputError("dataset needs -o DIR");
  DatasetOrder order;
  order.scenario = layered(Scenario(), options.files, options);
  refuse_recording(order.scenario);
  const auto laws = take_ties(order.scenario, line.texts("draw"), "--draw");
  order.draws = read_draws(order.scenario, laws, "--draw");
  refuse_untouched_draws(order.draws);
  caution_unread(order.scenario, keys_of(order.draws));
  order.count = line.count("items", 1).value_or(0);
  order.folder = options.output;
  if (line.has("split")) order.splits = parse_splits(line.text("split"));
  if (order.count == 0) throw InputError("dataset needs -n N, 1 or more");
  if (order.count > 1'000'000) throw InputError("-n: at most 1,000,000 captures in one folder");
  return order;
}

/// Opens the folder with everything looked at and said before the first item; how many items it holds.
std::uint64_t begin(const DatasetOrder& order, unsigned threads, bool quiet) {
  check_items(order, threads);
  const std::uint64_t before = open_dataset(order);
  if (before > 0) note(quiet, grouped(before) + " of " + grouped(order.count) + " items are there already");
  if (order.draws.empty()) note(quiet, "nothing is drawn: only data and noise differ between items");
  light_hazard_caution(strongest_light(order, threads));
  set_up_cautions({order.scenario});
  end_resumably();
  return before;
}

}  // namespace

int dataset(const Arguments& arguments) {
  CommandLine line(
      "dataset SCENARIO... -n N -o DIR [--draw KEY=LAW]",
      "Makes N captures with their truth. Keys of the scenario's [draw] section and of --draw are drawn\n"
      "anew for each. DIR gets item-000000.h5 ..., labels.csv and index.h5 (one row an item), dataset.ini.\n"
      "Given again, the command makes what is missing; a larger N adds to it. Each item can be made again\n"
      "from its file alone: cohlink simulate item-000000.h5.");
  declare_options(line);
  if (!line.parse(arguments)) return kDone;
  const CommonOptions& options = line.common();
  const DatasetOrder order = read_order(line);
  const unsigned threads = thread_count(asked_threads(options, order.scenario), order.count);
  const std::uint64_t before = begin(order, threads, options.quiet);

  FftCache fft(planning_of(order.scenario));
  ProgressBar bar(options.quiet);
  std::mutex mutex;
  std::uint64_t made = 0;
  DatasetListener listener;
  listener.first = [&](const ItemCost& item) {
    tell_cost(order, item, order.count - before - 1, threads, options.quiet);
  };
  listener.made = [&] {
    const std::lock_guard lock(mutex);
    ++made;
    bar.show(static_cast<double>(made) / static_cast<double>(order.count - before),
             std::to_string(before + made) + " of " + std::to_string(order.count) + " items");
  };
  make_dataset(order, fft, threads, listener);
  bar.clear();
  const std::string labels = order.folder + "/labels.csv";
  print(std::cout,
        std::vector<Fact>{{"items", "items", order.count, grouped(order.count)},
                          {"made", "made now", made, grouped(made)},
                          {"folder", "folder", order.folder, order.folder},
                          {"labels", "labels", labels, labels + ", index.h5"}},
        options.format);
  return kDone;
}

}  // namespace cohlink
