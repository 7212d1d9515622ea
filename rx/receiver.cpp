#include "rx/receiver.h"

#include <algorithm>
#include <cmath>
#include <stdexcept>
#include <utility>

#include "rx/blocks/frame_knowledge.h"
#include "rx/blocks/lanes.h"
#include "rx/chain/decide.h"
#include "rx/chain/order.h"
#include "rx/chain/table.h"
#include "rx/stage/block.h"
#include "sim/signal/execution/threads.h"
#include "sim/signal/line/read_line.h"
#include "sim/signal/scenario/errors.h"

namespace cohlink {
namespace {

struct Link {
  const BlockRow* row;
  Block block;
};

const Truth* truth_of(const Capture& capture) { return capture.truth ? &*capture.truth : nullptr; }

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

std::vector<Link> make_chain(const Scenario& scenario, const Execution& execution) {
  const std::vector<std::string> names = names_of(scenario);
  if (scenario.text("dsp.dispersion") == "blind" &&
      std::find(names.begin(), names.end(), "dispersion") == names.end())
    scenario.reject("dsp.dispersion", "blind needs the block 'dispersion' in dsp.chain, which has none");
  std::vector<Link> chain;
  for (const BlockRow* row : rows_of(names)) {
    const BlockSetting setting{scenario, execution, pulse_of(scenario), modulation_of(scenario),
                               std::span(names).subspan(chain.size() + 1)};
    chain.push_back({row, row->make(setting)});
  }
  return chain;
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

// Captures that leave less than the code is decoded in, both polarisations together.
void refuse_undecodable(double symbols, const ScoreParameters& scoring) {
  if (scoring.decode.empty()) return;
  const double bits = 2.0 * bits_per_symbol(scoring.modulation) * scoring.layout.payload_share();
  const auto least = static_cast<double>(fec::least_bits(scoring.decode));
  if (symbols * bits < least)
    throw InputError({}, "fec.decode",
                     scoring.decode + " is decoded " + std::to_string(std::lround(least)) +
                         " bits or more at a time, which takes " +
                         std::to_string(std::lround(std::ceil(least / bits))) +
                         " symbols beside those at the edges; there are " +
                         std::to_string(std::lround(symbols)) + " (signal.symbols)");
}

}  // namespace

struct Receiver::Parts {
  double symbol_rate;
  double wavelength;  // m
  ScoreParameters scoring;
  std::vector<Link> chain;
  Execution execution;  // keeps the plans that the blocks use
};

// Where in a recording a capture lies.
struct Receiver::Place {
  const Continuation* from = nullptr;
  bool inside = false;     // not at its beginning
  std::size_t judged = 0;  // symbols that the piece before has judged
};

// What a capture comes down to.
struct Receiver::Incoming {
  Field<float> signal;
  const Truth* truth;
  bool one_polarisation;

