// Names of quantities as people read them on an axis: "OSNR in 12.5 GHz [dB]".
#pragma once

#include <string>

#include "tools/study/files/table.h"

namespace cohlink {

/// A quantity on an axis.
struct Quantity {
  std::string words, unit = {};
  Look look = Look::kFigures;
  /// "OSNR in 12.5 GHz [dB]".
  std::string label() const { return words + (unit.empty() ? "" : " [" + unit + "]"); }
  /// "12.34 dB", "1.2e-03".
  std::string shown(double value) const;
};

/// Of a column of a table, a scenario key among them: a name of the trade where there is one for it, else
/// what the column's name says.
Quantity quantity_of(const std::string& column);

}  // namespace cohlink
