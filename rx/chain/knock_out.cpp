#include "rx/chain/knock_out.h"

#include "rx/chain/chain.h"

namespace cohlink {
namespace {

std::string spoken_name(const std::vector<std::string>& chain, std::size_t place) {
  if (chain[place] != "frequency") return chain[place];
  return is_coarse_frequency(chain, place) ? "frequency (coarse)" : "frequency (fine)";
}

// Blocks that change the sampling: what comes after them would not get what it needs.
std::string indispensable(const std::string& name) {
  if (name == "resample") return "nothing else turns the ADC's rate into two samples a symbol";
  if (name == "equaliser" || name == "decimate")
    return "nothing else brings the signal to one sample a symbol";
  return "";
}

}  // namespace

std::vector<ChainVariant> knock_outs(const std::vector<std::string>& chain) {
  std::vector<ChainVariant> variants;
  for (std::size_t i = 0; i < chain.size(); ++i) {
    auto rest = chain;
    rest.erase(rest.begin() + static_cast<std::ptrdiff_t>(i));
    const std::string fault = chain_fault(rest), reason = indispensable(chain[i]);
    variants.push_back({spoken_name(chain, i), rest, fault.empty() || reason.empty() ? fault : reason});
    if (chain[i] != "equaliser" || variants.back().refusal.empty()) continue;
    rest = chain;
    rest[i] = "decimate";
    variants.push_back({"equaliser, decimate in its place", rest, chain_fault(rest)});
  }
  return variants;
}

}  // namespace cohlink
