#include "tools/study/search/margins_parts.h"

#include <algorithm>
#include <stdexcept>

#include "sim/signal/record/hdf5_write.h"
#include "tools/study/plan/numbers.h"
#include "tools/study/run/record.h"

namespace cohlink {
namespace {

constexpr const char* kPartKind = "cohlink margins part";

MarginsOrder read_order(const h5::File& file, const std::string& path) {
  MarginsOrder order;
  order.scenario.read_text(file.read_text("/scenario"), path + ":/scenario");
  order.criterion = parse_criterion(file.attribute_text("/", "criterion"), order.scenario);
  order.all = file.attribute_text("/", "all") == "yes";
  order.resolution = file.attribute_number("/", "resolution");
  order.frames = file.attribute_count("/", "frames");
  if (const std::string best = file.attribute_text("/", "optimise"); !best.empty())
    order.optimum = parse_optimum(best, order.scenario, path);
  return order;
}

}  // namespace

RunIdentity identity_of(const MarginsOrder& order) {
  RunIdentity identity = study_identity("margins", order.scenario);
  identity.emplace_back("--criterion", order.criterion.text());
  identity.emplace_back("--resolution", exact_decimal(order.resolution));
  identity.emplace_back("--all", order.all ? "yes" : "no");
  identity.emplace_back("--optimise", order.optimum ? optimum_text(*order.optimum) : "");
  return identity;
}

void write_margins_part(const MarginsOrder& order, const std::string& criterion,
                        const std::vector<std::string>& lines, const PartHead& head) {
  std::string records;
  for (std::size_t task = 0; task < lines.size(); ++task)
    if (is_of_part(task, head.part)) records += std::to_string(task) + " " + lines[task] + "\n";
  h5::create(head.path, [&](h5::NewFile& file) {
    write_part_head(file, kPartKind, head);
    file.attribute("/", "criterion", criterion);
    file.attribute("/", "all", std::string(order.all ? "yes" : "no"));
    file.attribute("/", "resolution", order.resolution);
    file.attribute("/", "frames", order.frames);
    file.attribute("/", "optimise", order.optimum ? optimum_text(*order.optimum) : std::string());
    file.write_text("/scenario", order.scenario.resolved());
    file.write_text("/records", records);
  });
}

bool is_margins_part(const std::string& path) { return file_kind(h5::File::open(path)) == kPartKind; }

MergedMargins merge_margins(const std::vector<std::string>& paths) {
  MergedMargins merged;
  std::vector<PartHead> heads;
  for (const std::string& path : paths) {
    const h5::File file =
        h5::File::open_sealed(path, "a part that was changed cannot be merged; compute it again");
    if (file_kind(file) != kPartKind) throw InputError(path, "is not a part of margins");
    heads.push_back(read_part_head(file, path));
    if (heads.size() == 1) merged.order = read_order(file, path);
    for (const std::string& record : lines_of(file.read_text("/records"))) try {
        std::string_view line = record;
        const std::size_t task = leading_number(line);
        if (task >= 100'000'000) throw std::invalid_argument("no such task");
        merged.lines.resize(std::max(merged.lines.size(), task + 1));
        merged.lines[task] = line;
      } catch (const std::invalid_argument&) {
        throw InputError(path, "data set /records has a line that is no record");
      }
  }
  check_parts(heads);
  merged.remark = rounding_remark(heads);
  return merged;
}

void check_lines(const MarginsPlan& plan, const MergedMargins& merged) {
  const bool whole = merged.lines.size() == plan.tasks() &&
                     std::none_of(merged.lines.begin(), merged.lines.end(),
                                  [](const std::string& line) { return line.empty(); });
  if (!whole)
    throw InputError("merge: the parts do not hold all pieces of these margins; compute them again");
}

}  // namespace cohlink
