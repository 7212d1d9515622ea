// The whole bench as one drawing, from bits over light and lanes to the verdict.
#pragma once

#include <string>

namespace cohlink {

/// SVG. Names of sections come from the table of scenario keys, those of the receiver's blocks, their order
/// and samplings from the receiver's table: a section or block that is new there stands in the drawing, if
/// only in the line of those that have no place of their own.
std::string bench_drawing();

}  // namespace cohlink
