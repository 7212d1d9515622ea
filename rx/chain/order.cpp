#include "rx/chain/order.h"

#include <algorithm>

#include "rx/chain/table.h"

namespace cohlink {
namespace {

std::string rate_name(Rate rate) {
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

bool is_block(const std::string& name) {
  return std::find(chain_blocks().begin(), chain_blocks().end(), name) != chain_blocks().end();
}

std::string unknown_block(const std::string& name) {
  std::string known;
  for (const auto& block : chain_blocks()) known += (known.empty() ? "" : ", ") + block;
  return "there is no block '" + name + "'; the blocks are " + known;
}

// Whether the table has the name more than once, at different samplings.
bool stands_twice_in_table(const std::string& name) {
  return std::count_if(block_table().begin(), block_table().end(),
                       [&](const BlockRow& r) { return name == r.name; }) > 1;
}

const BlockRow* any_row(const std::string& name) {
  return &*std::find_if(block_table().begin(), block_table().end(),
                        [&](const BlockRow& r) { return name == r.name; });
}

}  // namespace

const std::vector<std::string>& chain_blocks() {
  static const std::vector<std::string> names = [] {
    std::vector<std::string> all;
    for (const auto& row : block_table())
      if (std::find(all.begin(), all.end(), row.name) == all.end()) all.emplace_back(row.name);
    return all;
  }();
  return names;
}

std::string chain_fault(const std::vector<std::string>& chain) {
  Rate rate = Rate::kAdc;
  std::vector<const BlockRow*> before;
  for (const std::string& name : chain) {
    if (!is_block(name)) return unknown_block(name);
    const bool split = stands_twice_in_table(name);
    const auto same = [&](const BlockRow* r) { return name == r->name && (!split || r->needs == rate); };
    if (std::any_of(before.begin(), before.end(), same))
      return name + " stands twice" + (split ? " at " + rate_name(rate) : "");
    const BlockRow* row = find_block(name, rate);
    if (row == nullptr) return name + " " + any_row(name)->reason + "; here it would get " + rate_name(rate);
    const std::string never = row->never_after;
    for (const BlockRow* earlier : before)
      if (never == earlier->name) return row->never_reason;
    before.push_back(row);
    rate = row->leaves;
  }
  if (rate != Rate::kOne)
    return "it ends at " + rate_name(rate) + "; equaliser or decimate must bring it to one a symbol";
  return "";
}

}  // namespace cohlink
