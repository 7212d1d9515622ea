// Changes to an HDF5 file, spelled by bytes: what another program might have made of it.
#pragma once

#include <string>

namespace cohlink::fuzz {

/// The file image `whole` after the changes that `script` spells, up to eight: objects and attributes
/// removed, renamed, or replaced by others of any type, rank, size, layout and content. Every script spells
/// something.
std::string changed_file(const std::string& whole, const std::string& script);

}  // namespace cohlink::fuzz