  explicit Incoming(const Capture& capture)
      : signal(read_lanes(capture)),
        truth(capture.truth ? &*capture.truth : nullptr),
        one_polarisation(capture.one_polarisation()) {}
  Incoming(Field<float> field, const Truth* known)
      : signal(read_lanes(std::move(field))), truth(known), one_polarisation(is_silent(signal.y)) {}
};

Receiver::Receiver(const Scenario& scenario, Execution execution) {
  const FrameLayout layout = frame_layout(scenario);
  const ScoreParameters scoring{modulation_of(scenario),
                                scenario.boolean("signal.differential"),
                                layout,
                                layout.spacing > 0 && scenario.text("dsp.pilots") == "used",
                                2,
                                code_to_decode(scenario)};
  std::vector<Link> chain = make_chain(scenario, execution);
  parts_ = std::make_unique<Parts>(Parts{pulse_of(scenario).symbol_rate, channel_wavelength(scenario),
                                         scoring, std::move(chain), std::move(execution)});
}

Receiver::~Receiver() = default;
Receiver::Receiver(Receiver&&) noexcept = default;

std::vector<BlockCost> Receiver::cost(double adc_rate, std::size_t symbols) const {
  std::vector<BlockCost> costs;
  for (const Link& link : parts_->chain)
    costs.push_back({link.row->name, link.block.cost(adc_rate, symbols)});
  return costs;
}

void Receiver::check_length(double adc_rate, std::size_t symbols) const {
  double cut = 0.0;
  for (const Link& link : parts_->chain) cut += link.block.edge(adc_rate);
  refuse_short(symbols, static_cast<std::size_t>(std::ceil(cut)));
  refuse_undecodable(static_cast<double>(symbols) - std::ceil(cut), parts_->scoring);
}

ReceiverResult Receiver::operator()(const Capture& capture, bool record, const StepDone& after) const {
  return receive(Incoming(capture), record, after, {});
}

std::vector<ReceiverResult> Receiver::operator()(std::span<const Capture> captures, bool record) const {
  std::vector<ReceiverResult> results(captures.size());
  for_each_index(captures.size(), parts_->execution.threads(),
                 [&](std::size_t i) { results[i] = (*this)(captures[i], record); });
  return results;
}

std::vector<ReceiverResult> Receiver::operator()(const FieldBatch<float>& fields,
                                                 std::span<const Truth> truth, bool record) const {
  if (!truth.empty() && truth.size() != fields.frames())
    throw std::invalid_argument("a batch needs the truth of each of its frames, or none");
  std::vector<ReceiverResult> results(fields.frames());
  for_each_index(results.size(), parts_->execution.threads(), [&](std::size_t i) {
    results[i] = receive({fields.field(i), truth.empty() ? nullptr : &truth[i]}, record, {}, {});
  });
  return results;
}

ReceiverResult Receiver::go_on(const Capture& capture, const Continuation& from) const {
  return receive(Incoming(capture), false, {}, {&from, true, 0});
}

ReceiverResult Receiver::start_inside(const Capture& capture, std::size_t judged, bool record) const {
  return receive(Incoming(capture), record, {}, {nullptr, true, judged});
}

// The one block of that name or title.
std::size_t Receiver::find(const std::string& name) const {
  std::vector<std::size_t> found;
  std::string titles;
  for (std::size_t i = 0; i < parts_->chain.size(); ++i) {
    const BlockRow& row = *parts_->chain[i].row;
    if (name == row.name || name == row.title) found.push_back(i);
    titles += (i > 0 ? ", " : "") + std::string(row.title);
  }
  if (found.size() == 1) return found.front();
  throw InputError((found.empty() ? "the chain has no block '" : "the chain has more than one block '") +
                   name + "'; its blocks are " + titles);
}

void Receiver::replace(const std::string& name, const BlockFunction& function, double edge) {
  Link& link = parts_->chain[find(name)];
  link.block = user_block(*link.row, function, edge);
}

// The first `blocks` blocks of the chain.
void Receiver::run(Carried& c, std::size_t blocks, bool record, const StepDone& after) const {
  const auto done = [&](const std::string& step) {
    if (after) after(step, c.signal);
  };
  const double share = 1.0 / static_cast<double>(parts_->chain.size() + 1);  // of a block, and of the score
  done("lanes");
  if (record) c.result.input = record_stage("lanes", c.signal, c.symbol_rate, parts_->execution.ffts());
  done("stage record");
  for (const auto& [row, block] : std::span(parts_->chain).first(blocks)) {
    parts_->execution.check();
    c.require(block.edge(c.signal.sample_rate));
    block.apply(c);
    done(row->name);
    if (record) {
      c.result.stages.push_back(record_stage(row->name, c.signal, c.symbol_rate, parts_->execution.ffts()));
      c.result.stages.back().signals = std::move(c.signals);
    }
    c.signals.clear();
    done("stage record");
    parts_->execution.progress(share);
  }
  c.require(0.0);
}

Interim Receiver::until(const Capture& capture, const std::string& name) const {
  const std::size_t blocks = name == "lanes" ? 0 : find(name) + 1;
  Interim interim;
  interim.result.one_polarisation = capture.one_polarisation();
  interim.result.wavelength = parts_->wavelength;
  Carried c{{}, read_lanes(capture), truth_of(capture), parts_->symbol_rate, interim.result};
  run(c, blocks, false, {});
  interim.first = c.first();
  interim.last = c.last();
  interim.state = c;
  interim.signal = std::move(c.signal);
  return interim;
}

std::vector<std::string> Receiver::blocks() const {
  std::vector<std::string> titles;
  for (const Link& link : parts_->chain) titles.emplace_back(link.row->title);
  return titles;
}

ReceiverResult Receiver::judge(const Capture& capture, Interim interim) const {
  check_signal("what is to be judged has ", interim.signal, parts_->symbol_rate);
  Carried c{std::move(interim.state), std::move(interim.signal), truth_of(capture), parts_->symbol_rate,
            interim.result};
  c.require(0.0);
  decide(c, parts_->scoring, 0, parts_->execution);
  return std::move(interim.result);
}

ReceiverResult Receiver::judge(const Capture& capture, Field<float> symbols, std::size_t skip) const {
  Interim interim;
  symbols.sample_rate = parts_->symbol_rate;
  interim.result.one_polarisation = symbols.y.empty();
  if (symbols.y.empty()) symbols.y.resize(symbols.size());
  interim.signal = std::move(symbols);
  interim.state.cut = static_cast<double>(skip);
  interim.state.carrier_known = false;
  return judge(capture, std::move(interim));
}

ReceiverResult Receiver::receive(Incoming in, bool record, const StepDone& after, const Place& place) const {
  ReceiverResult result;
  result.one_polarisation = in.one_polarisation;
  result.wavelength = parts_->wavelength;
  Carried c{{}, std::move(in.signal), in.truth, parts_->symbol_rate, result, place.from, place.inside};
  run(c, parts_->chain.size(), record, after);
  parts_->execution.check();
  decide(c, parts_->scoring, place.judged, parts_->execution);
  parts_->execution.progress(1.0 / static_cast<double>(parts_->chain.size() + 1));
  if (after) after("score", result.symbols);
  return result;
}

}  // namespace cohlink
