// Carrier phase recovery as a block of the chain, with the pilots that settle its quarter turns.
#include <algorithm>

#include "rx/blocks/frame_knowledge.h"
#include "rx/blocks/operations.h"
#include "rx/blocks/phase.h"
#include "rx/blocks/pilot_phase.h"
#include "rx/stage/block.h"

namespace cohlink {
namespace {

void use_pilots(const PilotPhase& pilots, Carried& c) {
  const std::size_t first = c.first(), last = c.last();  // while the signal is there to be counted
  PilotResult out = pilots(std::move(c.signal), first, last);
  c.signal = std::move(out.symbols);
  c.result.counters["pilot_corrected_slips"] += out.slips;
  for (std::size_t i = 0; i < c.result.rows(); ++i)
    if (!out.found[i])
      c.result.warnings.push_back(std::string("no lock: no pilots found in output ") + (i == 0 ? "X" : "Y") +
                                  ", its quarter turns are left as they are");
  const bool both = c.result.rows() == 2, both_found = out.found[0] && (out.found[1] || !both),
             one_source = both && out.source[0] == out.source[1];
  if (both_found && one_source)
    c.result.warnings.push_back("no lock: both outputs carry the pilots of one polarisation");
  if (out.found[0] || out.found[1]) c.result.used_known_data.push_back("phase (pilot symbols)");
  c.pilots_lost = !both_found || one_source;
}

bool is_windowed(const PhaseParameters& p) {
  return p.method == PhaseMethod::kBlindSearch || p.method == PhaseMethod::kFourthPower;
}

// Symbols that took part in the estimate which turned each of them last, itself among them; 0 where that does
// not carry their own noise as decisions do: none, or fourth powers of rings, whose own scatter is larger.
std::size_t decided_together(const PhaseParameters& p, std::size_t rows) {
  const bool rings = p.method == PhaseMethod::kFourthPower && !constellation(p.modulation).one_ring();
  const int window = p.second_window > 0 ? p.second_window : rings ? 0 : p.window;
  return window > 0 ? static_cast<std::size_t>(2 * (window / 2) + 1) * (p.joint ? rows : 1) : 0;
}

// What the receiver knows of the signal's known symbols.
struct KnownPilots {
  std::optional<PilotPhase> pilots;     // without a frame
  std::optional<FrameKnowledge> frame;  // with one
};

// Whether no search is made: of shaped symbols in a frame (PhaseRecovery::aided).
bool known_alone(const PhaseParameters& p, const KnownPilots& known) {
  return known.frame && is_windowed(p) && constellation(p.modulation).is_shaped();
}

PhaseResult recovered(const PhaseRecovery& recovery, const PhaseParameters& p,
                      const std::optional<FrameKnowledge>& frame, Carried& c) {
  if (!frame || !c.frame_start || !is_windowed(p))
    return recovery(c.signal, c.first(), c.last(), c.truth, c.result.frequency_offset_hz.value_or(0.0));
  const KnownSymbols known = frame->in_row(c.first(), c.last(), *c.frame_start);
  scale_to_known(c.signal, known);
  c.result.used_known_data.push_back("phase (frame)");
  return recovery.aided(std::move(c.signal), known, c.first(), c.last());
}

void recover_phase(const PhaseRecovery& recovery, const PhaseParameters& p, const KnownPilots& known,
                   Carried& c) {
  if (is_windowed(p)) {
    const int shortest = p.second_window > 0 ? std::min(p.window, p.second_window) : p.window;
    c.averaged = static_cast<std::size_t>(shortest) * (p.joint ? c.result.rows() : 1);
    c.result.phase_averaged =
        known_alone(p, known) && c.frame_start ? 0 : decided_together(p, c.result.rows());
  }
  if (p.method == PhaseMethod::kGenie) c.result.used_known_data.push_back("phase (genie)");
  PhaseResult out = recovered(recovery, p, known.frame, c);
  c.signal = std::move(out.symbols);
  if (out.suspected_slips) c.result.counters["suspected_cycle_slips"] += *out.suspected_slips;
  c.signals.push_back(record_signal("carrier phase", "rad",
                                    std::vector<std::vector<double>>{out.phase_rad[0], out.phase_rad[1]}, 0.0,
                                    1.0));
  c.carrier.phase_rad = std::move(out.phase_rad);
  if (known.pilots) use_pilots(*known.pilots, c);
}

PhaseParameters phase_of(const Scenario& s, Modulation modulation) {
  PhaseParameters p;
  const std::string method = s.text("dsp.phase_recovery");
  p.method = method == "genie" ? PhaseMethod::kGenie
             : method == "off" ? PhaseMethod::kOff
             : method == "bps" ? PhaseMethod::kBlindSearch
                               : PhaseMethod::kFourthPower;
  if (constellation(modulation).empty() && p.method != PhaseMethod::kGenie && p.method != PhaseMethod::kOff)
    s.reject("dsp.phase_recovery", "Gaussian symbols have no constellation: only genie or off can work");
  if (constellation(modulation).is_shaped() && p.method == PhaseMethod::kFourthPower)
    s.reject("dsp.phase_recovery",
             "fourth-power cannot hold shaped symbols (signal.entropy_bits), whose rings noise "
             "covers; bps, genie or off");
  p.modulation = modulation;
  p.window = static_cast<int>(s.integer("dsp.phase_window"));
  p.test_phases = static_cast<int>(s.integer("dsp.test_phases"));
  p.joint = s.boolean("dsp.phase_joint");
  if (s.text("dsp.phase_second_stage") == "ml")
    p.second_window = static_cast<int>(s.integer("dsp.phase_second_window"));
  return p;
}

KnownPilots pilots_of(const Scenario& s, Modulation modulation, const FftCache& fft) {
  KnownPilots known;
  const FrameLayout layout = frame_layout(s);
  if (const auto frame = usable_frame(s)) known.frame.emplace(modulation, *frame);
  if (!layout.framed() && layout.spacing > 0 && s.text("dsp.pilots") == "used")
    known.pilots.emplace(
        PilotParameters{modulation, layout.spacing, static_cast<std::size_t>(s.integer("signal.symbols"))},
        fft);
  return known;
}

}  // namespace

Block phase_block(const BlockSetting& setting) {
  const PhaseParameters p = phase_of(setting.scenario, setting.modulation);
  const PhaseRecovery recovery(p, setting.execution);
  Block block;
  const KnownPilots known = pilots_of(setting.scenario, setting.modulation, setting.fft());
  block.apply = [recovery, p, known](Carried& c) { recover_phase(recovery, p, known, c); };
  if (is_windowed(p)) block.edge = edge_of(0.5 * (p.window + p.second_window));
  block.cost = cost_of(known_alone(p, known) ? rotation_operations() : recovery.cost());
  return block;
}

}  // namespace cohlink
