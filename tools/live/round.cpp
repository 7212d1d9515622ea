#include "tools/live/round.h"

#include <algorithm>
#include <chrono>
#include <cmath>

#include "rx/stage/block.h"
#include "sim/budget/launch_noise.h"
#include "sim/budget/power_walk.h"
#include "sim/signal/units.h"
#include "tools/study/budget.h"
#include "tools/study/cautions.h"
#include "tools/study/plan/fec.h"
#include "tools/study/plan/theory.h"

namespace cohlink::live {
namespace {

using Json = nlohmann::json;
using Clock = std::chrono::steady_clock;

// JSON knows no infinity and no NaN.
Json finite(double value) { return std::isfinite(value) ? Json(value) : Json(); }

double symbol_rate_of(const Scenario& scenario) { return scenario.number("signal.symbol_rate_gbd") * 1e9; }

double roll_off_of(const Scenario& scenario) {
  return scenario.text("signal.pulse") == "rrc" ? scenario.number("signal.roll_off") : 1.0;
}

// The truth's carrier phase at symbol k, `removed_hz` of its turning taken away: as the phase block meets it.
double true_phase(const Truth& truth, std::size_t k, double removed_hz, double symbol_rate) {
  return truth.tx_phase_rad[k] - truth.lo_phase_rad[k] +
         kTwoPi * (truth.frequency_offset_hz - removed_hz) * static_cast<double>(k) / symbol_rate;
}

const StageSignal* phase_trace(const ReceiverResult& received) {
  for (const Stage& stage : received.stages)
    for (const StageSignal& signal : stage.signals)
      if (signal.name == "carrier phase") return &signal;
  return nullptr;
}

}  // namespace

// What each step of a reception left.
struct Rounds::Seen {
  std::vector<Picture> pictures;  // the lanes, then the blocks
};

Rounds::Rounds(const Scenario& scenario, const Execution& execution)
    : scenario_(scenario),
      link_(scenario, execution),
      receiver_(scenario, execution),
      pictures_(symbol_rate_of(scenario), roll_off_of(scenario)) {}

Packet Rounds::next(const Look& look) {
  const auto began = Clock::now();
  const Capture capture = link_(rounds_, 0);
  const auto captured = Clock::now();
  const Truth* truth = capture.truth ? &*capture.truth : nullptr;
  Seen seen;
  const auto watch = [&](const std::string& step, const Field<float>& signal) {
    if (step == "stage record" || step == "score") return;
    const bool chosen = seen.pictures.size() == look.block;
    seen.pictures.push_back(pictures_(signal, truth, look.all_samples, chosen));
  };
  const ReceiverResult received = receiver_(capture, true, watch);
  const FrameResult frame = count_received(capture, received);
  total_ += frame;
  ++rounds_;

  Packet packet;
  packet.head = {{"type", "round"}, {"round", rounds_}, {"look", look.block}, {"all", look.all_samples}};
  add_numbers(packet, frame, received);
  add_blocks(packet, seen, received);
  add_traces(packet, capture, received);
  if (rounds_ == 1) add_line(packet);
  if (rounds_ == 2) add_theory(packet);  // not while a knob is being turned: it may take a second
  const auto ms = [](Clock::duration d) { return std::chrono::duration<double, std::milli>(d).count(); };
  packet.head["ms"] = {{"light", ms(captured - began)}, {"all", ms(Clock::now() - began)}};
  return packet;
}

void Rounds::add_numbers(Packet& packet, const FrameResult& frame, const ReceiverResult& received) const {
  const Interval ber = total_.ber_interval();
  const MeasuredOutput snr = measured(total_, "snr_db");
  const auto threshold = fec_threshold(scenario_);
  packet.head["total"] = {{"errors", total_.count.errors}, {"bits", total_.count.bits},
                          {"ber", total_.count.ber()},     {"ber_low", ber.low},
                          {"ber_high", ber.high},          {"snr_db", finite(snr.value)},
                          {"snr_low_db", finite(snr.low)}, {"snr_high_db", finite(snr.high)},
                          {"unlocked", total_.unlocked}};
  packet.head["one"] = {{"errors", frame.count.errors},
                        {"bits", frame.count.bits},
                        {"ber", frame.count.ber()},
                        {"snr_db", finite(received.score ? received.snr_db : std::nan(""))},
                        {"locked", received.locked && received.score.has_value()}};
  packet.head["warnings"] = received.warnings;
  packet.head["threshold_ber"] = threshold ? Json(*threshold) : Json();
  if (received.channel)
    packet.head["channel"] = {
        {"dgd_ps", finite(1e12 * received.channel->dgd)},
        {"pdl_db", finite(to_db(received.channel->pdl))},
        {"dispersion_ps_per_nm", finite(received.in_ps_per_nm(received.channel->beta2_length))}};
}

void Rounds::add_blocks(Packet& packet, const Seen& seen, const ReceiverResult& received) const {
  const std::vector<std::string> titles = receiver_.blocks();
  Json& blocks = packet.head["blocks"] = Json::array();
  for (std::size_t i = 0; i < seen.pictures.size(); ++i) {
    const Picture& picture = seen.pictures[i];
    const Stage& stage = i == 0 ? received.input : received.stages[i - 1];
    Json response = Json::array();
    for (const auto& to : picture.response)
      for (const auto& from : to) response.push_back(packet.reals(std::span<const float>(from)));
    blocks.push_back({{"title", i == 0 ? std::string("lanes") : titles[i - 1]},
                      {"rate", picture.samples_per_symbol},
                      {"timing", picture.timing},
                      {"points", {packet.points(picture.points[0]), packet.points(picture.points[1])}},
                      {"response", response},
                      {"hz", packet.reals(std::span<const double>(stage.frequency_hz))},
                      {"spectrum",
                       {packet.reals(std::span<const float>(stage.spectrum_db[0])),
                        packet.reals(std::span<const float>(stage.spectrum_db[1]))}}});
    if (!picture.eye[0].empty())
      blocks.back()["eye"] = {packet.points(picture.eye[0]), packet.points(picture.eye[1])};
  }
}

void Rounds::add_traces(Packet& packet, const Capture& capture, const ReceiverResult& received) const {
  Json taps = Json::array();
  for (const auto& to : received.taps)
    for (const auto& from : to) {
      std::vector<float> flat;
      for (const auto& tap : from) flat.insert(flat.end(), {tap.real(), tap.imag()});
      taps.push_back(packet.reals(std::span<const float>(flat)));
    }
  packet.head["taps"] = taps;
  const double found = received.frequency_offset_hz.value_or(0.0);
  Json& carrier = packet.head["carrier"];
  carrier = {{"found_hz", received.frequency_offset_hz ? finite(found) : Json()}};
  if (capture.truth) carrier["true_hz"] = capture.truth->frequency_offset_hz;
  const StageSignal* trace = phase_trace(received);
  if (trace == nullptr || trace->rows.empty()) return;
  carrier["symbol"] = packet.reals(std::span<const double>(trace->symbol));
  carrier["estimate"] = packet.reals(std::span<const float>(trace->rows.front()));
  if (!capture.truth || capture.truth->tx_phase_rad.empty()) return;
  std::vector<double> truth;
  for (const double at : trace->symbol) {
    const auto k =
        std::min(static_cast<std::size_t>(std::max(0.0, at)), capture.truth->tx_phase_rad.size() - 1);
    truth.push_back(true_phase(*capture.truth, k, found, symbol_rate_of(scenario_)));
  }
  carrier["truth"] = packet.reals(std::span<const double>(truth));
}

void Rounds::add_line(Packet& packet) const {
  const LinkSetup setup = coarse(link_setup(scenario_));
  const double launch_psd = launch_noise_psd(setup.transmitter);
  Json spans = Json::array();
  for (const SpanLevel& level : walk_spans(setup, launch_psd))
    spans.push_back({{"in_dbm", finite(watt_to_dbm(level.input_power))},
                     {"out_dbm", finite(watt_to_dbm(level.output_power))},
                     {"km", setup.line.sections[level.span - 1].span.length / 1e3},
                     {"osnr_db", level.osnr ? finite(to_db(*level.osnr)) : Json()}});
  const LightLevels end = levels_of(setup, launch_psd);
  packet.head["line"] = {{"spans", spans},
                         {"launch_dbm", finite(watt_to_dbm(setup.line.comb.tested().power))},
                         {"end_osnr_db", end.osnr() ? finite(to_db(*end.osnr())) : Json()}};
  Json cautions = Json::array();
  if (const auto hazard = hazard_caution(link_.peak_fibre_power())) cautions.push_back(*hazard);
  for (const std::string& text : set_up_cautions_of(scenario_)) cautions.push_back(text);
  packet.head["cautions"] = cautions;
}

namespace {

// Where next to nothing but the converter disturbs, the budget says too little: it takes the lanes for
// Gaussian, and those of a clean signal hardly clip.
bool converter_rules(const Budget& budget) {
  return std::any_of(budget.terms.begin(), budget.terms.end(), [&](const NoiseTerm& term) {
    return term.name == "quantisation" && term.ratio * budget.snr > 0.5;
  });
}

}  // namespace

// Ideal reception in the noise that was loaded, where there is a closed form; else the whole budget, which
// counts the line's ASE and its nonlinear noise, too.
void Rounds::add_theory(Packet& packet) const {
  Json& theory = packet.head["theory"];
  if (const auto ber = theory_ber(scenario_)) {
    theory = {{"ber", finite(*ber)},
              {"snr_db", finite(to_db(*ideal_snr(scenario_)))},
              {"of", "white noise, ideal reception"}};
    return;
  }
  try {
    const Budget budget = make_budget(scenario_);
    if (converter_rules(budget)) return;
    theory = {{"ber", budget.ber ? finite(*budget.ber) : Json()},
              {"snr_db", finite(to_db(budget.snr))},
              {"of", "closed-form budget"}};
  } catch (const InputError&) {  // a line that no closed form is for
  }
}

}  // namespace cohlink::live
