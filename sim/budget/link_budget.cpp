#include "sim/budget/link_budget.h"

#include <cmath>

#include "sim/budget/launch_noise.h"
#include "sim/budget/line_interference.h"
#include "sim/signal/units.h"

namespace cohlink {
namespace {

/// Amplifiers of fixed output that bring the channel under test back to `power`, which is launched, too.
LinkSetup at_one_power(LinkSetup setup, double power) {
  Comb& comb = setup.line.comb;
  const double factor = power / comb.tested().power;
  for (Channel& channel : comb.channels) channel.power *= factor;
  setup.transmitter.launch_power = power;
  for (LineSection& section : setup.line.sections) section.amplifier.output_power = comb.power();
  return setup;
}

LinkSetup without_noise(LinkSetup setup) {
  for (LineSection& section : setup.line.sections) section.amplifier.ase = false;
  return setup;
}

/// Where an amplifier makes up for the loss before it, all spans follow the launch power: ASE over signal
/// goes with 1/P, interference over signal with P^2, and their sum is least where ASE is twice the
/// interference. Amplifiers of fixed output follow only if their output is moved as well, which is what is
/// done; their gain then hangs a little on the share that noise takes, so the power is found in steps.
void find_optimum(LinkBudget& budget, const LinkSetup& setup, InterferenceMemo& memo, double line_ratio) {
  double eta = budget.interference.expected();
  if (!(line_ratio > 0.0 && eta > 0.0)) return;
  double power = std::cbrt(line_ratio * budget.launch_power / (2.0 * eta));
  if (setup.line.sections.front().amplifier.mode == GainMode::kFixedOutput) {
    const auto ratio_at = [&](const LinkSetup& even) {
      return ase_ratio(levels_after(even, even.line.sections.size(), 0.0), budget.symbol_rate);
    };
    const LinkSetup even = without_noise(at_one_power(setup, power));
    eta = line_interference(even, walk_spans(even, 0.0), memo).back().expected();
    for (int i = 0; i < 4; ++i) power = std::cbrt(ratio_at(at_one_power(setup, power)) * power / (2.0 * eta));
    budget.optimum_output_power = at_one_power(setup, power).line.sections.front().amplifier.output_power;
  }
  budget.optimum_launch_power = power;
}

/// The line's part: spans, interference and the best power. `line_ratio`: ASE of the line over signal.
void fill_line(LinkBudget& budget, const LinkSetup& setup, InterferenceMemo& memo, double line_ratio) {
  const GnLine line = gn_line(setup, budget.spans);
  if (line.empty()) return;
  const std::vector<Interference> all = line_interference(setup, budget.spans, memo);
  for (std::size_t k = 0; k < all.size(); ++k)
    budget.spans[k].interference = budget.launch_power * budget.launch_power * all[k].expected();
  budget.interference = all.back();
  budget.interference_error_db = interference_error_db(gn_light(setup), line);
  budget.next_order = next_order_factor(line, budget.launch_power, all.back().expected());
  find_optimum(budget, setup, memo, line_ratio);
}

}  // namespace

LinkBudget link_budget(const LinkSetup& setup) {
  InterferenceMemo memo;
  return link_budget(setup, memo);
}

LinkBudget link_budget(const LinkSetup& fine, InterferenceMemo& memo) {
  const LinkSetup setup = coarse(fine);
  LinkBudget budget;
  budget.symbol_rate = setup.transmitter.pulse.symbol_rate;
  budget.launch_power = setup.line.comb.tested().power;
  const double launch_psd = launch_noise_psd(setup.transmitter);
  budget.spans = walk_spans(setup, launch_psd);
  const double rate = budget.symbol_rate, power_squared = budget.launch_power * budget.launch_power;
  const double line_ratio = ase_ratio(levels_after(setup, setup.line.sections.size(), 0.0), rate);
  fill_line(budget, setup, memo, line_ratio);

  const LightLevels end = levels_of(setup, launch_psd);
  const double launch_ratio =
      ase_ratio(levels_after(setup, setup.line.sections.size(), launch_psd), rate) - line_ratio;
  const double loaded = setup.line.optics.osnr ? rate / (*setup.line.optics.osnr * kOsnrBandwidthHz) : 0.0;
  budget.osnr = osnr_at_hybrid(setup, end);
  budget.peak_power = end.peak_power;
  budget.terms = {
      {"launch_ase", "ASE of the launch amplifier", launch_ratio, "(F G - 1)/2 h nu per polarisation"},
      {"line_ase", "ASE of the line", line_ratio, "(F G - 1)/2 h nu per polarisation and amplifier"},
      {"loaded_noise", "loaded noise", loaded, "channel.osnr_db"},
      {"interference", "nonlinear interference", power_squared * budget.interference.expected(),
       "GN integral, coherent, matched filter, EGN"},
      {"crosstalk", "crosstalk of neighbours", crosstalk_ratio(setup),
       "spectra that overlap, matched filter"},
  };
  for (auto& term : receiver_terms(setup, end, rate)) budget.terms.push_back(std::move(term));

  double sum = 0.0;
  for (const NoiseTerm& term : budget.terms) sum += term.ratio;
  budget.snr = 1.0 / sum;
  budget.snr_gn =
      1.0 / (sum + power_squared * (budget.interference.integral_matched - budget.interference.expected()));
  return budget;
}

}  // namespace cohlink
