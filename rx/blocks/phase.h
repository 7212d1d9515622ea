// Carrier phase recovery: estimate, remove, and tidy what is constant between the polarisations.
#pragma once

#include <array>
#include <optional>
#include <vector>

#include "rx/blocks/blind_phase_search.h"
#include "rx/blocks/decision_phase.h"
#include "rx/blocks/fourth_power_phase.h"
#include "rx/stage/cost.h"
#include "sim/signal/field.h"
#include "sim/signal/frame_layout.h"
#include "sim/signal/record/capture.h"

namespace cohlink {

struct Block;
struct BlockSetting;

enum class PhaseMethod { kBlindSearch, kFourthPower, kGenie, kOff };

struct PhaseParameters {
  PhaseMethod method = PhaseMethod::kBlindSearch;
  Modulation modulation = Modulation::kQpsk;
  int window = 64;        // symbols averaged
  int test_phases = 32;   // blind phase search
  bool joint = true;      // one laser phase for both polarisations; false: each on its own
  int second_window = 0;  // symbols averaged by a second stage on decisions; 0 = none
};

struct PhaseResult {
  Field<float> symbols;                          // carrier removed, unit signal power
  std::array<std::vector<double>, 2> phase_rad;  // what was removed
  /// Jumps of a quarter turn in the recovered phase (cycle_slips.h), a joint one counted once; absent when
  /// the phase moves too fast to tell, or no block recovered it.
  std::optional<std::size_t> suspected_slips = std::nullopt;
};

/// Both polarisations carry the same laser phases but leave the equaliser at an unknown, slowly moving
/// angle to each other. Joint recovery measures that angle first, from x^4 conj(y^4) over thousands of
/// symbols (blind to data and to the common phase; of shaped formats from what the search finds of each row),
/// brings Y onto X, estimates one phase from both rows, and last removes each row's own leftover, the angle
/// of sum y conj(decision) over kSlowWindow symbols. A second stage, where asked for, goes over the same rows
/// with their decisions (decision_phase.h). Points of shaped formats are searched and decided a posteriori,
/// at the noise that the rows' powers leave for it.
class PhaseRecovery {
 public:
  explicit PhaseRecovery(const PhaseParameters& parameters, const Execution& execution = {});

  /// `symbols`: one sample a symbol, measured in [first, last). Genie: the truth's laser phases
  /// tx - lo + 2 pi f t, less `removed_hz` already taken out; InputError without truth or for a truth shorter
  /// than the capture. The genie too removes each row's constant, blindly.
  PhaseResult operator()(const Field<float>& symbols, std::size_t first, std::size_t last, const Truth* truth,
                         double removed_hz) const;

  /// The same with the phase that a frame's known symbols show taken off first, both polarisations' together
  /// but for their slow angle to each other; what the method then finds is a correction of less than an
  /// eighth of a turn, so that no quarter turn is open and none can slip. Shaped symbols have no such
  /// correction: the search would need so long a window that it knew less. Level: `known` symbols have their
  /// size.
  PhaseResult aided(Field<float> symbols, const KnownSymbols& known, std::size_t first,
                    std::size_t last) const;

  /// Of one symbol, both rows. Pilots and slow averages over thousands of symbols are left out.
  Operations cost() const;

  static constexpr std::size_t kAngleWindow = 8192, kSlowWindow = 2048;  // symbols

 private:
  void recover(PhaseResult& result, std::size_t first, std::size_t last, const Truth* truth,
               double removed_hz) const;
  ComplexRow<float> fourfold(const ComplexRow<float>& row) const;
  std::vector<double> constant_angle(const ComplexRow<float>& row, std::size_t first, std::size_t last) const;
  std::vector<double> estimate(std::span<const std::complex<float>* const> rows, std::size_t count) const;
  void joint(PhaseResult& result, std::size_t first, std::size_t last) const;
  void separate(PhaseResult& result) const;
  void correct(PhaseResult& result) const;
  void refine(PhaseResult& result, const std::vector<ComplexRow<float>*>& shared) const;
  void count_slips(PhaseResult& result, std::size_t tracks, std::size_t first, std::size_t last) const;
  void genie(PhaseResult& result, const Truth* truth, double removed_hz) const;
  void remove_constants(PhaseResult& result, std::size_t first, std::size_t last) const;
  void remove_leftover(PhaseResult& result, std::size_t first, std::size_t last, std::size_t window) const;

  PhaseParameters p_;
  std::optional<BlindPhaseSearch> search_;
  std::optional<FourthPowerPhase> fourth_power_;
  std::optional<DecisionPhase> second_;
};

/// As a block of the chain: dsp.phase_*, dsp.test_phases, signal.pilot_spacing.
Block phase_block(const BlockSetting& setting);

}  // namespace cohlink
