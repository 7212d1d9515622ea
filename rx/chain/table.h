// The table of receiver blocks: everything that is said of a block anywhere comes from its row.
#pragma once

#include <string>
#include <vector>

#include "rx/stage/block.h"

namespace cohlink {

/// A number that a block finds: its name in files and tables, as people read it, its unit.
struct BlockOutput {
  const char *name, *title, *unit;
};

struct BlockRow {
  const char* name;    // as in dsp.chain
  const char* title;   // as people call it, and above its pictures
  Rate needs, leaves;  // one row for each sampling that a name can stand at
  Block (*make)(const BlockSetting& setting);
  const char* reason;             // why it needs that sampling, said after its name
  const char* keys;               // the scenario keys that it reads, besides [signal]'s
  const char* never_after = "";   // names of blocks that it must not follow, ...
  const char* never_reason = "";  // ... and why
  const char* stand_in = "";      // block that can do the least of what it does, where it is left out
  std::vector<BlockOutput> outputs = {};
};

/// All rows, in signal order.
const std::vector<BlockRow>& block_table();

/// The row of block `name` where the signal's sampling is `rate`, or null.
const BlockRow* find_block(const std::string& name, Rate rate);

/// The rows of a chain that can work (chain_fault, order.h).
std::vector<const BlockRow*> rows_of(const std::vector<std::string>& chain);

}  // namespace cohlink
