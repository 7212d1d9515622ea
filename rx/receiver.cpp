#include "rx/receiver.h"

#include <algorithm>
#include <cmath>
#include <functional>

#include "rx/blocks/amplitude.h"
#include "rx/blocks/back_propagation.h"
#include "rx/blocks/clock_recovery.h"
#include "rx/blocks/coarse_frequency.h"
#include "rx/blocks/deskew.h"
#include "rx/blocks/dispersion.h"
#include "rx/blocks/dispersion_estimate.h"
#include "rx/blocks/equaliser.h"
#include "rx/blocks/frequency.h"
#include "rx/blocks/lanes.h"
#include "rx/blocks/matched_filter.h"
#include "rx/blocks/phase.h"
#include "rx/blocks/pilot_phase.h"
#include "rx/blocks/polarisation.h"
#include "rx/blocks/resample.h"
#include "rx/chain/chain.h"
#include "rx/chain/stage.h"
#include "rx/quality/lock.h"
#include "rx/quality/score.h"
#include "rx/quality/tap_reading.h"
#include "sim/signal/line/nominal_path.h"
#include "sim/signal/pilots.h"
#include "sim/signal/units.h"

namespace cohlink {
namespace {

constexpr double kSamplesPerSymbol = 2.0;  // between resampler and equaliser
constexpr const char* kSkewKeys[] = {"dsp.skew_xi_ps", "dsp.skew_xq_ps", "dsp.skew_yi_ps", "dsp.skew_yq_ps"};
constexpr double kGuessedBer = 0.4;         // nothing that still works counts so many errors
constexpr std::size_t kFewestScored = 256;  // symbols a capture must leave after its edges are cut
constexpr double kSeamAgreement = 0.9, kSeamAngle = 20.0 * kPi / 180;  // of two pieces' common symbols

// What the chain carries from block to block.
void refuse_short(std::size_t symbols, std::size_t lost) {
  if (const std::size_t needed = 2 * lost + kFewestScored; symbols < needed)
    throw InputError("capture too short: it holds " + std::to_string(symbols) +
                     " symbols, and this receiver chain needs at least " + std::to_string(needed) + " (" +
                     std::to_string(lost) + " at each end are lost to its filters)");
}

struct Carried {
  Field<float> signal;
  const Truth* truth;  // null when the capture has none
  double symbol_rate;  // Hz
  ReceiverResult& result;
  const Continuation* from = nullptr;     // null: a start from nothing
  bool inside = false;                    // a recording has begun before this piece
  double cut = 0.0;                       // symbols at each end that miss input or were met before lock
  std::size_t averaged = 0;               // symbols in one phase estimate
  bool line_lost = false;                 // the offset was searched for and not found
  bool singular = false;                  // both outputs carry one polarisation
  bool pilots_lost = false;               // an output shows none, or both show those of one polarisation
  std::vector<StageSignal> signals = {};  // of the block at work, if any are to be kept

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
    refuse_short(symbols(), first());
  }
};

struct Block {
  std::string name;
  std::function<void(Carried&)> apply;
  /// Symbols at each end lost to its filters, with a signal that comes in at `sample_rate`.
  std::function<double(double sample_rate)> edge = [](double) { return 0.0; };
};

std::function<double(double)> edge_of(double symbols) {
  return [symbols](double) { return symbols; };
}

// --- One function per block that has something to report. ---

void equalise(const Equaliser& equaliser, bool qpsk, std::size_t training, Carried& c) {
  std::array<Symbols, 2> known;
  const EqualiserTaps* start =
      c.from != nullptr && !c.from->before.taps[0][0].empty() ? &c.from->before.taps : nullptr;
  if (c.inside) training = 0;
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
  EqualiserResult out = equaliser(c.signal, c.first(), c.last(), training > 0 ? &known : nullptr,
                                  c.result.frequency_offset_hz.value_or(0.0), start);
  c.signal = std::move(out.symbols);
  c.result.taps = std::move(out.taps);
  c.result.counters["equaliser_singularities"] += out.singularities;
  c.singular = out.singular;
  if (out.singular) c.result.warnings.push_back("equaliser: both outputs have locked to one polarisation");
  c.signals.push_back(record_signal("modulus error", "", modulus_error(c.signal, qpsk, Equaliser::kBlock),
                                    0.0, Equaliser::kBlock));
}

void remove_offset(const FrequencyEstimator& estimator, Carried& c) {
  const FrequencyEstimate estimate = estimator(c.signal, c.first(), c.last());
  if (estimate.peak_to_mean < kFrequencyLock) {
    c.result.warnings.push_back("frequency: no clear line at four times the offset, none removed");
    c.line_lost = true;
    return;
  }
  c.result.frequency_offset_hz = c.result.frequency_offset_hz.value_or(0.0) + estimate.offset_hz;
  c.signal = remove_frequency(std::move(c.signal), estimate.offset_hz);
}

// The piece before has the offset better than a spectrum's shape, unless the two have parted by more than
// that shape's first look (symbol_rate / 64) could mistake: then the carrier has moved. `refined`: a finer
// estimate follows.
void remove_coarse_offset(const CoarseFrequencyEstimator& estimator, bool refined, Carried& c) {
  double offset = estimator(c.signal);
  if (refined && c.from != nullptr && c.from->before.frequency_offset_hz) {
    const double before = *c.from->before.frequency_offset_hz;
    if (std::abs(before - offset) < c.symbol_rate / 64) offset = before;
  }
  c.result.frequency_offset_hz = c.result.frequency_offset_hz.value_or(0.0) + offset;
  c.signal = remove_frequency(std::move(c.signal), offset);
}

void deskew(const DeskewParameters& p, Carried& c) { c.signal = Deskew(p)(std::move(c.signal)); }

void deskew_blindly(const SkewEstimator& estimator, DeskewParameters p, Carried& c) {
  if (c.from != nullptr && c.from->before.iq_skew_ps) {
    c.result.iq_skew_ps = c.from->before.iq_skew_ps;
  } else {
    const SkewEstimate estimate = estimator(c.signal);
    if (!estimate.found()) {
      c.result.warnings.push_back("deskew: the lanes show no clock tone, they stay as they are");
      return;
    }
    c.result.iq_skew_ps = {estimate.iq_skew[0] * 1e12, estimate.iq_skew[1] * 1e12};
  }
  for (std::size_t row = 0; row < 2; ++row) {
    p.skew[2 * row] = -0.5e-12 * (*c.result.iq_skew_ps)[row];
    p.skew[2 * row + 1] = 0.5e-12 * (*c.result.iq_skew_ps)[row];
  }
  c.require(Deskew(p).edge(c.signal.sample_rate) * c.symbol_rate);
  deskew(p, c);
}

/// Of a filter at two samples a symbol.
template <class Filter>
double reach_symbols(const Filter& filter) {
  return static_cast<double>(filter.reach()) / kSamplesPerSymbol;
}

void compensate(const DispersionEqualiser& equaliser, double ps_per_nm, Carried& c) {
  c.result.compensated_ps_per_nm = ps_per_nm;
  c.signal = equaliser(c.signal);
}

void compensate_blindly(const DispersionEstimator& estimator, DispersionParameters p, FftCache& fft,
                        Carried& c) {
  if (c.from != nullptr && c.from->before.dispersion_ps_per_nm) {
    p.ps_per_nm = *c.from->before.dispersion_ps_per_nm;
  } else {
    const DispersionEstimate estimate = estimator(c.signal);
    if (!estimate.found()) {
      c.result.warnings.push_back("dispersion: no clock tone at any dispersion, none compensated");
      return;
    }
    p.ps_per_nm = estimate.ps_per_nm;
  }
  c.result.dispersion_ps_per_nm = p.ps_per_nm;
  const DispersionEqualiser equaliser(p, fft);
  c.require(reach_symbols(equaliser));
  compensate(equaliser, p.ps_per_nm, c);
}

void recover_clock(const ClockRecovery& recovery, Carried& c) {
  std::optional<double> expected;
  if (c.from != nullptr && !c.from->before.clock_delay.empty())
    expected =
        clock_delay_at(c.from->before.clock_delay, static_cast<double>(c.from->hop + ClockRecovery::kHop));
  ClockResult out = recovery(c.signal, expected);
  if (!out.locked) {
    c.result.warnings.push_back("clock: no clock tone found, the samples stay on the receiver's clock");
    return;
  }
  c.result.clock_offset_ppm = out.offset_ppm;
  c.result.clock_delay = out.delay;
  c.signals.push_back(record_signal("timing", "symbols", std::vector<std::vector<double>>{out.delay}, 0.0,
                                    ClockRecovery::kHop));
  c.signal = std::move(out.signal);
}

void use_pilots(const PilotPhase& pilots, Carried& c) {
  PilotResult out = pilots(std::move(c.signal), c.first(), c.last());
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

void recover_phase(const PhaseRecovery& recovery, const PhaseParameters& p,
                   const std::optional<PilotPhase>& pilots, Carried& c) {
  if (is_windowed(p)) {
    const int shortest = p.second_window > 0 ? std::min(p.window, p.second_window) : p.window;
    c.averaged = static_cast<std::size_t>(shortest) * (p.joint ? c.result.rows() : 1);
  }
  if (p.method == PhaseMethod::kGenie) c.result.used_known_data.push_back("phase (genie)");
  PhaseResult out =
      recovery(c.signal, c.first(), c.last(), c.truth, c.result.frequency_offset_hz.value_or(0.0));
  c.signal = std::move(out.symbols);
  if (out.suspected_slips) c.result.counters["suspected_cycle_slips"] += *out.suspected_slips;
  c.signals.push_back(record_signal("carrier phase", "rad",
                                    std::vector<std::vector<double>>{out.phase_rad[0], out.phase_rad[1]}, 0.0,
                                    1.0));
  if (pilots) use_pilots(*pilots, c);
}

void separate_by_genie(Carried& c) {
  if (c.result.one_polarisation)
    throw InputError("genie-polarisation needs both polarisations, X alone was recorded");
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

DispersionParameters dispersion_parameters(const Scenario& s) {
  const PulseShape pulse = pulse_of(s);
  const double rate = pulse.symbol_rate;
  return {dispersion_of(s), kSamplesPerSymbol * rate,          pulse_band_edge(pulse), rate / 8,
          rate / 10,        s.number("dsp.dispersion_overlap")};
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
  p.widely_linear = s.text("dsp.equaliser_form") == "widely-linear";
  if (p.widely_linear) {
    if (modulation == Modulation::kGaussian)
      s.reject("dsp.equaliser_form", "Gaussian symbols have no decisions for a widely linear equaliser");
    if (rule == "auto") p.rule = EqualiserRule::kDecisionDirected;
  }
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

Block make_deskew(const Scenario& s, const PulseShape& pulse, FftCache& fft) {
  DeskewParameters p;
  p.band_edge = pulse_band_edge(pulse) + pulse.symbol_rate / 8;
  const bool blind = s.text("dsp.deskew") == "blind";
  for (std::size_t lane = 0; lane < 4; ++lane) {
    p.skew[lane] = s.number(kSkewKeys[lane]) * 1e-12;
    if (blind && p.skew[lane] != 0.0) s.reject(kSkewKeys[lane], "has no use with dsp.deskew = blind");
  }
  if (!blind)
    return {"deskew", [p](Carried& c) { deskew(p, c); },
            [p, rate = pulse.symbol_rate](double in) { return Deskew(p).edge(in) * rate; }};
  if (s.text("dsp.dispersion") == "blind")
    s.reject("dsp.deskew", "blind needs the dispersion to be known (dsp.dispersion_ps_per_nm)");
  SkewEstimatorParameters search{pulse, dispersion_of(s)};
  return {"deskew",
          [p, estimator = SkewEstimator(search, fft)](Carried& c) { deskew_blindly(estimator, p, c); }};
}

Block make_block(const std::vector<std::string>& chain, std::size_t place, const Scenario& s, FftCache& fft) {
  const std::string& name = chain[place];
  const PulseShape pulse = pulse_of(s);
  const Modulation modulation = modulation_of(s);
  const double rate = pulse.symbol_rate, sample_rate = kSamplesPerSymbol * rate,
               band_edge = pulse_band_edge(pulse);

  if (name == "deskew") return make_deskew(s, pulse, fft);
  if (name == "orthonormalise" && s.text("dsp.iq_correction") == "circular-fit")
    return {name, [](Carried& c) { c.signal = fit_circle(std::move(c.signal)); }};
  if (name == "orthonormalise")
    return {name, [](Carried& c) { c.signal = orthonormalise(std::move(c.signal)); }};
  if (name == "resample") {
    const Resampler block({sample_rate, band_edge, rate / 8});
    return {name,
            [block, band_edge](Carried& c) {
              if (c.signal.sample_rate < 2.0 * band_edge)
                c.result.warnings.push_back(
                    "resample: the ADC's rate is below the signal's bandwidth, its edges fold");
              c.signal = block(c.signal);
            },
            [block, rate](double in) { return block.edge(in) * rate; }};
  }
  if (name == "dispersion") {
    DispersionParameters p = dispersion_parameters(s);
    if (s.text("dsp.dispersion") == "blind") {
      if (s.optional_number("dsp.dispersion_ps_per_nm"))
        s.reject("dsp.dispersion_ps_per_nm", "has no use with dsp.dispersion = blind");
      return {name, [estimator = DispersionEstimator({pulse}, fft), p, &fft](Carried& c) {
                compensate_blindly(estimator, p, fft, c);
              }};
    }
    const DispersionEqualiser block(p, fft);
    return {name, [block, ps_per_nm = p.ps_per_nm](Carried& c) { compensate(block, ps_per_nm, c); },
            edge_of(reach_symbols(block))};
  }
  if (name == "back-propagation") {
    if (nominal_spans(s).empty())
      s.reject("dsp.chain", "back-propagation has no fibre to undo: fibre.spans = 0");
    if (s.optional_number("dsp.dispersion_ps_per_nm"))
      s.reject("dsp.dispersion_ps_per_nm",
               "has no use with back-propagation, which takes the line as planned");
    const NominalLine line = nominal_line(s, static_cast<int>(s.integer("dsp.back_propagation_steps")));
    const BackPropagation block({line.path, line.output_power, sample_rate, band_edge}, fft);
    return {name,
            [block, ps_per_nm = nominal_dispersion_ps_per_nm(s)](Carried& c) {
              c.result.compensated_ps_per_nm = ps_per_nm;
              c.signal = block(c.signal);
            },
            edge_of(reach_symbols(block))};
  }
  if (name == "clock") {
    const ClockRecovery block({pulse, static_cast<std::size_t>(s.integer("dsp.clock_window"))}, fft);
    return {name, [block](Carried& c) { recover_clock(block, c); }, edge_of(block.reach())};
  }
  if (name == "matched-filter") {
    const MatchedFilter block(pulse, sample_rate, fft);
    return {name, [block](Carried& c) { c.signal = block(c.signal); }, edge_of(reach_symbols(block))};
  }
  if (name == "genie-polarisation") return {name, separate_by_genie};
  if (name == "equaliser")
    return {name,
            [block = Equaliser(equaliser_of(s, modulation), fft),
             training = static_cast<std::size_t>(s.integer("dsp.training_symbols")),
             qpsk = modulation == Modulation::kQpsk](Carried& c) { equalise(block, qpsk, training, c); },
            edge_of(static_cast<double>(s.integer("dsp.equaliser_taps")) / (2 * kSamplesPerSymbol))};
  if (name == "decimate") return {name, [](Carried& c) { c.signal = decimate(c.signal, 2); }};
  if (is_coarse_frequency(chain, place))
    return {name, [block = CoarseFrequencyEstimator(pulse, sample_rate, fft),
                   refined = std::find(chain.begin() + static_cast<std::ptrdiff_t>(place) + 1, chain.end(),
                                       "frequency") != chain.end()](Carried& c) {
              remove_coarse_offset(block, refined, c);
            }};
  if (name == "frequency")
    return {name, [block = FrequencyEstimator(fft)](Carried& c) { remove_offset(block, c); }};
  const PhaseParameters phase = phase_of(s, modulation);
  return {name,
          [block = PhaseRecovery(phase), phase, pilots = pilots_of(s, modulation, fft)](Carried& c) {
            recover_phase(block, phase, pilots, c);
          },
          edge_of(is_windowed(phase) ? 0.5 * (phase.window + phase.second_window) : 0.0)};
}

// Where the capture's first symbol lies among those of the piece before.
std::ptrdiff_t place_in_piece_before(const Carried& c) {
  const auto& before = c.from->before.clock_delay;
  double drift = 0.0;
  if (!before.empty() && !c.result.clock_delay.empty()) {
    const auto centre = static_cast<double>(ClockRecovery::kHop);
    drift = clock_delay_at(c.result.clock_delay, centre) -
            clock_delay_at(before, centre + static_cast<double>(c.from->hop));
  }
  return static_cast<std::ptrdiff_t>(c.from->hop) + std::lround(drift);
}

// Turns both outputs by quarters onto the piece before, over the symbols that both pieces judge, and gives
// the first symbol that is new. Nothing where they do not fit: the same samples give the same symbols but for
// what adaptation and phase estimates differ by, and a slip inside the seam would leave its turn undecided.
std::optional<std::size_t> join(Field<float>& symbols, std::size_t first, std::ptrdiff_t place,
                                const Carried& c) {
  const ReceiverResult& before = c.from->before;
  const auto end = static_cast<std::ptrdiff_t>(before.first_judged + before.judged_symbols) - place;
  if (end < static_cast<std::ptrdiff_t>(first + kSeam / 4)) return std::nullopt;
  const auto to = static_cast<std::size_t>(end);
  if (to >= symbols.size()) return std::nullopt;
  std::array<std::complex<float>, 2> turn;
  for (std::size_t i = 0; i < 2; ++i) {
    std::complex<double> sum = 0.0;
    double power = 0.0, new_power = 0.0;
    for (std::size_t k = first; k < to; ++k) {
      const std::complex<double> old(
          (*before.symbols.rows()[i])[static_cast<std::size_t>(static_cast<std::ptrdiff_t>(k) + place)]);
      const std::complex<double> now((*symbols.rows()[i])[k]);
      sum += old * std::conj(now);
      power += std::norm(old);
      new_power += std::norm(now);
    }
    const double quarter = 0.5 * kPi, nearest = quarter * std::round(std::arg(sum) / quarter);
    if (std::abs(sum) < kSeamAgreement * std::sqrt(power * new_power) ||
        std::abs(std::arg(sum) - nearest) > kSeamAngle)
      return std::nullopt;
    turn[i] = std::complex<float>(std::polar(1.0, nearest));
  }
  for (std::size_t i = 0; i < 2; ++i)
    for (auto& y : *symbols.rows()[i]) y *= turn[i];
  return to;
}

// A lock that can be seen without truth: both outputs on a constellation, and not the same one twice.
void check_lock(ReceiverResult& result, std::size_t first, std::size_t last, Modulation modulation,
                const Carried& c) {
  result.coherence = carrier_coherence(result.symbols, first, last);
  if (modulation != Modulation::kGaussian) result.coherence_needed = coherence_needed(c.averaged);
  result.locked_blindly = !c.singular && !c.pilots_lost;
  if (modulation == Modulation::kGaussian) return;
  for (std::size_t p = 0; p < result.rows(); ++p)
    if (result.coherence[p] < result.coherence_needed) {
      result.locked_blindly = false;
      if (c.truth == nullptr)
        result.warnings.push_back(std::string("no lock: output ") + (p == 0 ? "X" : "Y") +
                                  " is on no constellation; its SNR means nothing");
    }
}

// What the taps say about the channel, the same whether or not there is truth.
void read_channel(ReceiverResult& result, double symbol_rate) {
  if (!result.locked || result.one_polarisation || result.taps[0][0].empty()) return;
  TapReadingParameters parameters;
  parameters.symbol_rate = symbol_rate;
  result.channel = read_taps_blindly(result.taps, parameters);
}

// Whether what was sent goes on where the piece before left it, and with the same quarter turns: for known
// symbols alone to tell.
void check_sequence(ReceiverResult& result, const Carried& c) {
  if (!c.from->before.score) return;
  const Score& before = *c.from->before.score;
  Score& now = *result.score;
  if (before.swapped != now.swapped) {
    result.warnings.push_back("X and Y have changed places since the piece before");
    return;
  }
  const long length = static_cast<long>(c.truth->symbols[0].size()),
             place = static_cast<long>(place_in_piece_before(c));
  for (std::size_t p = 0; p < 2; ++p) {
    if (result.one_polarisation && (p == 1) != now.swapped) continue;
    long jump = (before.delay_symbols[p] - place - now.delay_symbols[p]) % length;
    if (2 * jump > length) jump -= length;
    if (2 * jump < -length) jump += length;
    if (jump != 0)
      result.warnings.push_back("what was sent on " + std::string(p == 0 ? "X" : "Y") + " jumps by " +
                                std::to_string(jump) +
                                " symbols from the piece before to this one: samples " +
                                (jump > 0 ? "missing" : "recorded twice") + " near here?");
    else
      now.cycle_slips += before.last_quarter_turns[p] != now.quarter_turns[p];
  }
}

// Final scaling, quality, and the score where there is truth.
void decide(Carried& c, ScoreParameters scoring, std::size_t judged, FftCache& fft) {
  ReceiverResult& result = c.result;
  scoring.rows = result.rows();
  const std::size_t last = c.last();
  std::size_t first = c.first();
  result.symbols = scale_to_constellation(std::move(c.signal), scoring.modulation, first, last);
  result.discarded_symbols = result.symbols.size() - (last - first);
  if (c.from != nullptr && !c.line_lost)
    if (const auto next = join(result.symbols, first, place_in_piece_before(c), c)) {
      result.joined = true;
      first = *next;
    }
  first = std::max(first, std::min(judged, last - kFewestScored));
  result.first_judged = first;
  result.judged_symbols = last - first;
  if (scoring.modulation != Modulation::kGaussian) {
    const ErrorVector quality = decision_aided(result.symbols, first, last, scoring.modulation, scoring.rows);
    result.snr_db = quality.snr_db();
    result.evm_percent = quality.evm_percent();
    result.blind_snr_db = result.snr_db;
  }
  check_lock(result, first, last, scoring.modulation, c);
  if (c.truth == nullptr) {
    result.locked = result.locked_blindly;
    return;
  }
  result.score = score_symbols(result.symbols, first, last, *c.truth, scoring, fft, result.warnings);
  if (result.score && result.score->interval.low > kGuessedBer) {
    result.score.reset();
    result.warnings.push_back("no lock: the bits are no better than guessed; no BER is given");
  }
  result.locked = result.score.has_value() && !c.pilots_lost;
  if (!result.score) return;
  result.snr_db = result.score->snr_db;
  result.evm_percent = result.score->evm_percent;
  if (result.joined) check_sequence(result, c);
  result.counters["cycle_slips"] += result.score->cycle_slips;
  if (result.score->misplaced > 0)
    result.warnings.push_back(
        std::to_string(result.score->misplaced) +
        " symbols (X and Y together) match nothing that was sent at their place: samples missing, or the "
        "signal lost for a while?");
  if (result.score->cycle_slips > 0)
    result.warnings.push_back(
        "cycle slips: " + std::to_string(result.score->cycle_slips) +
        (scoring.differential || scoring.pilot_spacing > 0
             ? ""
             : ", each quarter turn put right from the truth before counting, as pilots would"));
}

// One sample: a filter for each lane that is moved. The blind estimate, made once, is not counted.
Operations deskew_cost(const Scenario& s, const PulseShape& pulse, double adc_rate) {
  double moved = s.text("dsp.deskew") == "blind" ? 4.0 : 0.0;
  for (const char* key : kSkewKeys) moved += s.number(key) != 0.0;
  if (moved == 0.0) return {};
  DeskewParameters p;
  p.band_edge = pulse_band_edge(pulse) + pulse.symbol_rate / 8;
  const auto taps = static_cast<double>(Deskew(p).taps(adc_rate));
  return moved * Operations{taps, taps - 1.0, 0};
}

// What block `place` costs a symbol. Blocks before resample work at the ADC's rate, those up to the equaliser
// at two samples a symbol.
Operations block_cost(const std::vector<std::string>& chain, std::size_t place, const Scenario& s,
                      FftCache& fft, double adc_rate, std::size_t symbols) {
  const std::string& name = chain[place];
  const PulseShape pulse = pulse_of(s);
  const double rate = pulse.symbol_rate, sample_rate = kSamplesPerSymbol * rate;
  if (name == "deskew") return adc_rate / rate * deskew_cost(s, pulse, adc_rate);
  if (name == "orthonormalise")
    return adc_rate / rate *
           (s.text("dsp.iq_correction") == "circular-fit" ? circular_fit_operations()
                                                          : orthonormalise_operations());
  if (name == "resample")
    return kSamplesPerSymbol * Resampler({sample_rate, pulse_band_edge(pulse), rate / 8}).cost(adc_rate);
  if (name == "dispersion")
    return kSamplesPerSymbol * DispersionEqualiser(dispersion_parameters(s), fft).cost();
  if (name == "back-propagation") {
    const NominalLine line = nominal_line(s, static_cast<int>(s.integer("dsp.back_propagation_steps")));
    return kSamplesPerSymbol *
           BackPropagation({line.path, line.output_power, sample_rate, pulse_band_edge(pulse)}, fft).cost();
  }
  if (name == "clock")
    return kSamplesPerSymbol *
           ClockRecovery({pulse, static_cast<std::size_t>(s.integer("dsp.clock_window"))}, fft).cost();
  if (name == "matched-filter") return kSamplesPerSymbol * MatchedFilter(pulse, sample_rate, fft).cost();
  if (name == "equaliser") return Equaliser(equaliser_of(s, modulation_of(s)), fft).cost();
  if (is_coarse_frequency(chain, place)) return kSamplesPerSymbol * CoarseFrequencyEstimator::cost();
  if (name == "frequency") return FrequencyEstimator(fft).cost(symbols);
  if (name == "phase") return PhaseRecovery(phase_of(s, modulation_of(s))).cost();
  return {};  // the ideal chain's stand-ins
}

}  // namespace

struct Receiver::Parts {
  double symbol_rate;
  ScoreParameters scoring;
  std::vector<Block> chain;
  FftCache* fft;
  Scenario scenario;  // for what is asked of the settings later
};

// Where in a recording a capture lies.
struct Receiver::Place {
  const Continuation* from = nullptr;
  bool inside = false;     // not at its beginning
  std::size_t judged = 0;  // symbols that the piece before has judged
};

Receiver::Receiver(const Scenario& scenario, FftCache& fft) : parts_(std::make_unique<Parts>()) {
  const auto chain = scenario.list("dsp.chain");
  if (const std::string fault = chain_fault(chain); !fault.empty()) scenario.reject("dsp.chain", fault);
  if (scenario.text("dsp.dispersion") == "blind" &&
      std::find(chain.begin(), chain.end(), "dispersion") == chain.end())
    scenario.reject("dsp.dispersion", "blind needs the block 'dispersion' in dsp.chain, which has none");
  parts_->symbol_rate = pulse_of(scenario).symbol_rate;
  parts_->scoring = {modulation_of(scenario), scenario.boolean("signal.differential"),
                     static_cast<std::size_t>(scenario.integer("signal.pilot_spacing"))};
  for (std::size_t i = 0; i < chain.size(); ++i) parts_->chain.push_back(make_block(chain, i, scenario, fft));
  parts_->fft = &fft;
  parts_->scenario = scenario;
}

std::vector<BlockCost> Receiver::cost(double adc_rate, std::size_t symbols) const {
  const auto chain = parts_->scenario.list("dsp.chain");
  std::vector<BlockCost> costs;
  for (std::size_t i = 0; i < chain.size(); ++i)
    costs.push_back({chain[i], block_cost(chain, i, parts_->scenario, *parts_->fft, adc_rate, symbols)});
  return costs;
}

void Receiver::check_length(double adc_rate, std::size_t symbols) const {
  double cut = 0.0;
  for (const Block& block : parts_->chain) cut += block.edge(adc_rate);
  refuse_short(symbols, static_cast<std::size_t>(std::ceil(cut)));
}

Receiver::~Receiver() = default;
Receiver::Receiver(Receiver&&) noexcept = default;

ReceiverResult Receiver::operator()(const Capture& capture, bool record, const StepDone& after) const {
  return receive(capture, record, after, {});
}

ReceiverResult Receiver::go_on(const Capture& capture, const Continuation& from) const {
  return receive(capture, false, {}, {&from, true, 0});
}

ReceiverResult Receiver::start_inside(const Capture& capture, std::size_t judged, bool record) const {
  return receive(capture, record, {}, {nullptr, true, judged});
}

ReceiverResult Receiver::receive(const Capture& capture, bool record, const StepDone& after,
                                 const Place& place) const {
  const auto done = [&](const std::string& step) {
    if (after) after(step);
  };
  ReceiverResult result;
  result.one_polarisation = capture.one_polarisation();
  Carried c{read_lanes(capture), capture.truth ? &*capture.truth : nullptr,
            parts_->symbol_rate, result,
            place.from,          place.inside};
  done("lanes");
  if (record) result.input = record_stage("lanes", c.signal, c.symbol_rate, *parts_->fft);
  for (const Block& block : parts_->chain) {
    c.require(block.edge(c.signal.sample_rate));
    block.apply(c);
    done(block.name);
    if (record) {
      result.stages.push_back(record_stage(block.name, c.signal, c.symbol_rate, *parts_->fft));
      result.stages.back().signals = std::move(c.signals);
    }
    c.signals.clear();
    done("stage record");
  }
  c.require(0.0);
  decide(c, parts_->scoring, place.judged, *parts_->fft);
  read_channel(result, parts_->symbol_rate);
  done("score");
  return result;
}

}  // namespace cohlink
