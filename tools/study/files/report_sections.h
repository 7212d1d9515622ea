// What a report page shows of each kind of file: HTML, pictures and tables.
#pragma once

#include <string>
#include <vector>

#include "sim/signal/record/hdf5.h"

namespace cohlink::report {

/// Of a sweep: a curve for every series, its verdicts and its table.
std::string curve_section(const h5::File& file);
/// Curves of several files that show the same over the same key, on one pair of axes; "" where no two do.
std::string curves_together(const std::vector<h5::File>& files);
/// Of a budget, a limit, margins, economies, an outage or a spec sheet.
std::string study_section(const h5::File& file);
/// Of a reception: its numbers and its constellation.
std::string result_section(const h5::File& file);

}  // namespace cohlink::report
