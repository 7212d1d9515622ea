#include "tools/study/plan/cuts.h"

#include <algorithm>
#include <array>
#include <string_view>

#include "rx/chain/knock_out.h"
#include "rx/chain/table.h"
#include "sim/signal/scenario/strings.h"
#include "tools/study/plan/numbers.h"
#include "tools/study/plan/vary.h"

namespace cohlink {
namespace {

/// Values that people choose, from generous to bare.
struct Ladder {
  std::string_view key, values;
};
constexpr std::array<Ladder, 10> kLadders = {{
    {"dsp.equaliser_taps", "127|95|63|47|31|23|15|11|9|7|5|3"},
    {"dsp.equaliser_form", "widely-linear|complex"},
    {"dsp.test_phases", "256|128|64|32|24|16|12|8|6|4"},
    {"dsp.phase_window", "256|128|64|32|16|8"},
    {"dsp.phase_second_stage", "ml|off"},
    {"dsp.phase_second_window", "256|128|64|32|16|8"},
    {"dsp.clock_window", "65536|32768|16384|8192|4096|2048|1024"},
    {"dsp.dispersion_overlap", "2|1.5|1|0.8|0.6|0.4|0.2|0.1"},
    {"dsp.back_propagation_steps", "64|32|16|8|6|4|3|2|1"},
    {"adc.bits", "16|14|12|10|8|7|6|5|4|3"},
}};
constexpr std::size_t kMostRungs = 6;

/// The block of the chain that reads a key; "" for none.
std::string reader_of(const Scenario& scenario, std::string_view key) {
  for (const BlockRow* row : rows_of(scenario.list("dsp.chain"))) {
    const auto keys = split(row->keys, ',');
    if (std::find(keys.begin(), keys.end(), key) != keys.end()) return row->title;
  }
  return "";
}

/// What stands below the scenario's own value.
Cut cut_down(const Scenario& scenario, const Ladder& ladder) {
  Cut cut{std::string(ladder.key), "", {scenario.written(ladder.key)}};
  const auto now = parse_number(cut.values.front());
  bool below = false;
  for (const std::string& value : split(ladder.values, '|')) {
    const auto number = parse_number(value);
    if (now ? number < now : below) cut.values.push_back(value);
    below = below || value == cut.values.front();
  }
  cut.values.resize(std::min(cut.values.size(), kMostRungs));
  return cut;
}

}  // namespace

std::vector<Cut> receiver_cuts(const Scenario& scenario) {
  std::vector<Cut> cuts;
  for (const Ladder& ladder : kLadders) {
    const std::string reader = reader_of(scenario, ladder.key);
    const bool read = !reader.empty() || ladder.key == "adc.bits";
    if (!read || scenario.find_tie(ladder.key) != nullptr) continue;
    Cut cut = cut_down(scenario, ladder);
    cut.reader = reader;
    if (cut.values.size() > 1) cuts.push_back(std::move(cut));
  }
  for (const ChainVariant& variant : knock_outs(scenario.list("dsp.chain"))) {
    const auto& table = block_table();
    const bool block = std::any_of(table.begin(), table.end(),
                                   [&](const BlockRow& row) { return row.title == variant.without; });
    if (block && variant.refusal.empty()) cuts.push_back({"", variant.without, {"there", "left out"}});
  }
  return cuts;
}

Cut parse_cut(const std::string& text, const Scenario& scenario, const std::string& origin) {
  const std::vector<Axis> axes = parse_vary({text}, origin);
  const Axis& axis = axes.front();
  const std::string where = as_given(origin, text);
  if (varied_keys(axes).size() > 1) throw InputError(where, "one key at a time");
  const BenchStage stage = bench_stage(*find_key(axis.key));
  if ((stage != BenchStage::kReceiver && stage != BenchStage::kFrontend) || axis.key == "dsp.chain")
    throw InputError(where, "is no setting of the receiver that could be cut");
  Cut cut{axis.key, "", {scenario.written(axis.key)}};
  for (const std::string& value : axis.values) {
    Scenario(scenario).set(axis.key, value, where);
    if (value != cut.values.front()) cut.values.push_back(value);
  }
  cut.reader = reader_of(scenario, axis.key);
  if (cut.values.size() == 1) throw InputError(where, "is what the scenario has already");
  return cut;
}

bool says_twice(const std::vector<Cut>& cuts, const Rungs& rungs) {
  for (std::size_t c = 0; c < cuts.size(); ++c)
    for (std::size_t b = 0; b < cuts.size(); ++b)
      if (rungs[c] > 0 && rungs[b] > 0 && !cuts[b].block.empty() && cuts[c].reader == cuts[b].block)
        return true;
  return false;
}

Scenario with_cuts(const Scenario& scenario, const std::vector<Cut>& cuts, const Rungs& rungs) {
  Scenario lean = scenario;
  const auto chain = scenario.list("dsp.chain");
  const auto rows = rows_of(chain);
  std::vector<std::string> missing, left;
  for (std::size_t c = 0; c < cuts.size(); ++c) {
    if (rungs[c] == 0) continue;
    if (cuts[c].block.empty())
      lean.set(cuts[c].key, cuts[c].values[rungs[c]], "cut");
    else
      missing.push_back(cuts[c].block);
  }
  if (missing.empty()) return lean;
  for (std::size_t i = 0; i < chain.size(); ++i)
    if (std::find(missing.begin(), missing.end(), rows[i]->title) == missing.end()) left.push_back(chain[i]);
  lean.set("dsp.chain", join(left, ","), "cut");
  return lean;
}

std::string cuts_text(const std::vector<Cut>& cuts, const Rungs& rungs) {
  std::string text;
  for (std::size_t c = 0; c < cuts.size(); ++c) {
    if (rungs[c] == 0) continue;
    text += text.empty() ? "" : ", ";
    text += cuts[c].block.empty() ? cuts[c].key + "=" + cuts[c].values[rungs[c]] : "without " + cuts[c].block;
  }
  return text.empty() ? "nothing" : text;
}

}  // namespace cohlink
