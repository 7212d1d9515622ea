#include "rx/chain/chain.h"

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
      {"deskew", Rate::kAdc, Rate::kAdc,
       "moves the ADC's lanes and must come before any block that mixes them or changes the rate"},
      {"orthonormalise", Rate::kAdc, Rate::kAdc,
       "corrects the hybrids' I and Q lanes and must come before any block that mixes them or changes the "
       "rate"},
      {"resample", Rate::kAdc, Rate::kTwo,
       "turns the ADC's rate into two samples a symbol and can come only once, first of those that need "
       "them"},
      {"dispersion", Rate::kTwo, Rate::kTwo, "works at two samples a symbol"},
      {"back-propagation", Rate::kTwo, Rate::kTwo, "works at two samples a symbol"},
      {"clock", Rate::kTwo, Rate::kTwo, "works at two samples a symbol"},
      {"matched-filter", Rate::kTwo, Rate::kTwo, "works at two samples a symbol"},
      {"equaliser", Rate::kTwo, Rate::kOne, "takes two samples a symbol and gives one"},
      {"genie-polarisation", Rate::kTwo, Rate::kTwo, "works at two samples a symbol"},
      {"decimate", Rate::kTwo, Rate::kOne, "takes two samples a symbol and gives one"},
      {"frequency", Rate::kOne, Rate::kOne, "works at two samples a symbol (coarse) or on symbols (fine)"},
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

namespace {

bool stands_before(const std::vector<std::string>& chain, std::size_t i, const std::string& name) {
  const auto end = chain.begin() + static_cast<std::ptrdiff_t>(i);
  return std::find(chain.begin(), end, name) != end;
}

std::string unknown_block(const std::string& name) {
  std::string known;
  for (const auto& block : chain_blocks()) known += (known.empty() ? "" : ", ") + block;
  return "there is no block '" + name + "'; the blocks are " + known;
}

}  // namespace

bool is_coarse_frequency(const std::vector<std::string>& chain, std::size_t i) {
  return chain[i] == "frequency" && !stands_before(chain, i, "equaliser") &&
         !stands_before(chain, i, "decimate");
}

std::string chain_fault(const std::vector<std::string>& chain) {
  Rate rate = Rate::kAdc;
  bool coarse_done = false, fine_done = false;
  for (std::size_t i = 0; i < chain.size(); ++i) {
    const BlockRule* rule = find_rule(chain[i]);
    if (rule == nullptr) return unknown_block(chain[i]);
    if (chain[i] == "frequency") {
      if (rate == Rate::kAdc) return chain[i] + " " + rule->reason + "; here it would get " + rate_name(rate);
      bool& done = rate == Rate::kTwo ? coarse_done : fine_done;
      if (done) return std::string("frequency stands twice at ") + rate_name(rate);
      if (stands_before(chain, i, "phase"))
        return "frequency must come before phase, which can only follow a slow phase";
      done = true;
      continue;
    }
    if (stands_before(chain, i, chain[i])) return chain[i] + " stands twice";
    if ((chain[i] == "back-propagation" && stands_before(chain, i, "dispersion")) ||
        (chain[i] == "dispersion" && stands_before(chain, i, "back-propagation")))
      return "back-propagation undoes the dispersion too: it stands in dispersion's place, not beside it";
    if (rule->needs != rate) return chain[i] + " " + rule->reason + "; here it would get " + rate_name(rate);
    rate = rule->leaves;
  }
  if (rate != Rate::kOne)
    return std::string("it ends at ") + rate_name(rate) +
           "; equaliser or decimate must bring it to one a symbol";
  return "";
}

}  // namespace cohlink
