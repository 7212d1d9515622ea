#include "tools/study/budget.h"

#include <algorithm>
#include <cmath>
#include <limits>

#include "rx/quality/metrics.h"
#include "sim/link_setup.h"
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
  budget.threshold_ber = fec_threshold(scenario);
  if (bits_per_symbol(budget.modulation) == 0) return;
  budget.ber = std::isinf(budget.snr) ? 0.0
               : differential         ? theory_ber_differential(budget.modulation, budget.snr)
                                      : theory_ber(budget.modulation, budget.snr);
  if (budget.threshold_ber)
    budget.margin_db =
        to_db(budget.snr / required_snr(budget.modulation, differential, *budget.threshold_ber));
}

/// Decibels, NaN (printed as nothing) where there are none.
double finite_db(double ratio) {
  const double db = to_db(ratio);
  return std::isfinite(db) ? db : std::numeric_limits<double>::quiet_NaN();
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

std::vector<Fact> budget_facts(const Budget& budget) {
  std::vector<Fact> facts;
  const auto add = [&](const char* name, const char* label, double value, const std::string& unit = " dB",
                       const std::string& remark = "") {
    facts.push_back({name, label, value, db_text(value, unit) + remark});
  };
  const double squared = budget.launch_power * budget.launch_power;
  add("launch_power_dbm", "launch power", written_dbm(budget.launch_power), " dBm");
  if (budget.optimum_launch_power)
    add("optimum_launch_power_dbm", "optimum launch power", watt_to_dbm(*budget.optimum_launch_power), " dBm",
        budget.optimum_output_power ? "   (amplifier outputs moved with it: all spans at one power)"
                                    : "   (line ASE twice the interference)");
  if (budget.optimum_output_power)
    add("optimum_output_power_dbm", "optimum amplifier output", watt_to_dbm(*budget.optimum_output_power),
        " dBm", "   (of each, all channels)");
  add("osnr_db", "OSNR", finite_db(budget.osnr.value_or(0.0)), " dB in 12.5 GHz");
  for (const NoiseTerm& term : budget.terms)
    facts.push_back({"snr_" + term.name + "_db", "", finite_db(1.0 / term.ratio), ""});
  if (!budget.spans.empty()) {
    const Interference& nli = budget.interference;
    add("snr_nli_closed_incoherent_db", "NLI, GN closed form, incoherent",
        finite_db(1.0 / (squared * nli.closed_incoherent)), " dB", "   (band centre)");
    add("snr_nli_closed_coherent_db", "NLI, GN closed form, coherent",
        finite_db(1.0 / (squared * nli.closed_coherent)), " dB", "   (band centre, N^(1+eps))");
    add("snr_nli_integral_centre_db", "NLI, GN integral, coherent",
        finite_db(1.0 / (squared * nli.integral_centre)), " dB", "   (band centre)");
    add("snr_nli_integral_matched_db", "NLI, GN integral, coherent",
        finite_db(1.0 / (squared * nli.integral_matched)), " dB", "   (matched filter)");
    add("snr_nli_expected_db", "NLI, with EGN correction", finite_db(1.0 / (squared * nli.expected())), " dB",
        "   (" + std::string(modulation_name(budget.modulation)) + ": " +
            readable(to_db(nli.expected() / nli.integral_matched), 3) + " dB; used below)");
    add("nli_error_db", "its error", budget.interference_error_db, " dB",
        "   (at most, against split steps of light and lines like these)");
    const auto on_gn = [](double expected, double gaussian) {
      return "   (EGN, " + readable(to_db(expected / gaussian), 3) + " dB on GN)";
    };
    if (nli.neighbours() > 0.0) {
      add("snr_nli_self_db", "of it by the channel itself", finite_db(1.0 / (squared * nli.expected_self())),
          " dB", on_gn(nli.expected_self(), nli.self));
      add("snr_nli_neighbours_db", "of it by its neighbours",
          finite_db(1.0 / (squared * nli.expected_neighbours())), " dB",
          on_gn(nli.expected_neighbours(), nli.neighbours()));
    }
    add("nli_next_order_db", "its next order in power", to_db(budget.next_order), " dB",
        "   (more noise than this first order, about; not counted)");
    add("snr_gn_db", "SNR by plain GN", finite_db(budget.snr_gn));
  }
  add("snr_db", "expected SNR", finite_db(budget.snr));
  if (budget.ber) {
    facts.push_back({"ber", "expected BER", *budget.ber, readable(*budget.ber, 3)});
    add("q_db", "expected Q", q_from_ber_db(*budget.ber));
  }
  if (budget.margin_db)
    add("margin_db", "margin", *budget.margin_db, " dB",
        "   (SNR, to a threshold of " + readable(*budget.threshold_ber) + ")");
  std::string list;
  for (const auto& name : budget.not_counted) list += (list.empty() ? "" : ", ") + name;
  facts.push_back({"not_counted", "not counted", list, list});
  return facts;
}

}  // namespace cohlink
