#include "tools/study/run/sweep_parts.h"

#include <algorithm>
#include <map>

#include "sim/signal/record/hdf5.h"
#include "sim/signal/version.h"
#include "tools/study/plan/arithmetic.h"
#include "tools/study/plan/fingerprint.h"
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

std::string identity_text(const RunIdentity& identity) {
  std::string text;
  for (const auto& [name, content] : identity) text += name + "=" + fingerprint(content).text() + "\n";
  return text;
}

struct PartFile {
  std::string path;
  SweepOrder order;
  Part part;
  std::string identity, arithmetic;
  std::vector<std::string> records, references;
};

PartFile read_part(const std::string& path) {
  const h5::File file =
      h5::File::open_sealed(path, "a part that was changed cannot be merged; compute it again");
  if (!file.has_attribute("/", "kind") || file.attribute_text("/", "kind") != kPartKind)
    throw InputError(path, "is not a part of a sweep");
  PartFile found;
  found.path = path;
  found.part = {file.attribute_count("/", "part"), file.attribute_count("/", "parts")};
  if (found.part.number < 1 || found.part.number > found.part.count)
    throw InputError(path, "is part " + std::to_string(found.part.number) + " of " +
                               std::to_string(found.part.count) + ", which no part is");
  found.identity = file.read_text("/identity");
  Scenario base;
  base.read_text(file.read_text("/scenario"), path + ":/scenario");
  found.order.plan = make_plan(base, parse_vary(lines_of(file.read_text("/vary"))),
                               file.attribute_text("/", "common_noise") == "yes");
  set_measure(found.order, file.attribute_text("/", "measure"));
  found.order.reference = file.attribute_text("/", "reference");
  found.records = lines_of(file.read_text("/records"));
  found.references = lines_of(file.read_text("/references"));
  found.arithmetic = file.read_text("/arithmetic");
  return found;
}

/// Which lines of two identities differ.
std::string unlike(const std::string& a, const std::string& b) {
  std::string names;
  const auto left = lines_of(a), right = lines_of(b);
  for (std::size_t i = 0; i < std::min(left.size(), right.size()); ++i)
    if (left[i] != right[i]) names += (names.empty() ? "" : ", ") + left[i].substr(0, left[i].find('='));
  return names.empty() ? "format" : names;
}

void check_parts(const std::vector<PartFile>& parts) {
  const PartFile& first = parts.front();
  std::map<std::size_t, const PartFile*> seen;
  for (const PartFile& p : parts) {
    if (p.identity != first.identity)
      throw InputError(p.path, "is not of the same sweep as " + first.path + " (" +
                                   unlike(p.identity, first.identity) + " differs)");
    if (const auto [before, added] = seen.emplace(p.part.number, &p); !added)
      throw InputError(p.path,
                       "is part " + std::to_string(p.part.number) + ", as is " + before->second->path);
  }
  std::string missing;
  constexpr std::size_t kMostNamed = 100;
  for (std::size_t k = 1, named = 0; k <= first.part.count && named < kMostNamed; ++k)
    if (seen.count(k) == 0 && ++named > 0)
      missing += (missing.empty() ? "" : ", ") + std::to_string(k) + "/" + std::to_string(first.part.count);
  if (!missing.empty()) throw InputError("merge: missing " + missing);
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
  h5::File::create(path, [&](h5::File& file) {
    file.attribute("/", "kind", std::string(kPartKind));
    file.attribute("/", "format", 1.0);
    file.attribute("/", "version", std::string(version().number));
    file.attribute("/", "git_hash", std::string(version().git_hash));
    file.attribute("/", "part", static_cast<double>(part.number));
    file.attribute("/", "parts", static_cast<double>(part.count));
    file.attribute("/", "measure", measure_name(order));
    file.attribute("/", "reference", order.reference);
    file.attribute("/", "common_noise", std::string(order.plan.common_noise ? "yes" : "no"));
    file.write_text("/scenario", order.plan.base.resolved());
    file.write_text("/vary", vary);
    file.write_text("/identity", identity_text(common_identity(order, part)));
    file.write_text("/records", lines);
    file.write_text("/references", references);
    file.write_text("/arithmetic", records.arithmetic);
  });
}

Merged merge_parts(const std::vector<std::string>& paths) {
  std::vector<PartFile> parts;
  for (const auto& path : paths) parts.push_back(read_part(path));
  if (parts.empty()) throw InputError("merge needs the files of all parts");
  check_parts(parts);
  Merged merged;
  merged.order = std::move(parts.front().order);
  const SweepPlan& plan = merged.order.plan;
  const bool searched = merged.order.searches();
  merged.records.tallies.assign(searched ? 0 : plan.points.size(), Tally(StopRule{}));
  merged.records.found.resize(searched ? plan.points.size() : 0);
  const bool penalty = merged.order.measure == SweepMeasure::kPenalty;
  merged.records.references.resize(penalty ? plan.points.size() : 0);
  for (const PartFile& p : parts) {
    if (const auto what = unlike_arithmetic(parts.front().arithmetic, p.arithmetic); !what.empty())
      merged.remark = arithmetic_remark(parts.front().path + " and " + p.path, what);
    const auto points = points_of(plan, p.part);
    if (points.size() != p.records.size() || (penalty && points.size() != p.references.size()))
      throw InputError(p.path, "holds " + std::to_string(p.records.size()) + " points where its part has " +
                                   std::to_string(points.size()));
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
        throw InputError(p.path, "data set /records has no record in line " + std::to_string(i + 1));
      }
  }
  return merged;
}

}  // namespace cohlink
