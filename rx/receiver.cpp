#include "rx/receiver.h"

#include <algorithm>
#include <cmath>
#include <stdexcept>
#include <utility>

#include "rx/blocks/lanes.h"
#include "rx/chain/assembly.h"
#include "rx/chain/decide.h"
#include "rx/stage/block.h"
#include "sim/signal/execution/threads.h"
#include "sim/signal/line/read_line.h"

namespace cohlink {
namespace {

const Truth* truth_of(const Capture& capture) { return capture.truth ? &*capture.truth : nullptr; }

}  // namespace

struct Receiver::Parts {
  double symbol_rate;
  double wavelength;  // m
  ScoreParameters scoring;
  std::vector<ChainLink> chain;
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
  std::vector<ChainLink> chain = assembled_chain(scenario, execution);
  parts_ = std::make_unique<Parts>(Parts{pulse_of(scenario).symbol_rate, channel_wavelength(scenario),
                                         scoring_of(scenario), std::move(chain), std::move(execution)});
}

Receiver::~Receiver() = default;
Receiver::Receiver(Receiver&&) noexcept = default;

std::vector<BlockCost> Receiver::cost(double adc_rate, std::size_t symbols) const {
  std::vector<BlockCost> costs;
  for (const ChainLink& link : parts_->chain)
    costs.push_back({link.row->name, link.block.cost(adc_rate, symbols)});
  return costs;
}

void Receiver::check_length(double adc_rate, std::size_t symbols) const {
  double cut = 0.0;
  for (const ChainLink& link : parts_->chain) cut += link.block.edge(adc_rate);
  refuse_short(symbols, static_cast<std::size_t>(std::ceil(cut)));
  refuse_undecodable(static_cast<double>(symbols) - std::ceil(cut), parts_->scoring);
}

void Receiver::decode_together(std::size_t frames) {
  if (!parts_->scoring.decode.empty()) parts_->scoring.frames = frames;
}
std::size_t Receiver::decoded_together() const { return parts_->scoring.frames; }

std::optional<fec::PostFec> Receiver::decode(std::span<const float> likelihoods,
                                             std::vector<std::string>& warnings) const {
  if (parts_->scoring.decode.empty()) return std::nullopt;
  return cohlink::decode(likelihoods, parts_->scoring.decode, parts_->execution, warnings);
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

void Receiver::replace(const std::string& name, const BlockFunction& function, double edge) {
  ChainLink& link = parts_->chain[find_link(parts_->chain, name)];
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
  const std::size_t blocks = name == "lanes" ? 0 : find_link(parts_->chain, name) + 1;
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
  for (const ChainLink& link : parts_->chain) titles.emplace_back(link.row->title);
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
