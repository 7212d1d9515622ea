#include "tools/study/parts/part_file.h"

#include <algorithm>
#include <charconv>
#include <map>

#include "sim/signal/record/hdf5_write.h"
#include "sim/signal/scenario/strings.h"
#include "sim/signal/version.h"
#include "tools/study/plan/arithmetic.h"
#include "tools/study/plan/fingerprint.h"
#include "tools/study/run/record.h"

namespace cohlink {
namespace {

/// Which lines of two identities differ.
std::string unlike(const std::string& a, const std::string& b) {
  std::string names;
  const auto left = lines_of(a), right = lines_of(b);
  for (std::size_t i = 0; i < std::min(left.size(), right.size()); ++i)
    if (left[i] != right[i]) names += (names.empty() ? "" : ", ") + left[i].substr(0, left[i].find('='));
  return names.empty() ? "format" : names;
}

}  // namespace

Part parse_part(const std::string& text, const std::string& origin) {
  Part part;
  const auto slash = text.find('/');
  const auto read = [&](const std::string& digits, std::size_t& value) {
    const auto [end, error] = std::from_chars(digits.data(), digits.data() + digits.size(), value);
    return error == std::errc{} && end == digits.data() + digits.size();
  };
  if (slash == std::string::npos || !read(text.substr(0, slash), part.number) ||
      !read(text.substr(slash + 1), part.count) || part.number < 1 || part.number > part.count)
    throw InputError(as_given(origin, text), "expected k/n, k from 1 to n");
  return part;
}

std::string identity_text(const RunIdentity& identity) {
  std::string text;
  for (const auto& [name, content] : identity) text += name + "=" + fingerprint(content).text() + "\n";
  return text;
}

std::string file_kind(const h5::File& file) {
  return file.has_attribute("/", "kind") ? file.attribute_text("/", "kind") : "";
}

void write_part_head(h5::NewFile& file, const std::string& kind, const PartHead& head) {
  file.attribute("/", "kind", kind);
  file.attribute("/", "format", 1.0);
  file.attribute("/", "version", std::string(version().number));
  file.attribute("/", "git_hash", std::string(version().git_hash));
  file.attribute("/", "part", static_cast<double>(head.part.number));
  file.attribute("/", "parts", static_cast<double>(head.part.count));
  file.write_text("/identity", head.identity);
  file.write_text("/arithmetic", head.arithmetic);
}

PartHead read_part_head(const h5::File& file, const std::string& path) {
  PartHead head;
  head.path = path;
  head.part = {file.attribute_count("/", "part"), file.attribute_count("/", "parts")};
  if (head.part.number < 1 || head.part.number > head.part.count)
    throw InputError(path, "is part " + std::to_string(head.part.number) + " of " +
                               std::to_string(head.part.count) + ", which no part is");
  head.identity = file.read_text("/identity");
  head.arithmetic = file.read_text("/arithmetic");
  return head;
}

void check_parts(const std::vector<PartHead>& parts) {
  if (parts.empty()) throw InputError("merge needs the files of all parts");
  const PartHead& first = parts.front();
  std::map<std::size_t, const PartHead*> seen;
  for (const PartHead& p : parts) {
    if (p.identity != first.identity)
      throw InputError(p.path, "is not of the same study as " + first.path + " (" +
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

std::string rounding_remark(const std::vector<PartHead>& parts) {
  std::string remark;
  for (const PartHead& part : parts)
    if (const auto what = unlike_arithmetic(parts.front().arithmetic, part.arithmetic); !what.empty())
      remark = arithmetic_remark(parts.front().path + " and " + part.path, what);
  return remark;
}

}  // namespace cohlink
