// Sent symbols that a scenario's files name.
#pragma once

#include <complex>
#include <optional>
#include <string>
#include <vector>

#include "sim/signal/constellation.h"
#include "sim/signal/record/capture.h"
#include "sim/signal/scenario/scenario.h"

namespace cohlink {

/// Where the file `name` of a key lies: in the working folder, else in one of `folders`. InputError, with the
/// key's place, where it is in none of them.
std::string located_input(const Scenario& scenario, std::string_view key, const std::string& name,
                          const std::vector<std::string>& folders);

/// Whether all `symbols` are points of the constellation, at one scale that fits them best and but for
/// rounding; they are then set to those points. A recorded symbol carries noise: among the 64 and more asked
/// for, some lie further out.
bool settle_on_points(Modulation modulation, std::vector<std::complex<double>>& symbols);

/// The truth of a recording whose sent symbols are known: trace.symbols_file, with the bits they stand for;
/// nothing without that key. Laser phases, Jones matrices and the like stay empty.
std::optional<Truth> known_symbols(const Scenario& scenario, const std::vector<std::string>& folders);

}  // namespace cohlink
