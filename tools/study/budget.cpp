#include "tools/study/budget.h"

#include <algorithm>
#include <cmath>
#include <limits>

#include "rx/quality/metrics.h"
#include "sim/budget/launch_noise.h"
#include "sim/link_setup.h"
#include "sim/signal/awgn_information.h"
#include "sim/signal/units.h"
#include "tools/study/not_counted.h"
#include "tools/study/plan/fec.h"
#include "tools/study/plan/numbers.h"
#include "tools/study/plan/theory.h"

namespace cohlink {
namespace {

std::vector<std::string> left_out(const Scenario& scenario) {
  std::vector<std::string> names = keys_not_counted(scenario);
  names.emplace_back("what the receiver's own estimates cost");
  return names;
}

void judge(Budget& budget, const Scenario& scenario) {
  const bool differential = scenario.boolean("signal.differential");
  budget.threshold = verdict_threshold(scenario);
  if (bits_per_symbol(budget.modulation) == 0) return;
  budget.ber = std::isinf(budget.snr) ? 0.0
               : differential         ? theory_ber_differential(budget.modulation, budget.snr)
                                      : theory_ber(budget.modulation, budget.snr);
  if (!budget.threshold) return;
  const auto [quality, value] = *budget.threshold;
  budget.margin_db = to_db(budget.snr / (quality == Quality::kBer
                                             ? required_snr(budget.modulation, differential, value)
                                             : awgn_snr_for_ngmi(constellation(budget.modulation), value)));
}

/// Decibels, NaN (printed as nothing) where there are none.
double finite_db(double ratio) {
  const double db = to_db(ratio);
  return std::isfinite(db) ? db : std::numeric_limits<double>::quiet_NaN();
}

std::string threshold_text(const Threshold& threshold) {
  return (threshold.quality == Quality::kNgmi ? "NGMI " : "") + readable(threshold.value);
}

std::string db_text(double value, const std::string& unit) {
  return std::isfinite(value) ? readable(value) + unit : "-";
}

/// Powers that were written in dBm, without the last digits that the way through watts leaves: -3, not
/// -3.0000000000000004.
double written_dbm(double watt) {
  const double dbm = watt_to_dbm(watt);
  return parse_number(short_decimal(dbm)).value_or(dbm);
}

}  // namespace

double required_snr(Modulation modulation, bool differential, double ber) {
  if (bits_per_symbol(modulation) == 0) return std::numeric_limits<double>::quiet_NaN();
  if (!differential) return theory_snr(modulation, ber);
  double low = -30.0, high = 60.0;  // dB
  for (int i = 0; i < 80; ++i) {
    const double middle = 0.5 * (low + high);
    (theory_ber_differential(modulation, from_db(middle)) > ber ? low : high) = middle;
  }
  return from_db(0.5 * (low + high));
}

Budget make_budget(const Scenario& scenario) {
  InterferenceMemo memo;
  return make_budget(scenario, memo);
}

Budget make_budget(const Scenario& scenario, InterferenceMemo& memo) {
  const LinkSetup setup = link_setup(scenario);
  Budget budget;
  static_cast<LinkBudget&>(budget) = link_budget(setup, memo);
  budget.modulation = setup.transmitter.modulation;
  budget.not_counted = left_out(scenario);
  judge(budget, scenario);
  return budget;
}

Table span_table(const Budget& budget) {
  Table table;
  Column span{"span"}, into{"power_in_dbm", Look::kHundredths}, out{"power_out_dbm", Look::kHundredths},
      osnr{"osnr_db", Look::kHundredths}, nli{"snr_nli_db", Look::kHundredths};
  for (const SpanLevel& level : budget.spans) {
    span.cells.emplace_back(static_cast<std::uint64_t>(level.span));
    into.cells.emplace_back(written_dbm(level.input_power));
    out.cells.emplace_back(written_dbm(level.output_power));
    osnr.cells.emplace_back(finite_db(level.osnr.value_or(0.0)));
    nli.cells.emplace_back(finite_db(1.0 / level.interference));
  }
  for (auto* column : {&span, &into, &out, &osnr, &nli}) table.columns.push_back(std::move(*column));
  return table;
}

Table channel_table(const Scenario& scenario) {
  const LinkSetup setup = link_setup(scenario);
  Table table;
  Column channel{"channel"}, frequency{"frequency_thz"}, wavelength{"wavelength_nm", Look::kHundredths},
      launched{"launch_dbm", Look::kHundredths}, power{"power_dbm", Look::kHundredths},
      osnr{"osnr_db", Look::kHundredths};
  for (const ChannelEnd& end : walk_channels(setup, launch_noise_psd(setup.transmitter))) {
    channel.cells.emplace_back(static_cast<std::uint64_t>(end.channel));
    frequency.cells.emplace_back(as_written(end.frequency / 1e12));
    wavelength.cells.emplace_back(1e9 * kSpeedOfLight / end.frequency);
    launched.cells.emplace_back(written_dbm(end.launched));
    power.cells.emplace_back(finite_db(end.power / 1e-3));
    osnr.cells.emplace_back(finite_db(end.osnr.value_or(0.0)));
  }
  for (auto* column : {&channel, &frequency, &wavelength, &launched, &power, &osnr})
    table.columns.push_back(std::move(*column));
  return table;
}

Table noise_table(const Budget& budget) {
  Table table;
  Column source{"source"}, snr{"snr_db", Look::kHundredths}, share{"share_percent", Look::kHundredths},
      formula{"computed_from"};
  for (const NoiseTerm& term : budget.terms) {
    if (!(term.ratio > 0.0)) continue;
    source.cells.emplace_back(term.label);
    snr.cells.emplace_back(-to_db(term.ratio));
    share.cells.emplace_back(100.0 * term.ratio * budget.snr);
    formula.cells.emplace_back(term.formula);
  }
  for (auto* column : {&source, &snr, &share, &formula}) table.columns.push_back(std::move(*column));
  return table;
}

namespace {

Fact fact(const char* name, const char* label, double value, const std::string& unit = " dB",
          const std::string& remark = "") {
  return {name, label, value, db_text(value, unit) + remark};
}

void add_optimum(std::vector<Fact>& facts, const Budget& budget) {
  if (budget.optimum_launch_power)
    facts.push_back(fact(
        "optimum_launch_power_dbm", "optimum launch power", watt_to_dbm(*budget.optimum_launch_power), " dBm",
        budget.optimum_output_power ? "   (amplifier outputs moved with it: all spans at one power)"
                                    : "   (line ASE twice the interference)"));
  if (budget.optimum_output_power)
    facts.push_back(fact("optimum_output_power_dbm", "optimum amplifier output",
                         watt_to_dbm(*budget.optimum_output_power), " dBm", "   (of each, all channels)"));
}

/// Signal over interference by each flavour of the model, at the launch power.
void add_interference(std::vector<Fact>& facts, const Budget& budget) {
  const Interference& nli = budget.interference;
  const double squared = budget.launch_power * budget.launch_power;
  const auto add = [&](const char* name, const char* label, double of_unit_power, const std::string& remark) {
    facts.push_back(
        fact(name, label, finite_db(1.0 / (squared * of_unit_power)), " dB", "   (" + remark + ")"));
  };
  const auto against = [](double expected, double gaussian) {
    return readable(to_db(expected / gaussian), 3) + " dB";
  };
  add("snr_nli_closed_incoherent_db", "NLI, GN closed form, incoherent", nli.closed_incoherent,
      "band centre");
  add("snr_nli_closed_coherent_db", "NLI, GN closed form, coherent", nli.closed_coherent,
      "band centre, N^(1+eps)");
  add("snr_nli_integral_centre_db", "NLI, GN integral, coherent", nli.integral_centre, "band centre");
  add("snr_nli_integral_matched_db", "NLI, GN integral, coherent", nli.integral_matched, "matched filter");
  add("snr_nli_expected_db", "NLI, with EGN correction", nli.expected(),
      std::string(modulation_name(budget.modulation)) + ": " + against(nli.expected(), nli.integral_matched) +
          "; used below");
  facts.push_back(fact("nli_error_db", "its error", budget.interference_error_db, " dB",
                       "   (the most seen in split steps: 32 GBd, 80 km spans, 1 to 9 channels)"));
  if (nli.neighbours() > 0.0) {
    add("snr_nli_self_db", "of it by the channel itself", nli.expected_self(),
        "EGN, " + against(nli.expected_self(), nli.self) + " on GN");
    add("snr_nli_neighbours_db", "of it by its neighbours", nli.expected_neighbours(),
        "EGN, " + against(nli.expected_neighbours(), nli.neighbours()) + " on GN");
  }
  facts.push_back(fact("nli_next_order_db", "its next order in power", to_db(budget.next_order), " dB",
                       "   (more noise than this first order, about; not counted)"));
  facts.push_back(fact("snr_gn_db", "SNR by plain GN", finite_db(budget.snr_gn)));
}

}  // namespace

std::vector<Fact> budget_facts(const Budget& budget) {
  std::vector<Fact> facts;
  facts.push_back(fact("launch_power_dbm", "launch power", written_dbm(budget.launch_power), " dBm"));
  add_optimum(facts, budget);
  facts.push_back(fact("osnr_db", "OSNR", finite_db(budget.osnr.value_or(0.0)), " dB in 12.5 GHz"));
  for (const NoiseTerm& term : budget.terms)
    facts.push_back({"snr_" + term.name + "_db", "", finite_db(1.0 / term.ratio), ""});
  if (!budget.spans.empty()) add_interference(facts, budget);
  facts.push_back(fact("snr_db", "expected SNR", finite_db(budget.snr)));
  if (budget.ber) {
    facts.push_back({"ber", "expected BER", *budget.ber, readable(*budget.ber, 3)});
    facts.push_back(fact("q_db", "expected Q", q_from_ber_db(*budget.ber)));
  }
  if (budget.margin_db)
    facts.push_back(fact("margin_db", "margin", *budget.margin_db, " dB",
                         "   (SNR, to a threshold of " + threshold_text(*budget.threshold) + ")"));
  std::string list;
  for (const auto& name : budget.not_counted) list += (list.empty() ? "" : ", ") + name;
  facts.push_back({"not_counted", "not counted", list, list});
  return facts;
}

}  // namespace cohlink
