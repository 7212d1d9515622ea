// cohlink dataset: labelled captures with drawn parameters.
#include "tools/cohlink/dataset.h"

#include <algorithm>
#include <chrono>
#include <exception>
#include <filesystem>
#include <iostream>
#include <mutex>

#include "sim/link.h"
#include "sim/link_setup.h"
#include "sim/optical_path.h"
#include "tools/cohlink/command_line.h"
#include "tools/cohlink/commands.h"
#include "tools/cohlink/console.h"
#include "tools/cohlink/refusals.h"
#include "tools/cohlink/resume.h"
#include "tools/study/files/dataset_labels.h"
#include "tools/study/parts/ranks.h"
#include "tools/study/plan/numbers.h"
#include "tools/study/plan/ties.h"
#include "tools/study/run/executor.h"
#include "tools/study/run/rank_frames.h"

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
void tell_cost(std::uint64_t items, const ItemCost& item, std::uint64_t left, unsigned threads, bool quiet) {
  if (left == 0) return;
  const double megabytes = 1e-6 * static_cast<double>(item.bytes);
  note(quiet, "about " + readable(static_cast<double>(items) * megabytes, 3) + " MB in all, " +
                  readable(megabytes, 3) + " MB an item; about " +
                  duration_text(static_cast<double>(left) * item.seconds / threads) + " to go");
}

/// Stacks are laid in memory before they are written.
void refuse_large_stacks(const DatasetOrder& order) {
  if (order.form.kind == DatasetForm::Kind::kFiles) return;
  constexpr double kMost = 4e9;
  const Scenario scenario = item_scenario(order, 0);
  const auto symbols = static_cast<double>(scenario.integer("signal.symbols"));
  const LinkSetup setup = link_setup(scenario);
  const double samples = symbols * setup.adc.sample_rate / setup.transmitter.pulse.symbol_rate;
  const double bytes =
      static_cast<double>(std::min(order.count, items_a_file(order))) * (8.0 * samples + 18.0 * symbols);
  if (bytes > kMost)
    throw InputError("--form: a file of " + readable(bytes / 1e9, 3) +
                     " GB would be laid in memory; give --form shards:ITEMS, at most 4 GB each");
}

/// An earlier data set in the place of a scenario: everything as it was asked for then.
DatasetOrder given_again(const CommandLine& line) {
  line.refuse({"set", "tie", "seed", "draw", "correlate", "split", "form", "crop"},
              "a data set's folder in the place of the scenario says all of it");
  return read_order(line.common().files.front());
}

DatasetOrder order_of(const CommandLine& line) {
  const CommonOptions& options = line.common();
  if (options.files.empty()) throw InputError("dataset needs a scenario file, or the folder of a data set");
  DatasetOrder order;
  if (options.files.size() == 1 && std::filesystem::is_directory(options.files.front())) {
    order = given_again(line);
  } else {
    order.scenario = layered(Scenario(), options.files, options);
    const auto laws = take_ties(order.scenario, line.texts("draw"), "--draw");
    order.draws = read_draws(order.scenario, laws, "--draw");
    for (const auto& text : line.texts("correlate"))
      order.correlations.push_back(parse_correlation(text, "--correlate"));
    correlate(order.draws, order.correlations, "--correlate");
    if (line.has("split")) order.splits = parse_splits(line.text("split"));
    if (line.has("form")) order.form = parse_form(line.text("form"), "--form");
    order.form.crop = line.has("crop");
    if (order.form.crop && order.form.kind == DatasetForm::Kind::kFiles)
      throw InputError("--crop: goes with --form shards or stacked; files keep their own lengths");
  }
  if (line.has("part")) order.part = parse_part(line.text("part"), "--part");
  if (order.part.count > 1 && order.form.kind == DatasetForm::Kind::kStacked)
    throw InputError("--part: one stack has no parts; give --form shards");
  order.measure = line.has("measure");
  order.repair = line.has("repair");
  if (!order.repair) order.remedy += " (--repair: all that are damaged)";
  return order;
}

/// One item made again, from what the data set says of itself.
int make_one(const DatasetOrder& order, std::uint64_t number, const CommonOptions& options) {
  check_output(options.output, options.files);
  FftCache fft(planning_of(order.scenario));
  write_capture(Link(item_scenario(order, number), fft)(0), options.output);
  print(std::cout, std::vector<Fact>{{"written", "written", options.output, options.output}}, options.format);
  return kDone;
}

