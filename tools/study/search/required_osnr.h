// The OSNR at which a scenario just meets a threshold of BER or NGMI, by a search that knows its own
// statistics.
#pragma once

#include <cstdint>
#include <optional>
#include <string>

#include "tools/study/search/search.h"

namespace cohlink {

/// OSNR (linear, in 12.5 GHz) of what the line itself emits, no noise loaded; nothing for a line without
/// noise.
std::optional<double> line_osnr(const Scenario& scenario);

/// Highest total OSNR [dB] that loading can set: a line without noise ends at 60 dB.
double highest_total_osnr_db(const Scenario& scenario);

/// The scenario with so much noise loaded (channel.osnr_db) that with the line's own the total OSNR into the
/// receiver is `total_db`; next to none is loaded where that is above highest_total_osnr_db.
Scenario at_total_osnr(const Scenario& scenario, double total_db);

struct RequiredOsnrRule {
  double threshold = 2e-2;
  double half_width_db = 0.02;      // of the 95 % interval, aimed at
  std::uint64_t most_frames = 400;  // spent in all
  Quality quality = Quality::kBer;  // what the threshold is one of
};

struct RequiredOsnr {
  bool found = false;
  double osnr_db = 0;              // total OSNR into the receiver, in 12.5 GHz
  double low_db = 0, high_db = 0;  // 95 %: below and above osnr_db
  double slope = 1;                // equivalent SNR over OSNR, dB/dB: below 1 where a noise floor shows
  std::uint64_t frames = 0, errors = 0, bits = 0;
  std::string failure;        // why nothing was found
  bool out_of_reach = false;  // proven: at the highest OSNR the threshold is still missed

  double half_width_db() const { return 0.5 * (high_db - low_db); }
};

/// Varies channel.osnr_db, whatever the scenario sets. First walks towards the threshold along the
/// equivalent SNR (search.h), then counts at two OSNRs either side of it and interpolates. Where the line
/// adds noise of its own, the OSNR counts both; near the highest that can be set both counts move below it,
/// and a crossing above it is not found. The two sides count different frames, so that their errors
/// are independent and the interval is what it says; every search counts the same frames on the same side
/// (common random numbers), so that differences are sharper than the intervals say.
/// Of a BER after decoding (fec.decode) the two ends are OSNRs proven to fail and to hold by the blocks that
/// were lost, as a limit's are (limit.h); too few blocks to prove it find nothing.
RequiredOsnr find_required_osnr(const Scenario& scenario, const RequiredOsnrRule& rule,
                                const SourceMaker& source, unsigned threads);

/// That of a BER after decoding: find_required_osnr for that quality.
RequiredOsnr find_decoded_osnr(const Scenario& scenario, const RequiredOsnrRule& rule,
                               const SourceMaker& source, unsigned threads);

/// Required OSNR over that of `reference`, with the half-width of its 95 % interval as if the two were
/// independent: an upper bound, for they count the same frames.
struct Penalty {
  double db = 0, half_width_db = 0;
};
Penalty penalty(const RequiredOsnr& measured, const RequiredOsnr& reference);

}  // namespace cohlink
