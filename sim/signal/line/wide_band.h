// What the width of a comb does to its light on the way: loss that hangs on frequency, power that stimulated
// Raman scattering carries to lower frequencies, tilt of amplifiers, and the equalisers against all this.
//
// The Raman gain is taken to grow in proportion to the distance in frequency (valid up to about 13 THz), and
// photon numbers for powers: M. Zirngibl, Electron. Lett. 34(8) 789 (1998). A channel of optical frequency v
// above the grid's centre then obeys
//   dP(v)/dz = -a(v) P(v) + C P(v) sum over all channels u of (u - v) P(u),
// so that P(v, z) = P(v, 0) exp(-a(v) z + N(z) - v U(z)) with U' = C sum P(u), N' = C sum u P(u): two
// equations, however many channels. Where the loss is flat, U = C P_total L_eff: 4.343 U is the tilt in
// dB/Hz. C is the gain's slope over the effective area for light of all polarisations; noise takes part in
// what the channels do to it, and does nothing to them.
#pragma once

#include <vector>

#include "sim/signal/line/line.h"
#include "sim/signal/propagation/plan.h"

namespace cohlink {

/// One fibre with the comb in it.
class FibreWalk {
 public:
  /// `powers` [W] of the line's channels at its start.
  FibreWalk(const Line& line, const Span& span, const std::vector<double>& powers);

  /// Natural log of the power gain from the start to `z` [m] beyond exp(-loss z), at an optical frequency
  /// above the grid's centre [Hz].
  double log_gain(double optical_offset, double z) const;

 private:
  struct Transfer {
    double slope = 0.0, level = 0.0;  // U [1/Hz] and N
  };
  Transfer transfer_at(double z) const;
  Transfer rates(const Line& line, const std::vector<double>& powers, const Transfer& now, double z) const;

  double loss_, length_;
  LossCurve curve_;
  std::vector<Transfer> transfer_, rates_;  // at equal distances; empty without Raman scattering
};

/// Where gains are tabulated [Hz, FFT sign]: over the comb.
struct SpectralGrid {
  double first = 0.0, spacing = 0.0;
  std::size_t points = 0;
};

/// One section: fibre, losses, amplifier.
struct SectionWalk {
  FibreWalk fibre;
  std::vector<double> start, end;  ///< W, of each channel in the fibre; noise is none
  double gain = 1.0;               ///< mean power gain of the amplifier over the channels
  SpectralGain behind;             ///< its tilt and equaliser; keeps the power of all channels
};

/// A whole line. No sections: it is flat, and powers follow without such a walk.
struct CombWalk {
  SpectralGrid grid;
  std::vector<SectionWalk> sections;

  bool flat() const { return sections.empty(); }
  /// Of a section's fibre between two places [m].
  SpectralGain between(std::size_t section, double from, double to) const;
};

/// Follows the channels along the line. An amplifier that makes up for the loss before it restores the power
/// that all channels together had at the start of the fibre.
CombWalk walk_comb(const Line& line);

}  // namespace cohlink
