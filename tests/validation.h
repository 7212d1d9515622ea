// Keeps what a published check measured, for docs/validation.md.
#pragma once

#include <string>

namespace cohlink::validation {

/// Records one check: `claim` in words, the `source` with author, journal and year (or "common practice",
/// "from memory"), its `published` value, the `measured` one, the `tolerance` the test allowed and the
/// `unit` of all three. Appends a line of JSON to the file that the environment variable
/// COHLINK_VALIDATION_OUT names; without it, does nothing. tools/validation-doc turns the lines into the
/// page, a section for each file. `file` is the caller's: __builtin_FILE, since std::source_location is
/// missing where clang 14 reads GCC's library.
void record(const std::string& claim, const std::string& source, double published, double measured,
            double tolerance, const std::string& unit = "", const char* file = __builtin_FILE());

/// The same for values that are words ("SNR 9.80 dB or better").
void record(const std::string& claim, const std::string& source, const std::string& published,
            const std::string& measured, const char* file = __builtin_FILE());

}  // namespace cohlink::validation
