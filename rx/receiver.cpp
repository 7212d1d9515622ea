#include "rx/receiver.h"

#include <algorithm>
#include <cmath>
#include <functional>

#include "rx/amplitude.h"
#include "rx/chain.h"
#include "rx/clock_recovery.h"
#include "rx/coarse_frequency.h"
#include "rx/dispersion.h"
#include "rx/equaliser.h"
#include "rx/frequency.h"
#include "rx/lanes.h"
#include "rx/matched_filter.h"
#include "rx/phase.h"
#include "rx/pilot_phase.h"
#include "rx/polarisation.h"
#include "rx/resample.h"
#include "rx/score.h"
#include "sim/signal/nominal_path.h"
#include "sim/signal/pilots.h"
#include "sim/signal/units.h"

namespace cohlink {
namespace {

constexpr double kSamplesPerSymbol = 2.0;   // between resampler and equaliser
constexpr std::size_t kStagePoints = 4096;  // kept of each stage
constexpr std::size_t kFewestScored = 256;  // symbols a capture must leave after its edges are cut

// What the chain carries from block to block.
struct Carried {
  Field<float> signal;
  const Truth* truth;  // null when the capture has none
  double symbol_rate;  // Hz
  double cut = 0.0;    // symbols at each end that miss input or were met before lock
  ReceiverResult& result;

