#include "rx/chain.h"

#include <algorithm>

namespace cohlink {
namespace {

// The signal's sampling along the chain.
enum class Rate { kAdc, kTwo, kOne };

struct BlockRule {
  const char* name;
  Rate needs, leaves;
  const char* reason;  // why it needs that
};

const std::vector<BlockRule>& rules() {
  static const std::vector<BlockRule> table = {
      {"orthonormalise", Rate::kAdc, Rate::kAdc,
       "corrects the hybrids' I and Q lanes and must come before any block that mixes them or changes the "
       "rate"},
      {"resample", Rate::kAdc, Rate::kTwo,
       "turns the ADC's rate into two samples a symbol and can come only once, first of those that need "
       "them"},
      {"dispersion", Rate::kTwo, Rate::kTwo, "works at two samples a symbol"},
      {"matched-filter", Rate::kTwo, Rate::kTwo, "works at two samples a symbol"},
      {"equaliser", Rate::kTwo, Rate::kOne, "takes two samples a symbol and gives one"},
      {"genie-polarisation", Rate::kTwo, Rate::kTwo, "works at two samples a symbol"},
      {"decimate", Rate::kTwo, Rate::kOne, "takes two samples a symbol and gives one"},
      {"frequency", Rate::kOne, Rate::kOne, "works on symbols, one sample each"},
      {"phase", Rate::kOne, Rate::kOne, "works on symbols, one sample each"},
  };
  return table;
}

const BlockRule* find_rule(const std::string& name) {
  const auto rule =
      std::find_if(rules().begin(), rules().end(), [&](const BlockRule& r) { return name == r.name; });
  return rule == rules().end() ? nullptr : &*rule;
}

const char* rate_name(Rate rate) {
  switch (rate) {
    case Rate::kAdc:
      return "the ADC's rate";
    case Rate::kTwo:
      return "two samples a symbol";
    case Rate::kOne:
      break;
  }
  return "one sample a symbol";
}

}  // namespace

const std::vector<std::string>& chain_blocks() {
  static const std::vector<std::string> names = [] {
    std::vector<std::string> all;
    for (const auto& rule : rules()) all.emplace_back(rule.name);
    return all;
  }();
  return names;
}

std::string chain_fault(const std::vector<std::string>& chain) {
  Rate rate = Rate::kAdc;
  for (std::size_t i = 0; i < chain.size(); ++i) {
    const BlockRule* rule = find_rule(chain[i]);
    if (rule == nullptr) {
      std::string known;
      for (const auto& name : chain_blocks()) known += (known.empty() ? "" : ", ") + name;
      return "there is no block '" + chain[i] + "'; the blocks are " + known;
    }
    const auto before = chain.begin() + static_cast<std::ptrdiff_t>(i);
    if (std::find(chain.begin(), before, chain[i]) != before) return chain[i] + " stands twice";
    if (rule->needs != rate) return chain[i] + " " + rule->reason + "; here it would get " + rate_name(rate);
    if (chain[i] == "frequency" && std::find(chain.begin(), before, "phase") != before)
      return "frequency must come before phase, which can only follow a slow phase";
    rate = rule->leaves;
  }
  if (rate != Rate::kOne)
    return std::string("it ends at ") + rate_name(rate) +
           "; equaliser or decimate must bring it to one a symbol";
  return "";
}

}  // namespace cohlink
