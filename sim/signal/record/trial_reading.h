// Trying in a process of its own whether the HDF5 library survives a file.
#pragma once

#include <string>

namespace cohlink::h5 {

/// Opens the file in a child process and reads all of it that is not large, as the reader will: false when
/// the child died of it, computed for seconds (10 and one for every 8 MiB), or could not come by every object
/// and attribute. The library checks little of what a file says of itself, and bytes turned by chance make it
/// read and write beyond its buffers; its failures cannot be caught where they happen. True as well for what
/// is no HDF5 file at all.
bool survives_reading(const std::string& path);

}  // namespace cohlink::h5
