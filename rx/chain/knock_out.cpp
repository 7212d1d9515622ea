#include "rx/chain/knock_out.h"

#include "rx/chain/order.h"
#include "rx/chain/table.h"

namespace cohlink {
namespace {

// Blocks that change the sampling: what comes after them would not get what it needs.
std::string indispensable(const BlockRow& row) {
  if (row.needs == row.leaves) return "";
  return row.leaves == Rate::kTwo ? "nothing else turns the ADC's rate into two samples a symbol"
                                  : "nothing else brings the signal to one sample a symbol";
}

}  // namespace

std::vector<ChainVariant> knock_outs(const std::vector<std::string>& chain) {
  std::vector<ChainVariant> variants;
  const std::vector<const BlockRow*> rows = rows_of(chain);
  for (std::size_t i = 0; i < chain.size(); ++i) {
    const BlockRow& row = *rows[i];
    auto rest = chain;
    rest.erase(rest.begin() + static_cast<std::ptrdiff_t>(i));
    const std::string fault = chain_fault(rest), reason = indispensable(row);
    variants.push_back({row.title, rest, fault.empty() || reason.empty() ? fault : reason});
    const std::string stand_in = row.stand_in;
    if (stand_in.empty() || variants.back().refusal.empty()) continue;
    rest = chain;
    rest[i] = stand_in;
    variants.push_back({chain[i] + ", " + stand_in + " in its place", rest, chain_fault(rest)});
  }
  return variants;
}

}  // namespace cohlink
