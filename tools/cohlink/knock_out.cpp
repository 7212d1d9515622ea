#include "tools/cohlink/knock_out.h"

#include <algorithm>
#include <cmath>
#include <limits>

#include "rx/chain/knock_out.h"
#include "rx/receiver.h"
#include "sim/signal/scenario/strings.h"
#include "tools/study/plan/fec.h"

namespace cohlink {
namespace {

struct Row {
  std::string without, outcome;
  std::optional<Score> score;
  double snr_db = std::numeric_limits<double>::quiet_NaN();
};

std::string why_no_lock(const ReceiverResult& result) {
  const std::string no_lock = "no lock";
  for (const auto& warning : result.warnings)
    if (warning.starts_with(no_lock)) return warning;
  return result.warnings.empty() ? no_lock : no_lock + ": " + result.warnings.front();
}

/// `keep`: the bits are not decoded yet.
Row received(const std::string& without, const Capture& capture, const Scenario& scenario,
             const Execution& execution, bool keep = false) {
  Row row{without, "locked", std::nullopt};
  try {
    Receiver receiver(scenario, execution);
    if (keep) receiver.decode_together(2);
    const ReceiverResult result = receiver(capture, false);
    row.score = result.score;
    const auto threshold = verdict_threshold(scenario);
    if (result.locked)
      row.snr_db = result.snr_db;
    else
      row.outcome = why_no_lock(result);
    const bool held = result.least_coherence() >= result.coherence_needed;
    if (row.score && !held) row.outcome = "no lock: the carrier phase is not held";
    // A verdict is about the bits; without the carrier only a pass stands.
    if (result.locked && row.score && threshold) {
      const std::string word = verdict(*threshold, *row.score);
      if (held || word == "pass") row.outcome = word;
    }
  } catch (const InputError& error) {
    row.outcome = std::string("refused: ") + error.what();
  }
  return row;
}

/// The decoder with each of its stages left out in turn, on the bits that the whole receiver gave it.
std::vector<Row> decoder_rows(const Capture& capture, const Scenario& scenario, const Execution& execution) {
  if (!scenario.boolean("fec.decode") || !capture.truth) return {};
  const std::string code = scenario.text("fec.code");
  const std::vector<std::string> stages = fec::decoder_stages(code);
  if (stages.empty()) return {};
  std::vector<Row> rows;
  Row row = received("", capture, scenario, execution, true);
  if (!row.score || row.score->likelihoods.size() < fec::least_bits(code)) return {};
  for (const std::string& stage : stages) {
    const fec::PostFec left = fec::decode_flipped(code, row.score->likelihoods, execution, stage);
    row.without = "decoder's " + stage;
    row.outcome = std::to_string(left.lost_blocks) + " of " + std::to_string(left.blocks) + " blocks lost";
    row.score->post_fec = left;
    rows.push_back(row);
  }
  return rows;
}

Cell finite(double value) { return std::isfinite(value) ? Cell(value) : Cell(); }

Table table_of(const std::vector<Row>& rows, bool decoded) {
  Table table;
  std::vector<std::string> names = {"without", "ber",         "ber_low",    "ber_high",
                                    "snr_db",  "snr_loss_db", "cycle_slips"};
  if (decoded) names.insert(names.end(), {"post_fec_ber", "post_fec_lost_blocks", "post_fec_blocks"});
  names.emplace_back("outcome");
  for (const std::string& name : names)
    table.add(name, name.find("ber") != std::string::npos ? Look::kScientific : Look::kHundredths);
  for (const Row& row : rows) {
    const bool counted = row.score && row.score->both.bits > 0,
               left = row.score && row.score->post_fec && row.score->post_fec->blocks > 0;
    std::vector<Cell> cells = {row.without,
                               counted ? Cell(row.score->both.ber()) : Cell(),
                               counted ? Cell(row.score->interval.low) : Cell(),
                               counted ? Cell(row.score->interval.high) : Cell(),
                               finite(row.snr_db),
                               finite(rows.front().snr_db - row.snr_db),
                               row.score ? Cell(static_cast<std::uint64_t>(row.score->cycle_slips)) : Cell()};
    if (decoded)
      cells.insert(cells.end(), {left ? Cell(row.score->post_fec->ber()) : Cell(),
                                 left ? Cell(row.score->post_fec->lost_blocks) : Cell(),
                                 left ? Cell(row.score->post_fec->blocks) : Cell()});
    cells.emplace_back(row.outcome);
    for (std::size_t c = 0; c < table.columns.size(); ++c) table.columns[c].cells.push_back(cells[c]);
  }
  return table;
}

}  // namespace

Table knock_out_table(const Capture& capture, const Scenario& scenario, const Execution& execution) {
  std::vector<Row> rows = {received("(nothing)", capture, scenario, execution)};
  for (const ChainVariant& variant : knock_outs(scenario.list("dsp.chain"))) {
    if (!variant.refusal.empty()) {
      rows.push_back({variant.without, "refused: " + variant.refusal, std::nullopt});
      continue;
    }
    Scenario without = scenario;
    without.set("dsp.chain", join(variant.chain, ","), "--knock-out");
    if (std::find(variant.chain.begin(), variant.chain.end(), "dispersion") == variant.chain.end() &&
        without.text("dsp.dispersion") == "blind")
      without.set("dsp.dispersion", std::string(find_key("dsp.dispersion")->default_value), "--knock-out");
    rows.push_back(received(variant.without, capture, without, execution));
  }
  for (Row& row : decoder_rows(capture, scenario, execution)) rows.push_back(std::move(row));
  return table_of(rows, scenario.boolean("fec.decode"));
}

}  // namespace cohlink