  double samples_per_symbol() const { return signal.sample_rate / symbol_rate; }
  std::size_t symbols() const {
    return static_cast<std::size_t>(
               std::floor(static_cast<double>(signal.size() - 1) / samples_per_symbol() + 1e-9)) +
           1;
  }
  std::size_t first() const { return static_cast<std::size_t>(std::ceil(cut)); }
  std::size_t last() const { return symbols() - first(); }
  void require(double more_cut) {
    cut += more_cut;
    const std::size_t needed = 2 * first() + kFewestScored;
    if (symbols() < needed)
      throw InputError("capture too short: it holds " + std::to_string(symbols()) +
                       " symbols, and this receiver chain needs at least " + std::to_string(needed) + " (" +
                       std::to_string(first()) + " at each end are lost to its filters)");
  }
};

struct Block {
  std::string name;
  std::function<void(Carried&)> apply;
};

// --- One function per block that has something to report. ---

void equalise(const Equaliser& equaliser, std::size_t training, double span, Carried& c) {
  c.require(span);
  std::array<Symbols, 2> known;
  if (training > 0) {
    if (c.truth == nullptr)
      throw InputError("dsp.training_symbols needs known symbols, which this capture does not have");
    const std::size_t first = c.first();
    for (std::size_t p = 0; p < 2; ++p) {
      const auto end = c.truth->symbols[p].begin() +
                       static_cast<std::ptrdiff_t>(std::min(training, c.truth->symbols[p].size()));
      known[p].assign(c.truth->symbols[p].begin(), end);
    }
    if (known[0].size() < first + 2 * Equaliser::kBlock)
      throw InputError("dsp.training_symbols: " + std::to_string(training) + " are too few, the first " +
                       std::to_string(first) + " symbols are lost to the filters' edges");
    c.result.used_known_data.push_back("equaliser (" + std::to_string(known[0].size()) +
                                       " training symbols)");
  }
  EqualiserResult out = equaliser(c.signal, c.first(), c.last(), training > 0 ? &known : nullptr);
  c.signal = std::move(out.symbols);
  c.result.counters["equaliser-singularities"] += out.singularities;
  if (out.singular) c.result.warnings.push_back("equaliser: both outputs have locked to one polarisation");
}

void remove_offset(const FrequencyEstimator& estimator, Carried& c) {
  const FrequencyEstimate estimate = estimator(c.signal, c.first(), c.last());
  if (estimate.peak_to_mean < kFrequencyLock) {
    c.result.warnings.push_back("frequency: no clear line at four times the offset, none removed");
    return;
  }
  c.result.frequency_offset_hz += estimate.offset_hz;
  c.signal = remove_frequency(std::move(c.signal), estimate.offset_hz);
}

void remove_coarse_offset(const CoarseFrequencyEstimator& estimator, Carried& c) {
  const double offset = estimator(c.signal);
  c.result.frequency_offset_hz += offset;
  c.signal = remove_frequency(std::move(c.signal), offset);
}

void recover_clock(const ClockRecovery& recovery, Carried& c) {
  c.require(recovery.reach());
  ClockResult out = recovery(c.signal);
  if (!out.locked) {
    c.result.warnings.push_back("clock: no clock tone found, the samples stay on the receiver's clock");
    return;
  }
  c.result.clock_offset_ppm = out.offset_ppm;
  c.signal = std::move(out.signal);
}

void use_pilots(const PilotPhase& pilots, Carried& c) {
  c.result.used_known_data.push_back("phase (pilot symbols)");
  PilotResult out = pilots(std::move(c.signal), c.first(), c.last());
  c.signal = std::move(out.symbols);
  c.result.counters["pilot-corrected-slips"] += out.slips;
  for (std::size_t i = 0; i < 2; ++i)
    if (!out.found[i])
      c.result.warnings.push_back(std::string("pilots: none found in output ") + (i == 0 ? "X" : "Y") +
                                  ", its quarter turns are left as they are");
  if (out.found[0] && out.found[1] && out.source[0] == out.source[1])
    c.result.warnings.push_back("pilots: both outputs carry those of one polarisation");
}

void recover_phase(const PhaseRecovery& recovery, PhaseMethod method, double span,
                   const std::optional<PilotPhase>& pilots, Carried& c) {
  c.require(span);
  if (method == PhaseMethod::kGenie) c.result.used_known_data.push_back("phase (genie)");
  PhaseResult out = recovery(c.signal, c.first(), c.last(), c.truth, c.result.frequency_offset_hz);
  c.signal = std::move(out.symbols);
  if (out.suspected_slips) c.result.counters["suspected-cycle-slips"] += *out.suspected_slips;
  if (pilots) use_pilots(*pilots, c);
}

void separate_by_genie(Carried& c) {
  c.result.used_known_data.push_back("genie-polarisation");
  c.signal = genie_polarisation(c.signal, c.truth);
}

// --- Parameters from the scenario. ---

Modulation modulation_of(const Scenario& s) {
  const std::string name = s.text("signal.modulation");
  for (const auto m : {Modulation::kQpsk, Modulation::kQam16, Modulation::kGaussian})
    if (name == modulation_name(m)) return m;
  s.reject("signal.modulation", "the receiver does not know '" + name + "'");
}

PulseShape pulse_of(const Scenario& s) {
  PulseShape shape;
  shape.pulse = s.text("signal.pulse") == "nrz" ? Pulse::kNrz : Pulse::kRrc;
  shape.roll_off = s.number("signal.roll_off");
  shape.symbol_rate = s.number("signal.symbol_rate_gbd") * 1e9;
  return shape;
}

// What the path adds up to, unless the receiver is told.
double dispersion_of(const Scenario& s) {
  return s.optional_number("dsp.dispersion_ps_per_nm").value_or(nominal_dispersion_ps_per_nm(s));
}

EqualiserParameters equaliser_of(const Scenario& s, Modulation modulation) {
  EqualiserParameters p;
  p.modulation = modulation;
  p.taps = static_cast<int>(s.integer("dsp.equaliser_taps"));
  if (p.taps % 2 == 0) s.reject("dsp.equaliser_taps", "must be odd, so that one tap is the centre");
  p.step = s.number("dsp.equaliser_step");
  p.passes = static_cast<int>(s.integer("dsp.equaliser_passes"));
  const std::string rule = s.text("dsp.equaliser");
  if (rule == "cma" || (rule == "auto" && modulation == Modulation::kQpsk))
    p.rule = EqualiserRule::kConstantModulus;
  if (rule == "radius-directed") p.rule = EqualiserRule::kRadiusDirected;
  if (rule == "decision-directed" || (rule == "auto" && modulation == Modulation::kQam16))
    p.rule = EqualiserRule::kDecisionDirected;
  if (modulation == Modulation::kGaussian) {
    if (s.integer("dsp.training_symbols") == 0)
      s.reject("dsp.training_symbols",
               "Gaussian symbols have no constellation: an equaliser needs training symbols");
    p.rule = EqualiserRule::kHold;
  }
  return p;
}

PhaseParameters phase_of(const Scenario& s, Modulation modulation) {
  PhaseParameters p;
  const std::string method = s.text("dsp.phase_recovery");
  p.method = method == "genie" ? PhaseMethod::kGenie
             : method == "off" ? PhaseMethod::kOff
             : method == "bps" ? PhaseMethod::kBlindSearch
                               : PhaseMethod::kFourthPower;
  if (modulation == Modulation::kGaussian && p.method != PhaseMethod::kGenie && p.method != PhaseMethod::kOff)
    s.reject("dsp.phase_recovery", "Gaussian symbols have no constellation: only genie or off can work");
  p.modulation = modulation;
  p.window = static_cast<int>(s.integer("dsp.phase_window"));
  p.test_phases = static_cast<int>(s.integer("dsp.test_phases"));
  p.joint = s.boolean("dsp.phase_joint");
  if (s.text("dsp.phase_second_stage") == "ml")
    p.second_window = static_cast<int>(s.integer("dsp.phase_second_window"));
  return p;
}

std::optional<PilotPhase> pilots_of(const Scenario& s, Modulation modulation, FftCache& fft) {
  const auto spacing = static_cast<std::size_t>(s.integer("signal.pilot_spacing"));
  if (spacing == 0) return std::nullopt;
  check_pilots(s);
  return PilotPhase({modulation, spacing, static_cast<std::size_t>(s.integer("signal.symbols"))}, fft);
}

// --- Blocks by name, in signal order. ---

Block make_block(const std::vector<std::string>& chain, std::size_t place, const Scenario& s, FftCache& fft) {
  const std::string& name = chain[place];
  const PulseShape pulse = pulse_of(s);
  const Modulation modulation = modulation_of(s);
  const double rate = pulse.symbol_rate, sample_rate = kSamplesPerSymbol * rate,
               band_edge = pulse_band_edge(pulse);

  if (name == "orthonormalise")
    return {name, [](Carried& c) { c.signal = orthonormalise(std::move(c.signal)); }};
  if (name == "resample")
    return {name, [block = Resampler({sample_rate, band_edge, rate / 8}), band_edge](Carried& c) {
              c.require(block.edge(c.signal.sample_rate) * c.symbol_rate);
              if (c.signal.sample_rate < 2.0 * band_edge)
                c.result.warnings.push_back(
                    "resample: the ADC's rate is below the signal's bandwidth, its edges fold");
              c.signal = block(c.signal);
            }};
  if (name == "dispersion")
    return {name, [block = DispersionEqualiser(
                       {dispersion_of(s), sample_rate, band_edge, rate / 8, rate / 10}, fft)](Carried& c) {
              c.require(static_cast<double>(block.reach()) / kSamplesPerSymbol);
              c.signal = block(c.signal);
            }};
  if (name == "clock")
    return {name, [block = ClockRecovery({pulse, static_cast<std::size_t>(s.integer("dsp.clock_window"))},
                                         fft)](Carried& c) { recover_clock(block, c); }};
  if (name == "matched-filter")
    return {name, [block = MatchedFilter(pulse, sample_rate, fft)](Carried& c) {
              c.require(static_cast<double>(block.reach()) / kSamplesPerSymbol);
              c.signal = block(c.signal);
            }};
  if (name == "genie-polarisation") return {name, separate_by_genie};
  if (name == "equaliser")
    return {name, [block = Equaliser(equaliser_of(s, modulation), fft),
                   training = static_cast<std::size_t>(s.integer("dsp.training_symbols")),
                   span = static_cast<double>(s.integer("dsp.equaliser_taps")) /
                          (2 * kSamplesPerSymbol)](Carried& c) { equalise(block, training, span, c); }};
  if (name == "decimate") return {name, [](Carried& c) { c.signal = decimate(c.signal, 2); }};
  if (is_coarse_frequency(chain, place))
    return {name, [block = CoarseFrequencyEstimator(pulse, sample_rate, fft)](Carried& c) {
              remove_coarse_offset(block, c);
            }};
  if (name == "frequency")
    return {name, [block = FrequencyEstimator(fft)](Carried& c) { remove_offset(block, c); }};
  const PhaseParameters phase = phase_of(s, modulation);
  const bool windowed =
      phase.method == PhaseMethod::kBlindSearch || phase.method == PhaseMethod::kFourthPower;
  return {name, [block = PhaseRecovery(phase), method = phase.method, pilots = pilots_of(s, modulation, fft),
                 span = windowed ? 0.5 * (phase.window + phase.second_window) : 0.0](Carried& c) {
            recover_phase(block, method, span, pilots, c);
          }};
}

// About one point a symbol, at most kStagePoints, from the middle of the capture, scaled to unit power.
Stage record(const std::string& name, const Carried& c) {
  Stage stage;
  stage.block = name;
  stage.samples_per_symbol = c.samples_per_symbol();
  const auto points = std::min(kStagePoints, c.symbols());
  const std::size_t start = (c.symbols() - points) / 2;
  for (std::size_t p = 0; p < 2; ++p) {
    const ComplexRow<float>& row = *c.signal.rows()[p];
    auto& kept = stage.points[p];
    for (std::size_t k = start; k < start + points; ++k) {
      const auto n =
          static_cast<std::size_t>(std::llround(static_cast<double>(k) * stage.samples_per_symbol));
      kept.push_back(row[std::min(n, row.size() - 1)]);
    }
    const double power = mean_power(kept);
    if (power > 0.0)
      for (auto& a : kept) a *= static_cast<float>(1.0 / std::sqrt(power));
  }
  return stage;
}

// Final scaling, quality, and the score where there is truth.
void decide(Carried& c, const ScoreParameters& scoring, FftCache& fft) {
  ReceiverResult& result = c.result;
  const std::size_t first = c.first(), last = c.last();
  result.symbols = scale_to_constellation(std::move(c.signal), scoring.modulation, first, last);
  result.discarded_symbols = result.symbols.size() - (last - first);
  if (scoring.modulation != Modulation::kGaussian) {
    const ErrorVector quality = decision_aided(result.symbols, first, last, scoring.modulation);
    result.snr_db = quality.snr_db();
    result.evm_percent = quality.evm_percent();
  }
  if (c.truth == nullptr) return;
  result.score = score_symbols(result.symbols, first, last, *c.truth, scoring, fft, result.warnings);
  result.locked = result.score.has_value();
  if (!result.score) return;
  result.snr_db = result.score->snr_db;
  result.evm_percent = result.score->evm_percent;
  result.counters["cycle-slips"] += result.score->cycle_slips;
  if (result.score->cycle_slips > 0)
    result.warnings.push_back(
        "cycle slips: " + std::to_string(result.score->cycle_slips) +
        (scoring.differential || scoring.pilot_spacing > 0
             ? ""
             : ", each quarter turn put right from the truth before counting, as pilots would"));
}

}  // namespace

struct Receiver::Parts {
  double symbol_rate;
  ScoreParameters scoring;
  std::vector<Block> chain;
  FftCache* fft;
};

Receiver::Receiver(const Scenario& scenario, FftCache& fft) : parts_(std::make_unique<Parts>()) {
  const auto chain = scenario.list("dsp.chain");
  if (const std::string fault = chain_fault(chain); !fault.empty()) scenario.reject("dsp.chain", fault);
  parts_->symbol_rate = pulse_of(scenario).symbol_rate;
  parts_->scoring = {modulation_of(scenario), scenario.boolean("signal.differential"),
                     static_cast<std::size_t>(scenario.integer("signal.pilot_spacing"))};
  for (std::size_t i = 0; i < chain.size(); ++i) parts_->chain.push_back(make_block(chain, i, scenario, fft));
  parts_->fft = &fft;
}

Receiver::~Receiver() = default;
Receiver::Receiver(Receiver&&) noexcept = default;

ReceiverResult Receiver::operator()(const Capture& capture) const {
  ReceiverResult result;
  Carried c{read_lanes(capture), capture.truth ? &*capture.truth : nullptr, parts_->symbol_rate, 0.0, result};
  for (const Block& block : parts_->chain) {
    block.apply(c);
    result.stages.push_back(record(block.name, c));
  }
  c.require(0.0);
  decide(c, parts_->scoring, *parts_->fft);
  return result;
}

}  // namespace cohlink
