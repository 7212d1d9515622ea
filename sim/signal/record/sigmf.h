// Recordings in the Signal Metadata Format (SigMF 1.0): samples in NAME.sigmf-data and, in NAME.sigmf-meta, a
// JSON text that says what they are. Here two complex channels, X and Y, interleaved; or X alone.
#pragma once

#include <array>
#include <cstddef>
#include <optional>
#include <string>

#include "sim/signal/record/capture.h"

namespace cohlink {

/// What the metadata say, as far as the samples cannot be read without it.
struct SigmfRecording {
  std::string data_path;
  std::string format;  // of one real number, as trace.format has it: int8, int16 or float32
  bool big_endian = false;
  std::size_t channels = 1;                              // complex
  double sample_rate = 0.0;                              // Hz
  std::size_t header_bytes = 0;                          // before the first sample
  std::optional<std::array<double, 4>> ampere_per_code;  // of each column, our extension
};

/// Whether a path ends as that of metadata does.
bool names_sigmf(const std::string& path);

/// Where the samples lie that metadata describe.
std::string sigmf_data_path(const std::string& meta_path);

/// Reads metadata. InputError with the file and the member, or the line of a text that is no JSON, for what
/// the format asks for and is missing or wrong, and for recordings of another kind: real samples, more than
/// two channels, several segments, samples in a file of another name.
SigmfRecording read_sigmf(const std::string& meta_path);

/// Writes the samples (ci16_le), then the metadata; `meta_path` ends in ".sigmf-meta", `carrier` [Hz] is the
/// channel's optical frequency. What was sent is not in them. RunError when the file system refuses.
void write_sigmf(const Capture& capture, double carrier, const std::string& meta_path);

}  // namespace cohlink
