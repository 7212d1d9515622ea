#include "tools/study/search/outage_report.h"

#include <algorithm>
#include <cmath>
#include <functional>

#include "rx/quality/metrics.h"
#include "tools/study/plan/numbers.h"

namespace cohlink {
namespace {

constexpr double kNoPdlDb = 1e-6;  // less is rounding

std::vector<double> column(const Outage& outage, const std::function<double(const Realisation&)>& of) {
  std::vector<double> values;
  for (const Realisation& r : outage.realisations) values.push_back(of(r));
  return values;
}

double q_db(const Realisation& r) {
  if (!r.locked) return r.snr_db;
  return r.count.bits == 0 ? std::nan("") : q_from_ber_db(r.count.ber());
}

/// Worse than any without lock; no number of symbols without bits.
double ngmi(const Realisation& r) {
  if (!r.locked) return r.snr_db;
  return r.count.bits == 0 ? std::nan("") : r.ngmi;
}

/// A number, or an empty cell where lock was lost.
Cell finite(double value) { return std::isfinite(value) ? Cell(value) : Cell(); }

bool has_dgd(const Outage& outage) {
  return std::any_of(outage.realisations.begin(), outage.realisations.end(),
                     [](const Realisation& r) { return r.dgd_ps != 0.0; });
}

bool has_bits(const Outage& outage) {
  return std::any_of(outage.realisations.begin(), outage.realisations.end(),
                     [](const Realisation& r) { return r.count.bits > 0; });
}

bool has_pdl(const Outage& outage) {
  return std::any_of(outage.realisations.begin(), outage.realisations.end(),
                     [](const Realisation& r) { return r.pdl_db > kNoPdlDb; });
}

/// "channel.dgd_ps=maxwell:20, ...".
std::string draws_text(const std::vector<Draw>& draws) {
  std::string text;
  for (const Draw& draw : draws) text += (text.empty() ? "" : ", ") + draw.key + "=" + draw_text(draw);
  return text;
}

/// "frame 3, BER 1.2e-02, SNR 9.1 dB, SNR penalty 0.4 dB, DGD 31 ps".
std::string realisation_text(const Outage& outage, const Realisation& r) {
  std::string text = "frame " + std::to_string(r.number);
  if (!r.locked) return text + ", no lock";
  if (r.count.bits > 0) text += ", BER " + scientific(r.count.ber());
  text += ", SNR " + readable(r.snr_db) + " dB, SNR penalty " + readable(r.snr_penalty_db, 3) + " dB";
  if (has_dgd(outage)) text += ", DGD " + readable(r.dgd_ps, 3) + " ps";
  return text + (has_pdl(outage) ? ", PDL " + readable(r.pdl_db, 3) + " dB" : "");
}

}  // namespace

Table quantile_table(const Outage& outage) {
  Table table;
  Column part{"quantile"}, snr{"snr_db", Look::kHundredths}, q{"q_db", Look::kHundredths},
      penalty{"snr_penalty_db", Look::kHundredths}, information{"ngmi", Look::kFigures};
  for (const double p : {0.0, 0.01, 0.1, 0.5, 0.9, 0.99, 1.0}) {
    part.cells.emplace_back(p);
    snr.cells.push_back(
        finite(Outage::quantile(column(outage, [](const Realisation& r) { return r.snr_db; }), p)));
    q.cells.push_back(finite(Outage::quantile(column(outage, q_db), p)));
    penalty.cells.push_back(
        finite(Outage::quantile(column(outage, [](const Realisation& r) { return r.snr_penalty_db; }), p)));
    information.cells.push_back(finite(Outage::quantile(column(outage, ngmi), p)));
  }
  for (auto* c : {&part, &snr, &q, &penalty}) table.columns.push_back(std::move(*c));
  if (has_bits(outage)) table.columns.push_back(std::move(information));
  return table;
}

Table realisation_table(const Outage& outage, const std::vector<Draw>& draws) {
  Table table;
  Column number{"frame"}, ber{"ber", Look::kScientific}, errors{"errors"}, bits{"bits"},
      snr{"snr_db", Look::kHundredths}, penalty{"snr_penalty_db", Look::kHundredths}, out{"outage"},
      locked{"locked"}, dgd{"dgd_ps", Look::kHundredths}, pdl{"pdl_db", Look::kHundredths},
      information{"ngmi", Look::kFigures};
  std::vector<Column> drawn;
  for (const Draw& draw : draws) drawn.push_back({draw.key});
  for (const Realisation& r : outage.realisations) {
    number.cells.emplace_back(r.number);
    for (std::size_t i = 0; i < drawn.size(); ++i) drawn[i].cells.emplace_back(r.values[i]);
    ber.cells.push_back(r.locked && r.count.bits > 0 ? Cell(r.count.ber()) : Cell());
    errors.cells.emplace_back(r.count.errors);
    bits.cells.emplace_back(r.count.bits);
    snr.cells.push_back(finite(r.snr_db));
    penalty.cells.push_back(finite(r.snr_penalty_db));
    out.cells.emplace_back(r.outage);
    locked.cells.emplace_back(r.locked);
    dgd.cells.emplace_back(r.dgd_ps);
    pdl.cells.push_back(finite(r.pdl_db));
    information.cells.push_back(finite(ngmi(r)));
  }
  table.columns.push_back(std::move(number));
  for (auto& c : drawn) table.columns.push_back(std::move(c));
  if (has_dgd(outage)) table.columns.push_back(std::move(dgd));
  if (has_pdl(outage)) table.columns.push_back(std::move(pdl));
  for (auto* c : {&ber, &errors, &bits, &snr, &penalty, &out, &locked})
    table.columns.push_back(std::move(*c));
  if (has_bits(outage)) table.columns.push_back(std::move(information));
  return table;
}

std::string warned_text(const Outage& outage) {
  const std::string text = grouped(outage.warned) + " realisations in which the receiver warned";
  if (outage.warned == 0) return text;
  return text + ", " + grouped(outage.common_count) + " of them: " + outage.common_warning;
}

std::vector<Fact> outage_facts(const Outage& outage, const Criterion& criterion,
                               const std::vector<Draw>& draws, const std::string& repeat) {
  const auto count = static_cast<std::uint64_t>(outage.realisations.size());
  const double probability = static_cast<double>(outage.outages) / static_cast<double>(count);
  const Realisation& worst = outage.realisations[outage.worst];
  const std::string laws = draws_text(draws);
  std::vector<Fact> facts = {
      {"criterion", "criterion", criterion.text(), criterion.text()},
      {"expected_errors_at_bound", "", finite(outage.expected_errors), ""},
      {"draws", "drawn", laws, laws.empty() ? "nothing but birefringence, data and noise" : laws},
      {"realisations", "realisations", count, grouped(count)},
      {"outages", "outages", outage.outages, grouped(outage.outages)},
      {"outage_probability", "outage probability", probability, readable(probability, 3)},
      {"outage_low", "95 % interval", outage.probability.low,
       readable(outage.probability.low, 3) + " to " + readable(outage.probability.high, 3)},
      {"outage_high", "", outage.probability.high, ""},
      {"reference_snr_db", "SNR of the reference", outage.reference_snr_db,
       readable(outage.reference_snr_db) +
           " dB   (no PMD, no PDL of amplifiers, drawn keys as the scenario has them)"},
      {"worst_frame", "worst realisation", worst.number, realisation_text(outage, worst)},
      {"frames_without_lock", "without lock", outage.unlocked,
       grouped(outage.unlocked) + " realisations, each an outage"},
      {"repeat", "repeat it", repeat, repeat},
      {"frames_warned", "warned", outage.warned, warned_text(outage)},
      {"commonest_warning", "", outage.common_warning, outage.common_warning},
  };
  if (!outage.remark.empty()) facts.push_back({"remark", "remark", outage.remark, outage.remark});
  return facts;
}

Table strata_table(const RareOutage& found) {
  Table table;
  Column screened{"screened"}, simulated{"simulated"}, outages{"outages"},
      from{"dgd_from_ps", Look::kHundredths}, to{"dgd_to_ps", Look::kHundredths},
      pdl_from{"pdl_from_db", Look::kHundredths}, pdl_to{"pdl_to_db", Look::kHundredths};
  for (const Stratum& s : found.strata) {
    screened.cells.emplace_back(s.screened);
    simulated.cells.emplace_back(s.simulated);
    outages.cells.emplace_back(s.outages);
    from.cells.emplace_back(s.mildest.dgd_ps), to.cells.emplace_back(s.hardest.dgd_ps);
    pdl_from.cells.push_back(finite(s.mildest.pdl_db)), pdl_to.cells.push_back(finite(s.hardest.pdl_db));
  }
  for (auto* c : {&from, &to, &pdl_from, &pdl_to, &screened, &simulated, &outages})
    table.columns.push_back(std::move(*c));
  return table;
}

std::vector<Fact> rare_facts(const RareOutage& found, const Criterion& criterion,
                             const std::vector<Draw>& draws, std::uint64_t screened) {
  const std::string laws = draws_text(draws);
  std::vector<Fact> facts = {
      {"criterion", "criterion", criterion.text(), criterion.text()},
      {"draws", "drawn", laws, laws.empty() ? "nothing but birefringence, data and noise" : laws},
      {"screened", "screened", screened, grouped(screened) + " realisations, by DGD and PDL"},
      {"realisations", "simulated", found.frames, grouped(found.frames)},
      {"outage_probability", "outage probability", found.probability, readable(found.probability, 3)},
      {"outage_low", "95 % interval", found.interval.low,
       readable(found.interval.low, 3) + " to " + readable(found.interval.high, 3)},
      {"outage_high", "", found.interval.high, ""},
      {"reference_snr_db", "SNR of the reference", found.reference_snr_db,
       readable(found.reference_snr_db) + " dB   (no PMD, no PDL of amplifiers, drawn keys as given)"}};
  if (!found.remark.empty()) facts.push_back({"remark", "rests on", found.remark, found.remark});
  return facts;
}

}  // namespace cohlink