/// How the items come along, on standard error.
class Telling {
 public:
  Telling(const DatasetOrder& order, const CommonOptions& options, std::uint64_t before, unsigned threads)
      : bar_(options.quiet),
        items_(items_of_part(order)),
        before_(before),
        threads_(threads),
        quiet_(options.quiet) {}
  DatasetListener listener() {
    return {[this](const ItemCost& item) {
              tell_cost(items_, item, items_ - std::min(items_, before_ + 1), threads_, quiet_);
            },
            [this] {
              const std::lock_guard lock(mutex_);
              ++made_;
              bar_.show(static_cast<double>(made_) /
                            static_cast<double>(std::max(made_, items_ - std::min(items_, before_))),
                        std::to_string(before_ + made_) + " of " + std::to_string(items_) + " items");
            }};
  }
  std::uint64_t end() {
    bar_.clear();
    return made_;
  }

 private:
  ProgressBar bar_;
  std::mutex mutex_;
  std::uint64_t items_, before_, made_ = 0;
  unsigned threads_;
  bool quiet_;
};

void show(const DatasetOrder& order, std::uint64_t made, double seconds, const CommonOptions& options) {
  const std::uint64_t items = items_of_part(order);
  const double rate = made > 0 ? static_cast<double>(made) / seconds : 0.0;
  print(std::cout,
        std::vector<Fact>{
            {"items", "items", items, grouped(items)},
            {"made", "made now", made,
             grouped(made) +
                 (made > 0 && !options.quiet ? ", " + readable(rate, 3) + " captures a second" : "")},
            {"folder", "folder", order.folder, order.folder},
            {"labels", "labels", labels_path(order), labels_path(order) + " and its index"}},
        options.format);
}

/// Everything that may be wrong or worth a word, before any work. How many items are there already.
std::uint64_t begin(const DatasetOrder& order, const CommonOptions& options, unsigned threads) {
  check_items(order, threads);
  const std::uint64_t before = open_dataset(order);
  if (before > 0)
    note(options.quiet,
         grouped(before) + " of " + grouped(items_of_part(order)) + " items are there already");
  if (order.draws.empty()) note(options.quiet, "nothing is drawn: only data and noise differ between items");
  light_hazard_caution(strongest_light(order, threads));
  set_up_cautions({order.scenario});
  end_resumably();
  return before;
}

using Clock = std::chrono::steady_clock;
double seconds_since(Clock::time_point start) {
  return std::chrono::duration<double>(Clock::now() - start).count();
}

/// Makes what is missing, telling how it comes along.
int make_all(const DatasetOrder& order, const CommonOptions& options) {
  const unsigned threads = thread_count(asked_threads(options, order.scenario), order.count);
  Telling telling(order, options, begin(order, options, threads), threads);
  FftCache fft(planning_of(order.scenario));
  const auto start = Clock::now();
  make_dataset(order, fft, threads, telling.listener());
  const double took = seconds_since(start);
  show(order, telling.end(), took, options);
  return kDone;
}

/// A rank's part of the files, in the folder that all share; what went wrong, if anything.
std::exception_ptr make_share(DatasetOrder order, const CommonOptions& options, unsigned threads) {
  order.part = {static_cast<std::size_t>(world().rank) + 1, static_cast<std::size_t>(world().size)};
  try {
    FftCache fft(planning_of(order.scenario));
    CommonOptions told = options;
    told.quiet = options.quiet || !world().leads();
    Telling telling(order, told, open_dataset(order), threads);
    make_dataset(order, fft, threads, telling.listener());
    telling.end();
    return nullptr;
  } catch (...) {
    return std::current_exception();
  }
}

