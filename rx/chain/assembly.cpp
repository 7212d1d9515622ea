#include "rx/chain/assembly.h"

#include <algorithm>
#include <cmath>
#include <span>

#include "rx/blocks/frame_knowledge.h"
#include "rx/chain/order.h"
#include "sim/signal/constellation.h"
#include "sim/signal/frame_layout.h"
#include "sim/signal/scenario/errors.h"

namespace cohlink {
namespace {

// dsp.chain, and frame-sync before what takes the signal to one sample a symbol, where there is a frame to
// be found and the chain does not say where.
std::vector<std::string> names_of(const Scenario& scenario) {
  std::vector<std::string> names = scenario.list("dsp.chain");
  if (const std::string fault = chain_fault(names); !fault.empty()) scenario.reject("dsp.chain", fault);
  const char* sync = "frame-sync";
  if (!usable_frame(scenario) || std::find(names.begin(), names.end(), sync) != names.end()) return names;
  const auto rows = rows_of(names);
  const auto last =
      std::find_if(rows.begin(), rows.end(), [](const BlockRow* row) { return row->leaves == Rate::kOne; });
  names.insert(names.begin() + (last - rows.begin()), sync);
  return names;
}

// The code to decode; empty: none.
std::string code_to_decode(const Scenario& scenario) {
  if (!scenario.boolean("fec.decode")) return {};
  const std::string code = scenario.text("fec.code");
  if (code == "none") scenario.reject("fec.decode", "needs a code (fec.code), and there is none");
  if (scenario.boolean("signal.differential"))
    scenario.reject("fec.decode",
                    "takes soft decisions, which differential decoding (signal.differential) has none of");
  if (constellation(modulation_of(scenario)).empty())
    scenario.reject("fec.decode", "needs bits, which Gaussian symbols carry none of");
  return code;
}

}  // namespace

std::vector<ChainLink> assembled_chain(const Scenario& scenario, const Execution& execution) {
  const std::vector<std::string> names = names_of(scenario);
  if (scenario.text("dsp.dispersion") == "blind" &&
      std::find(names.begin(), names.end(), "dispersion") == names.end())
    scenario.reject("dsp.dispersion", "blind needs the block 'dispersion' in dsp.chain, which has none");
  std::vector<ChainLink> chain;
  for (const BlockRow* row : rows_of(names)) {
    const BlockSetting setting{scenario, execution, pulse_of(scenario), modulation_of(scenario),
                               std::span(names).subspan(chain.size() + 1)};
    chain.push_back({row, row->make(setting)});
  }
  return chain;
}

std::size_t find_link(const std::vector<ChainLink>& chain, const std::string& name) {
  std::vector<std::size_t> found;
  std::string titles;
  for (std::size_t i = 0; i < chain.size(); ++i) {
    const BlockRow& row = *chain[i].row;
    if (name == row.name || name == row.title) found.push_back(i);
    titles += (i > 0 ? ", " : "") + std::string(row.title);
  }
  if (found.size() == 1) return found.front();
  throw InputError((found.empty() ? "the chain has no block '" : "the chain has more than one block '") +
                   name + "'; its blocks are " + titles);
}

ScoreParameters scoring_of(const Scenario& scenario) {
  const FrameLayout layout = frame_layout(scenario);
  return {modulation_of(scenario),
          scenario.boolean("signal.differential"),
          layout,
          layout.spacing > 0 && scenario.text("dsp.pilots") == "used",
          2,
          code_to_decode(scenario)};
}

void refuse_undecodable(double symbols, const ScoreParameters& scoring) {
  if (scoring.decode.empty()) return;
  symbols *= static_cast<double>(scoring.frames);
  const double bits = 2.0 * bits_per_symbol(scoring.modulation) * scoring.layout.payload_share();
  const auto least = static_cast<double>(fec::least_bits(scoring.decode));
  if (symbols * bits < least)
    throw InputError(
        {}, "fec.decode",
        scoring.decode + " is decoded " + std::to_string(std::lround(least)) +
            " bits or more at a time, which takes " + std::to_string(std::lround(std::ceil(least / bits))) +
            " symbols beside those at the edges; there are " + std::to_string(std::lround(symbols)) +
            " (signal.symbols, or fec.frames of them together)");
}

}  // namespace cohlink
