// A scenario's budget (sim/budget/link_budget.h), the BER and margin that it leaves, and how they are shown.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "sim/budget/link_budget.h"
#include "sim/signal/constellation.h"
#include "sim/signal/scenario/scenario.h"
#include "tools/study/files/table.h"
#include "tools/study/plan/fec.h"

namespace cohlink {

/// The link's own budget and what a scenario asks of it.
struct Budget : LinkBudget {
  Modulation modulation = Modulation::kQpsk;
  std::optional<double> ber;
  std::optional<Threshold> threshold;
  std::optional<double> margin_db;       // SNR over what the threshold needs
  std::vector<std::string> not_counted;  // keys off their defaults that the budget leaves out, and the DSP
};

/// Throws InputError for a scenario that does not fit together.
Budget make_budget(const Scenario& scenario);
/// The same, interference taken from `memo` where it holds it.
Budget make_budget(const Scenario& scenario, InterferenceMemo& memo);

/// SNR (linear) at which ideal reception reaches `ber`; with differential coding where asked. NaN for
/// Gaussian symbols.
double required_snr(Modulation modulation, bool differential, double ber);

// As tables for the command line.
Table span_table(const Budget& budget);
/// Every channel of the comb behind the line, before noise loading and the receiver; no interference.
Table channel_table(const Scenario& scenario);
Table noise_table(const Budget& budget);
std::vector<Fact> budget_facts(const Budget& budget);

}  // namespace cohlink
