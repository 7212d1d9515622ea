// The 2x2 adaptive equaliser: polarisations separated, what is left of the channel undone.
#pragma once

#include <array>
#include <complex>
#include <cstddef>
#include <vector>

#include "rx/quality/equaliser_taps.h"
#include "rx/stage/cost.h"
#include "sim/signal/constellation.h"
#include "sim/signal/execution/execution.h"
#include "sim/signal/field.h"

namespace cohlink {

struct Block;
struct BlockSetting;
class FrameKnowledge;

enum class EqualiserRule { kConstantModulus, kRadiusDirected, kDecisionDirected, kHold };

struct EqualiserParameters {
  Modulation modulation = Modulation::kQpsk;
  EqualiserRule rule = EqualiserRule::kConstantModulus;  // after start-up
  int taps = 15;                                         // of each filter, half a symbol apart; odd
  double step = 2.5e-4;          // of every rule after start-up, at unit mean input power
  double turn_step = 4e-3;       // of X and Y into one another before all taps; 0 = taps alone
  int passes = 4;                // start-up passes over the head
  bool widely_linear = false;    // images removed too (widely_linear.h); not with kHold
  std::size_t head = 16384;      // symbols used for start-up
  std::size_t decide_below = 0;  // rows of fewer symbols are decision directed, whatever the rule
  /// Where a frame guides decisions: whether errors are taken at its known symbols alone. Of the decisions of
  /// a shaped format a fifth is wrong where codes still hold (64QAM of 4.3 bits at 10.8 dB; worked out
  /// apart).
  bool at_known_alone = false;
  double known_share = 0.0;  // of such a frame's symbols, for the cost; 0 = no frame
};

struct EqualiserResult {
  Field<float> symbols;           // one sample a symbol; carrier offset and phase are still on it
  EqualiserTaps taps;             // at the end
  std::size_t singularities = 0;  // times both outputs had locked to one polarisation and Y was begun anew
  bool singular = false;          // they still had at the end
};

/// What is known beforehand of a signal.
struct EqualiserKnowledge {
  const std::array<Symbols, 2>* training = nullptr;  // symbols sent, from symbol 0 on
  double removed_hz = 0.0;  // carrier offset already taken off, which turned the receiver's image with it
  /// To go on from, instead of any start-up; should they put both outputs on one polarisation, the blind
  /// start is made after all.
  const EqualiserTaps* taps = nullptr;
  /// Training and pilots, whose offset has been removed, and a symbol that begins a block of them.
  const FrameKnowledge* frame = nullptr;
  std::size_t frame_start = 0;
};

/// Blind start: constant modulus (D. N. Godard, IEEE Trans. Commun. 28(11) 1867, 1980; for polarisations
/// S. J. Savory, Opt. Express 16(2) 804, 2008), output X alone first, from whichever of six polarisation
/// states looks most like one signal; Y then starts as the signal orthogonal to it, its taps the reversed
/// conjugates of X's (L. Liu et al., Proc. OFC, OMT2, 2009), and both go on together. Should they end on
/// one polarisation, Y is begun anew and the event counted. Behind strong polarisation-dependent loss the
/// rows are made white first, and the taps are given for the rows as they came.
/// Known start (training): least mean squares against the known symbols, carrier offset and phase tracked
/// from them; output X then is the transmitter's X.
/// Start from a frame's known symbols: least squares (least_squares.h), at the same known X and Y. Decisions
/// are then taken at the carrier phase that the known symbols round them show, a stretch of some thousand
/// symbols at a time, so that neither a quarter turn nor a dense constellation can mislead them.
/// Start-up goes to and fro over the head, so that the taps of a channel that turns meanwhile never jump and
/// end where the row begins.
/// Then, over the whole row, the rule chosen: constant modulus; radius directed (M. J. Ready and
/// R. P. Gooch, Proc. ICASSP, 1699, 1990); decision directed least mean squares on symbols whose carrier is
/// found block by block inside the loop (offset from the start-up's output, phase by blind search); or hold:
/// taps stay as the known start left them. Decisions need some thousand symbols to bring the taps to their
/// end: a row shorter than the head is gone over as often as makes a head's worth of symbols. Taps are then
/// fitted to the noise of the row itself, the more the fewer symbols: with 15 taps and 1024 symbols the
/// SNR reads what long rows have within 0.05 dB, their BER is that of 0.15 dB less (at 2048, 0.06 dB; 16QAM,
/// 20 dB of OSNR). The widely linear form starts as the complex one does, learns the images over the head (on
/// the known symbols, where there are any; then by the rule) and goes on with the rule. Taps are updated once
/// in kBlock symbols with the sum of the block's gradients, which for steps in use equals symbol-by-symbol
/// adaptation and lets every loop run over whole vectors.
class Equaliser {
 public:
  static constexpr std::size_t kBlock = 32;

  /// std::invalid_argument for an even number of taps or one below 3, a step not in (0, 0.1], a turn step not
  /// in [0, 1/kBlock), no passes, or
  /// a decision or radius rule for Gaussian symbols, which have neither; or for a widely linear form that
  /// has no constellation or is to hold.
  Equaliser(const EqualiserParameters& parameters, const Execution& execution);

  /// `signal`: two samples a symbol, symbol k at sample 2k. Only symbols in [first, last), whose input the
  /// filters before have not cut, drive the adaptation. A row Y of zeros is a polarisation that was not
  /// recorded: output Y then is nought too (InputError for the widely linear form).
  EqualiserResult operator()(const Field<float>& signal, std::size_t first, std::size_t last,
                             const EqualiserKnowledge& known = {}) const;

  /// Of one symbol, both outputs, once running (start-up goes over its head several times).
  Operations cost() const;

 private:
  void check_tail(EqualiserResult& result, std::size_t first, std::size_t last) const;
  EqualiserParameters p_;
  Execution execution_;
};

/// Largest normalised correlation between the rows of `symbols` in [first, last), over delays up to
/// `longest_delay` symbols either way: near 1 when both carry the same source, about 1/sqrt(count) when not.
double row_correlation(const Field<float>& symbols, std::size_t first, std::size_t last, int longest_delay);

/// row_correlation from which on the rows count as one source.
inline constexpr double kSingularCorrelation = 0.5;

/// As a block of the chain: dsp.equaliser*, dsp.training_symbols.
Block equaliser_block(const BlockSetting& setting);

}  // namespace cohlink
