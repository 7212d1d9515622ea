// The folder of a data set: what it says of itself, whose it is, and parts that come together.
#include <algorithm>
#include <cmath>
#include <cstdio>
#include <filesystem>
#include <fstream>
#include <sstream>

#include "sim/signal/record/atomic_file.h"
#include "sim/signal/record/seal.h"
#include "sim/signal/scenario/errors.h"
#include "sim/signal/scenario/strings.h"
#include "tools/study/files/dataset.h"
#include "tools/study/files/dataset_labels.h"
#include "tools/study/files/stack.h"
#include "tools/study/plan/numbers.h"

namespace cohlink {
namespace {

namespace fs = std::filesystem;

constexpr const char* kOrderFile = "dataset.ini";
// What is no scenario's stands in comments, so that the file is a scenario like any other.
constexpr std::string_view kSplit = "; split: ", kCorrelation = "; correlation: ", kForm = "; form: ";

std::string form_text(const DatasetForm& form) {
  const std::string crop = form.crop ? ", cropped" : "";
  switch (form.kind) {
    case DatasetForm::Kind::kFiles:
      return "files";
    case DatasetForm::Kind::kShards:
      return "shards:" + std::to_string(form.shard_items) + crop;
    case DatasetForm::Kind::kStacked:
      break;
  }
  return "stacked" + crop;
}

/// What the folder must have been made from; how it was computed does not matter.
std::string order_text(const DatasetOrder& order) {
  std::string text = recorded_scenario(order).resolved() + "\n[draw]\n";
  for (const Draw& draw : order.draws) text += draw.key + " = " + draw_text(draw) + "\n";
  for (const NormalCorrelation& c : order.correlations)
    text += std::string(kCorrelation) + correlation_text(c) + "\n";
  if (!order.splits.empty()) text += std::string(kSplit) + split_text(order.splits) + "\n";
  if (order.form.kind != DatasetForm::Kind::kFiles) text += std::string(kForm) + form_text(order.form) + "\n";
  return text;
}

std::string content(const fs::path& path) {
  std::ifstream file(path, std::ios::binary);
  std::ostringstream text;
  text << file.rdbuf();
  return text.str();
}

/// One more than the highest number of an item or shard among the folder's files.
std::uint64_t files_present(const std::string& folder, const char* pattern) {
  std::uint64_t end = 0;
  for (const auto& entry : fs::directory_iterator(folder)) {
    unsigned long long number = 0;
    int length = 0;
    const std::string name = entry.path().filename().string();
    if (std::sscanf(name.c_str(), pattern, &number, &length) == 1 &&
        static_cast<std::size_t>(length) == name.size())
      end = std::max<std::uint64_t>(end, number + 1);
  }
  return end;
}

void check_count(const DatasetOrder& order) {
  const bool shards = order.form.kind == DatasetForm::Kind::kShards;
  if (order.form.kind == DatasetForm::Kind::kStacked) return;
  const std::uint64_t present = files_present(order.folder, shards ? "shard-%llu.h5%n" : "item-%llu.h5%n");
  const std::uint64_t least = shards && present > 0 ? (present - 1) * order.form.shard_items + 1 : present;
  if (least > order.count)
    throw InputError(order.folder, "holds " + std::to_string(present) + (shards ? " shards" : " items") +
                                       ", whose labels a smaller set would lose; ask for at least " +
                                       std::to_string(least));
}

/// Lines of comments that begin with `mark`, without it.
std::vector<std::string> marked_lines(const std::string& text, std::string_view mark) {
  std::vector<std::string> lines;
  std::istringstream in(text);
  for (std::string line; std::getline(in, line);)
    if (line.starts_with(mark)) lines.push_back(line.substr(mark.size()));
  return lines;
}

/// A file of a part, in the folder of the whole as well.
void bring(const fs::path& from, const fs::path& to) {
  std::error_code error;
  if (fs::exists(to)) return;  // whether it is the same is seen when the items are checked
  fs::create_hard_link(from, to, error);
  if (!error) return;
  const fs::path beside = to.string() + ".part";
  fs::copy_file(from, beside, fs::copy_options::overwrite_existing, error);
  if (!error) fs::rename(beside, to, error);
  if (error) throw RunError(to.string(), "cannot be written: " + error.message());
}

}  // namespace

DatasetForm parse_form(const std::string& text, const std::string& origin) {
  DatasetForm form;
  const auto colon = text.find(':');
  const std::string name = text.substr(0, colon);
  if (name == "shards") form.kind = DatasetForm::Kind::kShards;
  if (name == "stacked") form.kind = DatasetForm::Kind::kStacked;
  if (form.kind == DatasetForm::Kind::kFiles && name != "files")
    throw InputError(as_given(origin, text), "expected files, shards, shards:ITEMS or stacked");
  if (colon == std::string::npos) return form;
  const auto items = parse_number(text.substr(colon + 1));
  if (name != "shards" || !items || !(*items >= 1.0 && *items <= 1e6) || *items != std::floor(*items))
    throw InputError(as_given(origin, text), "shards alone take a number of items, 1 to 1,000,000");
  form.shard_items = static_cast<std::uint64_t>(*items);
  return form;
}

DatasetOrder read_order(const std::string& folder) {
  const std::string path = (fs::path(folder) / kOrderFile).string();
  if (!fs::is_regular_file(path)) throw InputError(folder, "is no folder of a data set (no dataset.ini)");
  DatasetOrder order;
  order.scenario.read_file(path);
  const std::string text = content(path);
  order.draws = read_draws(order.scenario, {});
  for (const auto& line : marked_lines(text, kCorrelation))
    order.correlations.push_back(parse_correlation(line, path));
  correlate(order.draws, order.correlations, path);
  for (const auto& line : marked_lines(text, kSplit)) order.splits = parse_splits(line);
  for (const auto& line : marked_lines(text, kForm)) {
    const auto comma = line.find(", cropped");
    order.form = parse_form(line.substr(0, comma), path);
    order.form.crop = comma != std::string::npos;
  }
  order.folder = folder;
  return order;
}

bool has_file(const DatasetOrder& order, std::uint64_t first) {
  const fs::path path = fs::path(order.folder) / file_of(order, first);
  std::error_code error;
  if (!fs::exists(path, error)) return false;
  if (!fs::is_regular_file(path, error)) return true;  // and said to be no item when it is read
  return fs::file_size(path, error) > 0 && (!order.repair || seal_in(path.string()) == Seal::kWhole);
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
  check_count(order);
  std::uint64_t there = 0;
  const std::uint64_t each = items_a_file(order);
  for (std::uint64_t first = 0, file = 0; first < order.count; first += each, ++file)
    if (file % order.part.count == order.part.number - 1 && has_file(order, first))
      there += std::min(each, order.count - first);
  return there;
}

DatasetOrder join_datasets(const std::vector<std::string>& folders, const std::string& target) {
  DatasetOrder order = read_order(folders.front());
  const std::string wanted = content(fs::path(folders.front()) / kOrderFile);
  if (order.form.kind == DatasetForm::Kind::kStacked)
    throw InputError(folders.front(), "is one stack, which has no parts");
  const bool shards = order.form.kind == DatasetForm::Kind::kShards;
  for (const auto& folder : folders) {
    read_order(folder);
    if (content(fs::path(folder) / kOrderFile) != wanted)
      throw InputError(folder, "holds a data set of another scenario, seed or draws than " + folders.front());
    order.count = std::max(order.count, files_present(folder, shards ? "shard-%llu.h5%n" : "item-%llu.h5%n"));
  }
  std::vector<std::pair<fs::path, std::string>> files;
  for (std::uint64_t file = 0; file < order.count; ++file) {
    const std::string name = file_of(order, file * items_a_file(order));
    const auto found = std::find_if(folders.begin(), folders.end(),
                                    [&](const auto& f) { return fs::exists(fs::path(f) / name); });
    if (found == folders.end()) throw InputError(name, "is in none of these folders");
    files.emplace_back(fs::path(*found) / name, name);
  }
  if (files.empty()) throw InputError(folders.front(), "holds no items yet");
  order.folder = target;
  if (shards)  // the last may be shorter
    order.count = (order.count - 1) * order.form.shard_items +
                  read_stack_labels(files.back().first.string(), "make it again").rows();
  open_dataset(order);
  for (const auto& [from, name] : files) bring(from, fs::path(target) / name);
  return order;
}

}  // namespace cohlink