/// The same by all ranks: each makes its part, then rank 0 looks through the whole and orders its labels.
int make_by_ranks(const DatasetOrder& order, const CommonOptions& options) {
  if (order.part.count > 1) throw InputError("--part: not under mpirun, which gives each rank a part");
  if (order.form.kind == DatasetForm::Kind::kStacked)
    throw InputError("--form stacked: one stack is one process's work; give --form shards");
  const unsigned threads = threads_of_rank(asked_threads(options, order.scenario), order.count);
  const std::uint64_t before = world().leads() ? begin(order, options, threads) : 0;
  if (!all_go_on(true)) {
    if (!world().leads()) return kDone;
    throw RunError("another rank could not start");
  }
  const auto start = Clock::now();
  const std::exception_ptr failure = make_share(order, options, threads);
  const bool whole = all_go_on(failure == nullptr);
  if (failure) std::rethrow_exception(failure);
  if (!world().leads()) return whole ? kDone : kRunFailed;
  if (!whole) throw RunError("another rank could not make its items; the same command goes on from here");
  const double took = seconds_since(start);
  open_dataset(order);
  make_dataset(order, FftCache(planning_of(order.scenario)), threads, {[](const ItemCost&) {}, [] {}});
  show(order, order.count - before, took, options);
  return kDone;
}

void declare_options(CommandLine& line) {
  namespace po = boost::program_options;
  line.own()("items,n", po::value<std::string>()->value_name("N"), "how many captures")(
      "output,o", po::value<std::string>()->value_name("DIR"), "the folder; made when it is not there")(
      "draw", po::value<std::vector<std::string>>()->composing()->value_name("KEY=LAW"),
      "a:b (uniform), log:a:b, normal:mean:deviation, maxwell:mean, choice:v1|v2, or what it follows as in "
      "--tie (17*fibre.span_length_km); once a key; replaces its law in the scenario's [draw] section")(
      "split", po::value<std::string>()->value_name("NAME:SHARE,..."),
      "parts to keep apart, train:0.8,validation:0.1,test:0.1: a column of the labels, drawn by the seed")(
      "correlate", po::value<std::vector<std::string>>()->composing()->value_name("KEY,KEY=RHO"),
      "correlation coefficient of two keys drawn by normal laws; once a pair")(
      "form", po::value<std::string>()->value_name("FORM"),
      "files (one an item), shards or shards:ITEMS (files of 1,000 items or so many), stacked (one file): "
      "arrays of equal length, shorter items filled up with 0")(
      "crop", "shards and stacked: cut to the shortest item of the file instead")(
      "part", po::value<std::string>()->value_name("k/n"),
      "every n-th file alone, from the k-th, for batch systems; 'cohlink merge' joins their folders, and "
      "parts "
      "may share one")("measure", "receive each item: columns received_snr_db, received_ber, received_lock")(
      "repair", "make damaged files again, as a loss of power may leave them; else they are an error")(
      "item", po::value<std::string>()->value_name("NUMBER"),
      "make this item alone again, as the capture -o");
}

}  // namespace

int merge_datasets(const CommandLine& line) {
  const CommonOptions& options = line.common();
  if (options.output.empty()) throw InputError("merge of data sets needs -o DIR");
  return make_all(join_datasets(options.files, options.output), options);
}

int dataset(const Arguments& arguments) {
  CommandLine line(
      "dataset SCENARIO...|DIR -n N -o DIR [--draw KEY=LAW]",
      "Makes N captures with their truth. Keys of the scenario's [draw] section and of --draw are drawn "
      "anew\n"
      "for each. DIR gets item-000000.h5 ..., labels.csv and index.h5 (one row an item), dataset.ini. Given\n"
      "again, the command makes what is missing; a larger N adds to it. Each item can be made again from "
      "its\n"
      "file alone (cohlink simulate item-000000.h5), or from what the folder says of itself (--item).");
  declare_options(line);
  if (!line.parse(arguments)) return kDone;
  const CommonOptions& options = line.common();
  if (options.output.empty()) throw InputError("dataset needs -o DIR");
  DatasetOrder order = order_of(line);
  refuse_recording(order.scenario);
  refuse_untouched_draws(order.draws);
  if (world().leads()) caution_unread(order.scenario, keys_of(order.draws));
  if (line.has("item")) {
    line.refuse({"items", "part", "measure", "repair"}, "--item makes one capture alone");
    leave_ranks();
    return !world().leads() ? kDone : make_one(order, line.count("item").value_or(0), options);
  }
  order.count = line.count("items", 1).value_or(0);
  order.folder = options.output;
  if (order.count == 0) throw InputError("dataset needs -n N, 1 or more");
  if (order.count > 1'000'000) throw InputError("-n: at most 1,000,000 captures in one folder");
  refuse_large_stacks(order);
  return world().size > 1 ? make_by_ranks(order, options) : make_all(order, options);
}

}  // namespace cohlink
