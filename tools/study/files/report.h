// One page about result files: curves, limits, outages, spec sheets, receptions; no other file needed to read
// it.
#pragma once

#include <string>
#include <vector>

namespace cohlink {

/// HTML of a page with a section a file, in order. InputError for a file that is none of what cohlink writes,
/// or a curve without its axes' names (written before version 0.1 ended).
std::string report_page(const std::string& title, const std::vector<std::string>& paths);

}  // namespace cohlink
