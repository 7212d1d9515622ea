// A line after the end of our HDF5 files that says whether their bytes are still those that were written.
#pragma once

#include <string>
#include <string_view>

namespace cohlink {

/// What follows `content` in a file: its length and its CRC-32 (ISO 3309, as zlib computes it). HDF5 readers
/// do not look beyond the end that the file itself names, and a program that opens the file for writing cuts
/// the seal off: it speaks of unchanged files alone.
std::string seal_of(std::string_view content);

enum class Seal {
  kNone,    // made elsewhere, by an earlier version, or changed on purpose since
  kWhole,   // every byte is as we wrote it
  kBroken,  // damaged
};

/// The check sum in the seal of the file at `path`, as hexadecimal text; "" for a file without one. Nothing
/// else of the file is read.
std::string sealed_sum(const std::string& path);

/// Of the file at `path`, which is read to its end unless it bears no seal.
Seal seal_in(const std::string& path);

}  // namespace cohlink
