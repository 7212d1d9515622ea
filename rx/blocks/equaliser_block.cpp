// The equaliser as a block of the chain.
#include <optional>

#include "rx/blocks/equaliser.h"
#include "rx/blocks/frame_knowledge.h"
#include "rx/stage/block.h"
#include "sim/signal/scenario/errors.h"

namespace cohlink {
namespace {

// What the block was told beforehand.
struct Told {
  std::size_t training = 0;             // symbols of the truth
  std::optional<FrameKnowledge> frame;  // where the layout has one that may be used
};

void equalise(const Equaliser& equaliser, const Constellation& points, const Told& told, Carried& c) {
  std::size_t training = told.training;
  std::array<Symbols, 2> known;
  const EqualiserTaps* start =
      c.from != nullptr && !c.from->before.taps[0][0].empty() ? &c.from->before.taps : nullptr;
  if (c.inside) training = 0;
  if (training > 0) {
    if (c.truth == nullptr)
      throw InputError(Origin(), "dsp.training_symbols",
                       "needs known symbols, which this capture does not have");
    const std::size_t first = c.first();
    for (std::size_t p = 0; p < 2; ++p) {
      const auto end = c.truth->symbols[p].begin() +
                       static_cast<std::ptrdiff_t>(std::min(training, c.truth->symbols[p].size()));
      known[p].assign(c.truth->symbols[p].begin(), end);
    }
    if (known[0].size() < first + 2 * Equaliser::kBlock)
      throw InputError(Origin(), "dsp.training_symbols",
                       std::to_string(training) + " are too few, the first " + std::to_string(first) +
                           " symbols are lost to the filters' edges");
    c.result.used_known_data.push_back("equaliser (" + std::to_string(known[0].size()) +
                                       " training symbols)");
  }
  const bool framed = told.frame && c.frame_start;
  if (framed) c.result.used_known_data.push_back("equaliser (frame)");
  EqualiserResult out =
      equaliser(c.signal, c.first(), c.last(),
                {training > 0 ? &known : nullptr, c.result.frequency_offset_hz.value_or(0.0), start,
                 framed ? &*told.frame : nullptr, c.frame_start.value_or(0)});
  c.signal = std::move(out.symbols);
  c.result.taps = std::move(out.taps);
  c.result.counters["equaliser_singularities"] += out.singularities;
  c.singular = out.singular;
  if (out.singular) c.result.warnings.push_back("equaliser: both outputs have locked to one polarisation");
  c.signals.push_back(record_signal("modulus error", "", modulus_error(c.signal, points, Equaliser::kBlock),
                                    0.0, Equaliser::kBlock));
}

// Shaped symbols are too like noise for a modulus or rings to tell them from it: taps are learnt from known
// symbols, and then stay, or follow those of a frame, unless decisions are asked for.
void follow_shaped(const Scenario& s, const std::string& rule, EqualiserParameters& p) {
  if (s.integer("dsp.training_symbols") == 0 && !usable_frame(s))
    s.reject("dsp.training_symbols",
             "shaped symbols (signal.entropy_bits) give a blind equaliser nothing to start on: it needs "
             "training symbols, or a frame (signal.frame)");
  if (rule == "cma" || rule == "radius-directed")
    s.reject("dsp.equaliser",
             rule + " cannot hold shaped symbols (signal.entropy_bits); auto or decision-directed");
  if (p.widely_linear)
    s.reject("dsp.equaliser_form", "widely-linear cannot hold shaped symbols (signal.entropy_bits)");
  p.at_known_alone = rule == "auto" && usable_frame(s).has_value();
  if (rule == "auto" && !p.at_known_alone) p.rule = EqualiserRule::kHold;
}

Told told_by(const Scenario& s, Modulation modulation) {
  Told told{static_cast<std::size_t>(s.integer("dsp.training_symbols")), {}};
  if (const auto layout = usable_frame(s)) told.frame.emplace(modulation, *layout);
  if (told.frame && told.training > 0)
    s.reject("dsp.training_symbols",
             "are the truth's; signal.frame has its own: set 0, or dsp.pilots = ignored");
  return told;
}

double share_known(const FrameKnowledge& frame) {
  return static_cast<double>(frame.block().places.size()) / static_cast<double>(frame.layout().block);
}

EqualiserParameters equaliser_of(const Scenario& s, Modulation modulation) {
  EqualiserParameters p;
  p.modulation = modulation;
  p.taps = static_cast<int>(s.integer("dsp.equaliser_taps"));
  if (p.taps % 2 == 0) s.reject("dsp.equaliser_taps", "must be odd, so that one tap is the centre");
  p.step = s.number("dsp.equaliser_step");
  p.turn_step = s.number("dsp.equaliser_turn_step");
  p.passes = static_cast<int>(s.integer("dsp.equaliser_passes"));
  const Constellation& points = constellation(modulation);
  const std::string rule = s.text("dsp.equaliser");
  // A short row's own noise misleads the constant modulus rule more than it does decisions: QPSK, 15 taps and
  // 1024 symbols lose 0.16 dB of SNR to it, at 4096 symbols 0.04 dB.
  constexpr std::size_t kSymbolsATap = 256;
  if (rule == "auto" && points.one_ring()) p.decide_below = kSymbolsATap * static_cast<std::size_t>(p.taps);
  if (rule == "cma" || (rule == "auto" && points.one_ring())) p.rule = EqualiserRule::kConstantModulus;
  if (rule == "radius-directed") p.rule = EqualiserRule::kRadiusDirected;
  if (rule == "decision-directed" || (rule == "auto" && !points.one_ring()))
    p.rule = EqualiserRule::kDecisionDirected;
  if (rule == "auto" && usable_frame(s)) p.rule = EqualiserRule::kDecisionDirected, p.decide_below = 0;
  p.widely_linear = s.text("dsp.equaliser_form") == "widely-linear";
  if (p.widely_linear) {
    if (points.empty())
      s.reject("dsp.equaliser_form", "Gaussian symbols have no decisions for a widely linear equaliser");
    if (rule == "auto") p.rule = EqualiserRule::kDecisionDirected;
  }
  if (points.is_shaped()) follow_shaped(s, rule, p);
  if (points.empty()) {
    if (s.integer("dsp.training_symbols") == 0)
      s.reject("dsp.training_symbols",
               "Gaussian symbols have no constellation: an equaliser needs training symbols");
    p.rule = EqualiserRule::kHold;
  }
  return p;
}

}  // namespace

Block equaliser_block(const BlockSetting& setting) {
  const Scenario& s = setting.scenario;
  EqualiserParameters p = equaliser_of(s, setting.modulation);
  const Told told = told_by(s, setting.modulation);
  if (told.frame) p.known_share = share_known(*told.frame);
  const Equaliser equaliser(p, setting.execution);
  Block block;
  block.apply = [equaliser, told, &points = constellation(setting.modulation)](Carried& c) {
    equalise(equaliser, points, told, c);
  };
  block.edge = edge_of(static_cast<double>(p.taps) / (2 * kSamplesPerSymbol));
  block.cost = cost_of(equaliser.cost());
  return block;
}

}  // namespace cohlink
