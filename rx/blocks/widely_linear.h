// The equaliser's widely linear form: images of the signal removed together with the channel.
#pragma once

#include <array>
#include <vector>

#include "rx/blocks/blind_phase_search.h"
#include "rx/blocks/butterfly.h"
#include "rx/blocks/equaliser.h"

namespace cohlink {

/// Skew, gain and phase errors between I and Q add the conjugate of the signal, filtered. The transmitter's
/// is made before the carrier's phase phi comes on, the receiver's after it, so each output is
///   y = sum over the rows of w * x' + v * conj(x') + u * conj(x) e^(-i phi - 2 i theta),  x' = x e^(-i phi),
/// theta the turn of an offset f taken off before, 2 pi f t: it turned the receiver's image e^(-i theta)
/// too, so that against conj(x) the image turns twice as fast. These are three filters a row (w and v
/// together are the 4x4 real butterfly: C. R. S. Fludger and T. Kupfer, Proc. ECOC, Tu3A.2, 2016; E. P. da
/// Silva and D. Zibar, J. Lightwave Technol. 34(15) 3577, 2016). phi is carried from block to block: the
/// offset's turn plus what blind search over both outputs, or the known symbols, find left in the block
/// before. Taps follow, through y, the gradient of the rule chosen:
///   known symbols and decisions: least mean squares, e = a - y;
///   radius directed: e = (R_ring - |y|^2) y, the complex form's own; QPSK, with its one ring, takes the
///   next; constant modulus: of each real output, e = (R - y_I^2) y_I + i (R - y_Q^2) y_Q with R = E a_I^4 /
///   E a_I^2 (K. N. Oh and Y. O. Chin, Proc. ICC, 498, 1995; J. Yang, J.-J. Werner and G. A. Dumont, IEEE J.
///   Sel. Areas Commun. 20(5) 997, 2002), I and Q along the constellation's axes. |y|^2 alone will not do:
///   QPSK with any real share of its image, s + c conj(s), is a rectangle, all its corners on one circle.
/// Chromatic dispersion undone before parts the
/// receiver's image from reach: its errors belong to the blocks before that.
class WidelyLinear {
 public:
  /// What it adapts to: symbols [first, last), their carrier offset and that taken off before, both in cycles
  /// a symbol.
  struct Drive {
    std::size_t first, last;
    double cycles, removed_cycles = 0.0;
  };

  /// Starts from the filters `start` of the complex form. `in` must outlive this.
  WidelyLinear(const EqualiserParameters& parameters, const ButterflyInput& in, const Butterfly& start,
               const Drive& drive, Execution execution = {});

  /// One pass over whole blocks in [first, to), by the rule or, where given, from `known` symbols.
  void adapt(std::size_t to, double step, const std::array<Symbols, 2>* known = nullptr);
  /// All symbols, adapting on [first, last); carrier offset and phase are put back on.
  Field<float> equalise(double symbol_rate);
  /// Output of symbols [first, to) with the present taps, carrier taken off.
  Field<float> filtered(std::size_t to, double symbol_rate);
  /// Y begun anew, orthogonal to X, without images.
  void restart_y() { filters_.make_y_orthogonal_to_x(); }

  EqualiserTaps taps() const { return filters_.taps(); }

 private:
  void take_off_carrier(std::size_t k, double phase);
  double error(const ButterflyBlock& y, ButterflyBlock& e);
  bool by_rings() const {
    return p_.rule == EqualiserRule::kRadiusDirected && !constellation(p_.modulation).one_ring();
  }
  std::complex<float> gradient(std::complex<float> z, std::complex<float> decision) const;
  double error(const ButterflyBlock& y, const std::array<Symbols, 2>& known, std::size_t k,
               ButterflyBlock& e) const;
  void align_rows();
  void store(const ButterflyBlock& y, std::size_t k, std::size_t origin, double carrier,
             Field<float>& out) const;

  EqualiserParameters p_;
  Execution execution_;
  const ButterflyInput& in_;
  ButterflyInput local_;  // one block: x', conj(x'), conj(x) e^(-i phi - 2 i theta), two rows each
  Butterfly filters_;
  BlindPhaseSearch search_;
  double cycles_, removed_cycles_;
  std::size_t first_, last_;
  // From half the taps before a block on, per sample: e^(-i 2 pi offset t), and with e^(-2 i theta).
  std::vector<std::complex<float>> turn_, image_turn_;
  float gain_ = 1.0f;  // of the outputs, as decisions see it
  // Each output's own angle to the grid, which rings leave free to wander.
  std::array<std::complex<float>, 2> angle_ = {1.0f, 1.0f};
};

}  // namespace cohlink
