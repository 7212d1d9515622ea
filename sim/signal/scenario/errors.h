// The two ways a run can end badly. Libraries throw; only tools turn these into exit statuses.
#pragma once

#include <stdexcept>
#include <string>

namespace cohlink {

/// Something the user gave cannot be used (scenario, option, input file): exit status 2.
struct InputError : std::runtime_error {
  using std::runtime_error::runtime_error;
};

/// A run that was asked for correctly but could not be carried out (disk full, no lock): exit status 3.
struct RunError : std::runtime_error {
  using std::runtime_error::runtime_error;
};

}  // namespace cohlink
