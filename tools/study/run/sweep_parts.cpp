#include "tools/study/run/sweep_parts.h"

#include <stdexcept>

#include "sim/signal/record/hdf5.h"
#include "sim/signal/record/hdf5_write.h"
#include "tools/study/run/record.h"

namespace cohlink {
namespace {

constexpr const char* kPartKind = "cohlink sweep part";

/// What must agree between the parts of one sweep.
RunIdentity common_identity(const SweepOrder& order, const Part& part) {
  RunIdentity identity = identity_of(order, {1, part.count});
  identity.back().first = "number of parts";
  return identity;
}

struct PartFile {
  PartHead head;
  SweepOrder order;
  std::vector<std::string> records, references;
};

PartFile read_part(const std::string& path) {
  const h5::File file =
      h5::File::open_sealed(path, "a part that was changed cannot be merged; compute it again");
  if (file_kind(file) != kPartKind) throw InputError(path, "is not a part of a sweep");
  PartFile found;
  found.head = read_part_head(file, path);
  Scenario base;
  base.read_text(file.read_text("/scenario"), path + ":/scenario");
  found.order.plan = make_plan(base, parse_vary(lines_of(file.read_text("/vary"))),
                               file.attribute_text("/", "common_noise") == "yes");
  set_measure(found.order, file.attribute_text("/", "measure"));
  found.order.reference = file.attribute_text("/", "reference");
  found.records = lines_of(file.read_text("/records"));
  found.references = lines_of(file.read_text("/references"));
  return found;
}

}  // namespace

void write_part(const SweepOrder& order, const SweepRecords& records, const Part& part,
                const std::string& path) {
  std::string vary, lines, references;
  for (const Axis& axis : order.plan.axes) vary += vary_text(axis) + "\n";
  for (const Tally& tally : records.tallies)
    lines += std::to_string(tally.frames()) + " " + to_line(tally.total()) + "\n";
  for (const RequiredOsnr& found : records.found) lines += to_line(found) + "\n";
  for (const RequiredOsnr& reference : records.references) references += to_line(reference) + "\n";
  h5::create(path, [&](h5::NewFile& file) {
    write_part_head(file, kPartKind,
                    {path, part, identity_text(common_identity(order, part)), records.arithmetic});
    file.attribute("/", "measure", measure_name(order));
    file.attribute("/", "reference", order.reference);
    file.attribute("/", "common_noise", std::string(order.plan.common_noise ? "yes" : "no"));
    file.write_text("/scenario", order.plan.base.resolved());
    file.write_text("/vary", vary);
    file.write_text("/records", lines);
    file.write_text("/references", references);
  });
}

Merged merge_parts(const std::vector<std::string>& paths) {
  std::vector<PartFile> parts;
  for (const auto& path : paths) parts.push_back(read_part(path));
  std::vector<PartHead> heads;
  for (const PartFile& p : parts) heads.push_back(p.head);
  check_parts(heads);
  Merged merged;
  merged.remark = rounding_remark(heads);
  merged.order = std::move(parts.front().order);
  const SweepPlan& plan = merged.order.plan;
  const bool searched = merged.order.searches();
  merged.records.tallies.assign(searched ? 0 : plan.points.size(), Tally(StopRule{}));
  merged.records.found.resize(searched ? plan.points.size() : 0);
  const bool penalty = merged.order.measure == SweepMeasure::kPenalty;
  merged.records.references.resize(penalty ? plan.points.size() : 0);
  for (const PartFile& p : parts) {
    const auto points = points_of(plan, p.head.part);
    if (points.size() != p.records.size() || (penalty && points.size() != p.references.size()))
      throw InputError(p.head.path, "holds " + std::to_string(p.records.size()) +
                                        " points where its part has " + std::to_string(points.size()));
    for (std::size_t i = 0; i < points.size(); ++i) try {
        std::string_view line = p.records[i];
        if (!searched) {
          const std::uint64_t frames = leading_number(line);
          merged.records.tallies[points[i]] =
              Tally::counted(plan.points[points[i]].stop, frames, frame_result_from(line));
        } else {
          merged.records.found[points[i]] = required_osnr_from(line);
          if (penalty) merged.records.references[points[i]] = required_osnr_from(p.references[i]);
        }
      } catch (const std::invalid_argument&) {
        throw InputError(p.head.path, "data set /records has no record in line " + std::to_string(i + 1));
      }
  }
  return merged;
}

}  // namespace cohlink
