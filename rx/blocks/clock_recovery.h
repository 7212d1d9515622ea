// Clock recovery: the receiver's samples put onto the transmitter's clock.
#pragma once

#include <optional>
#include <vector>

#include "rx/blocks/interpolator.h"
#include "rx/stage/cost.h"
#include "sim/signal/execution/execution.h"
#include "sim/signal/field.h"
#include "sim/signal/pulse.h"

namespace cohlink {

struct Block;
struct BlockSetting;

struct ClockParameters {
  PulseShape pulse;
  std::size_t window =
      8192;  // symbols that one timing estimate averages: jitter slower than that is followed
};

struct ClockResult {
  Field<float> signal;      // two samples a symbol of the transmitter: symbol k at sample 2 k
  bool locked = false;      // false: no clock tone, or one too far off; the signal is what came in
  double offset_ppm = 0.0;  // the receiver's clock is this much faster than its name says; 0: no tone
  std::optional<double> jump_symbols;  // the largest jump of the delay, modulo 1; absent: none
  std::size_t jump_place = 0;          // symbols from the beginning
  double wander_ui = 0.0;              // rms of the delay about the straight line of that offset [symbols]
  double drift_symbols = 0.0;          // delay at the end less delay at the start
  std::vector<double> delay;  // of the symbols against two samples each, one value every kHop symbols
};

/// A clock's delay at symbol `place` of its capture, from ClockResult::delay and, beyond its ends, its slope.
double clock_delay_at(const std::vector<double>& delay, double place);

/// Feedforward timing by blocks. Each block of kBlock symbols gives its clock matrix (clock_tone.h), blind to
/// data, carrier phase and polarisation; the rotation of matrices into one another, tr(M_b+l M_b^H), tells
/// the mean clock offset, and whether there is a clock (clock_drift.h), up to +-3 / kBlock, 5860 ppm. Beyond
/// kWidestPpm there is no lock: no clock is so far off, the rate that the receiver was told is. Freed of the
/// offset, matrices are averaged over `window`, and the phase of the average's determinant, unwrapped, is
/// twice the timing phase. Rows of fewer than 32 blocks are cut into shorter ones, of 64 symbols at least.
/// The half symbol that this leaves open is settled by the trace; where the trace is extinguished (half a
/// symbol of differential delay) either choice is as good. The rows are then interpolated at the symbols'
/// instants and half way between. Timing of blocks, unwrapped: M. Oerder and H. Meyr, IEEE Trans. Commun.
/// 36(5) 605 (1988). Tone in the band edges: D. N. Godard, IEEE Trans. Commun. 26(5) 517 (1978). The loss of
/// the plain tone by differential delay: D. Zibar et al., Opt. Express 19(26) B429 (2011).
///
/// Lock range measured (tests/rx/blocks/clock_recovery_test.cpp): to 1000 ppm (tested at -1000, -20 and
/// +100), at roll-off 0.05 to 1, QPSK and 16QAM at the SNR of a BER of 2e-2, any DGD. Jitter is followed up
/// to about 0.25 / window cycles a symbol (1 MHz at 32 GBd). Needs: dispersion compensated to within about c
/// / (lambda^2 R^2 roll_off / 2) (610 ps/nm at 32 GBd, roll-off 0.1, halves the tone), carrier offset below
/// roll_off R / 4.
class ClockRecovery {
 public:
  static constexpr std::size_t kBlock = 512, kHop = kBlock / 2;  // symbols
  static constexpr double kWidestPpm = 1100.0;                   // legal are 1000

  ClockRecovery(const ClockParameters& parameters, const Execution& execution);

  /// `signal`: two samples a symbol by the receiver's clock (std::invalid_argument for another rate).
  /// `expected`: delay of the first block's centre where it is known but for whole symbols, as from a clock
  /// recovered before; it settles the half symbol.
  ClockResult operator()(const Field<float>& signal, std::optional<double> expected = std::nullopt) const;

  /// Symbols at each end that miss input, besides what a drift moves in or out.
  double reach() const { return 0.5 * static_cast<double>(interpolator_.reach()); }

  /// Of one sample, both rows.
  Operations cost() const;

 private:
  std::vector<double> delays(const Field<float>& signal, std::optional<double> expected,
                             ClockResult& result) const;

  ClockParameters p_;
  Execution execution_;
  Interpolator interpolator_;
};

/// As a block of the chain: dsp.clock_window.
Block clock_block(const BlockSetting& setting);

}  // namespace cohlink
