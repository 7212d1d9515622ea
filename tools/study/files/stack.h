// Many items of a data set in one file, as arrays of equal length.
#pragma once

#include <string>
#include <vector>

#include "sim/signal/record/capture.h"
#include "sim/signal/scenario/scenario.h"
#include "tools/study/files/table.h"

namespace cohlink {

/// Writes /adc/samples [items, 4, samples], /truth/symbol_codes [items, 2, symbols] and what else
/// docs/capture-format.md names, with the labels of these items. Rows are as long as the longest item's, what
/// a shorter one lacks is 0; with `crop` as long as the shortest's. InputError for items without symbol codes
/// (Gaussian symbols).
void write_stack(const std::vector<Capture>& captures, const Table& labels, const Scenario& scenario,
                 bool crop, const std::string& path);

/// The labels of a stack that is whole. InputError for one that is damaged or something else.
Table read_stack_labels(const std::string& path, const std::string& remedy);

/// Bytes that an item takes in a stack, but for padding.
std::uint64_t bytes_in_stack(const Capture& capture);

}  // namespace cohlink
