// Keeps what a published check measured, for docs/validation.md.
#pragma once

#include <source_location>
#include <string>

namespace cohlink::validation {

/// Records one check: `claim` in words, the `source` with author, journal and year (or "common practice",
/// "from memory"), its `published` value, the `measured` one, the `tolerance` the test allowed and the
/// `unit` of all three. Appends a line of JSON to the file that the environment variable
/// COHLINK_VALIDATION_OUT names; without it, does nothing. tools/validation-doc turns the lines into the
/// page, a section for each file `where` checks stand.
void record(const std::string& claim, const std::string& source, double published, double measured,
            double tolerance, const std::string& unit = "",
            const std::source_location& where = std::source_location::current());

/// The same for values that are words ("SNR 9.80 dB or better").
void record(const std::string& claim, const std::string& source, const std::string& published,
            const std::string& measured, const std::source_location& where = std::source_location::current());

}  // namespace cohlink::validation
