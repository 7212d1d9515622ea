#include "tools/study/files/split.h"

#include <algorithm>
#include <cmath>

#include "sim/signal/random.h"
#include "sim/signal/scenario/errors.h"
#include "sim/signal/scenario/strings.h"
#include "tools/study/plan/numbers.h"

namespace cohlink {
namespace {

bool is_name(const std::string& text) {
  constexpr std::string_view kPlain = "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789-_";
  return !text.empty() && text.find_first_not_of(kPlain) == std::string::npos;
}

}  // namespace

std::vector<Split> parse_splits(const std::string& text) {
  std::vector<Split> splits;
  double sum = 0.0;
  for (const std::string& part : split(text, ',')) {
    const auto colon = part.find(':');
    const std::string name = trim(part.substr(0, colon));
    const double share =
        colon == std::string::npos ? 0.0 : parse_number(trim(part.substr(colon + 1))).value_or(0.0);
    if (!is_name(name) || !(share > 0.0))
      throw InputError("split " + part, "expected NAME:SHARE, a share above 0");
    if (std::any_of(splits.begin(), splits.end(), [&](const Split& other) { return other.name == name; }))
      throw InputError("split " + name, "named twice");
    splits.push_back({name, share});
    sum += share;
  }
  if (!splits.empty() && std::abs(sum - 1.0) > 1e-9)
    throw InputError("split " + text, "the shares add up to " + short_decimal(sum) + ", not to 1");
  return splits;
}

std::string split_text(const std::vector<Split>& splits) {
  std::string text;
  for (const Split& s : splits) text += (text.empty() ? "" : ",") + s.name + ":" + exact_decimal(s.share);
  return text;
}

std::string split_of(const std::vector<Split>& splits, std::uint64_t seed, std::uint64_t number) {
  if (splits.empty()) return "";
  double left = RandomStreams(seed, number).stream("dataset-split").uniform();
  for (const Split& s : splits)
    if ((left -= s.share) < 0.0) return s.name;
  return splits.back().name;
}

}  // namespace cohlink
