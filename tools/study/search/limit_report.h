// How the search for a limit is told: its facts and the values that it counted.
#pragma once

#include <vector>

#include "tools/study/files/table.h"
#include "tools/study/search/limit.h"

namespace cohlink {

/// key, from, to, criterion, found, limit, low, high, ...: docs/capture-format.md.
std::vector<Fact> limit_facts(const LimitRule& rule, const Limit& limit);

/// One row a value counted.
Table probe_table(const LimitRule& rule, const Limit& limit);

}  // namespace cohlink
