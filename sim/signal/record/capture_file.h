// A capture out of a file that is open already.
#pragma once

#include "sim/signal/record/capture.h"
#include "sim/signal/record/hdf5.h"

namespace cohlink {

/// As read_capture of its path.
Capture read_capture(const h5::File& file);

}  // namespace cohlink
