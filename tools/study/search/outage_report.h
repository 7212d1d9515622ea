// How outages are told: facts, distributions, realisations one by one, strata.
#pragma once

#include <string>
#include <vector>

#include "tools/study/files/table.h"
#include "tools/study/search/outage.h"
#include "tools/study/search/rare_outage.h"

namespace cohlink {

/// Of SNR, Q and SNR penalty, each column by itself: the value that a share of the realisations stays at or
/// below.
Table quantile_table(const Outage& outage);

/// One row a realisation.
Table realisation_table(const Outage& outage, const std::vector<Draw>& draws);

/// criterion, realisations, outages, outage_probability, ...: docs/capture-format.md. `repeat`: the command
/// that makes the worst capture again.
std::vector<Fact> outage_facts(const Outage& outage, const Criterion& criterion,
                               const std::vector<Draw>& draws, const std::string& repeat);

/// "3 realisations in which the receiver warned, 2 of them: ...".
std::string warned_text(const Outage& outage);

/// What each stratum of screened realisations gave.
Table strata_table(const RareOutage& found);
std::vector<Fact> rare_facts(const RareOutage& found, const Criterion& criterion,
                             const std::vector<Draw>& draws, std::uint64_t screened);

}  // namespace cohlink
