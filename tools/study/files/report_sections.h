// What a report page shows of each kind of file: HTML, pictures and tables.
#pragma once

#include <string>

#include "sim/signal/record/hdf5.h"

namespace cohlink::report {

/// Of a sweep: a curve for every series, its verdicts and its table.
std::string curve_section(const h5::File& file);
/// Of a limit, an outage or a spec sheet.
std::string study_section(const h5::File& file);
/// Of a reception: its numbers and its constellation.
std::string result_section(const h5::File& file);

}  // namespace cohlink::report
