// One description of the optical line: what is launched into it, its spans with all that stands behind them,
// and the optics before the receiver. Plain data in SI; the link plans its steps from it, and the receiver,
// the budget and the commands read what they are told of the path here.
#pragma once

#include <optional>
#include <vector>

#include "sim/signal/constellation.h"
#include "sim/signal/propagation/plan.h"
#include "sim/signal/pulse.h"
#include "sim/signal/units.h"

namespace cohlink {

/// One fibre.
struct Span {
  double length = 80e3;                        ///< m
  double loss = db_per_km_to_per_m(0.2);       ///< power, 1/m
  double beta2 = dispersion_to_beta2(17.0);    ///< s^2/m
  double beta3 = slope_to_beta3(0.056, 17.0);  ///< s^3/m
  double gamma = 1.3e-3;                       ///< Kerr coefficient, 1/(W m), without the 8/9
  double pmd_coefficient = 0.0;                ///< s/sqrt(m): mean DGD = coefficient sqrt(length)

  /// Power at its start over that at its end.
  double total_loss() const;
  bool operator==(const Span&) const = default;
};

/// The span's constants in the equation of plan.h: the Manakov factor 8/9 comes in here and nowhere else.
FibreConstants constants(const Span& span);

enum class GainMode {
  kNone,         ///< no amplifier
  kSpanLoss,     ///< makes up exactly for the fibre, the lumped loss and the module before it
  kFixedOutput,  ///< sets the total power in the simulated band to output_power
};

/// Lumped amplifier (H. A. Haus, IEEE Photon. Technol. Lett. 10(11) 1602, 1998). Noise factor F = 2 n_sp
/// (G-1)/G + 1/G, so ASE per polarisation is (F G - 1)/2 h nu (a passive device of G = 1/F would add none;
/// below that the density is held at 0).
struct Amplifier {
  GainMode mode = GainMode::kSpanLoss;
  double noise_factor = from_db(5.0);  ///< F, linear
  bool ase = true;
  double output_power = 1e-3;  ///< W, both polarisations, all channels
  double tilt = 0.0;           ///< 1/Hz, slope of ln(power gain) over optical frequency
  bool equalise = false;       ///< a channel equaliser behind it restores the launched spectrum
  bool operator==(const Amplifier&) const = default;
};

/// A span and what stands behind it, in this order: fibre, lumped loss, dispersion module, amplifier, PDL,
/// filter.
struct LineSection {
  Span span;
  double lumped_loss = 1.0;                ///< power in over power out: connectors, splices, switches
  std::optional<DispersionModule> module;  ///< dispersion compensation
  double module_loss = 1.0;                ///< power in over power out
  Amplifier amplifier;
  /// Of the amplifier, at its output, with randomly oriented axes: largest over smallest transmission. Its
  /// mean loss counts as the amplifier's own and is made up for: unpolarised light leaves with the gain or
  /// the output power that the amplifier has without it. Without an amplifier the loss stays.
  double pdl = 1.0;
  std::vector<OpticalFilter> filters;  ///< add-drop sites, in cascade

  /// Power at the start of the fibre over that before the amplifier.
  double total_loss() const;
  bool operator==(const LineSection&) const = default;
};

/// A wavelength channel as it is launched.
struct Channel {
  int number = 1;          ///< in the grid, from 1 at the lowest optical frequency
  double offset = 0.0;     ///< Hz, optical frequency above the centre of the grid
  double frequency = 0.0;  ///< Hz, FFT sign: where it lies in the simulated band (comb_frequency)
  double power = 1e-3;     ///< W, both polarisations
  Modulation modulation = Modulation::kQpsk;
  PulseShape pulse;
  bool operator==(const Channel&) const = default;
};

/// Wavelength channels on a grid, that of ITU-T G.694.1 (DWDM) with any spacing.
struct Comb {
  std::vector<Channel> channels = std::vector<Channel>(1);  ///< in grid order; at least one
  std::size_t under_test = 0;                               ///< index of the one that is received
  double spacing = 50e9;                                    ///< Hz
  double wavelength = kWavelength;                          ///< m, of the grid's centre

  const Channel& tested() const { return channels[under_test]; }
  double centre() const {
    return kSpeedOfLight / wavelength;
  }  ///< Hz, optical frequency of the grid's centre
  /// Highest channel edge, either side of the grid's centre [Hz].
  double edge() const;
  /// Of all channels [W].
  double power() const;
  bool operator==(const Comb&) const = default;
};

/// FFT frequency at which a channel of that optical offset lies: its negative, moved by less than half a bin
/// to the nearest whole bin, so that a frame stays periodic. `frame_rate` = 1/frame duration [Hz].
double comb_frequency(double optical_offset, double frame_rate);

/// Polarisation that turns in a pulse about the S3 axis, as a lightning current's magnetic field turns it in
/// an overhead line: at the rate peak cos^2(pi t / (2 width)) for |t| < width, the middle of the frame at
/// t = 0; peak width in all.
struct PolarisationBurst {
  double peak = 0.0;   ///< rad/s in Stokes space
  double width = 0.0;  ///< s, at half of the peak
  bool operator==(const PolarisationBurst&) const = default;
};

/// Linear optics between the last span and the receiver, in this order; noise loading stands before the
/// filter.
struct PathOptics {
  double extra_beta2_length = 0.0;          ///< s^2
  double dgd = 0.0;                         ///< s, axes at 45 degrees
  double pdl = 1.0;                         ///< largest over smallest transmission; lossless axis along X
  double rotation = 0.0, retardance = 0.0;  ///< rad
  double rotation_rate = 0.0;               ///< rad/s in Stokes space
  double wander_rate = 0.0;                 ///< 1/s: polarisation_walk
  std::optional<PolarisationBurst> burst;
  std::optional<double> osnr;           ///< linear, in 12.5 GHz; absent = no noise loading
  std::optional<OpticalFilter> filter;  ///< the receiver's, about the channel under test
  bool operator==(const PathOptics&) const = default;
};

/// Loss of the fibres by frequency, over that at the grid's centre, which is Span::loss: linear between
/// points, level beyond them. No points: flat.
struct LossCurve {
  std::vector<double> offset;  ///< Hz, optical frequency above the grid's centre, ascending
  std::vector<double> ratio;
  double at(double optical_offset) const;
  bool operator==(const LossCurve&) const = default;
};

struct Line {
  Comb comb;
  std::vector<LineSection> sections;  ///< none: back to back
  PathOptics optics;
  LossCurve loss_curve;
  double raman_slope = 0.0;         ///< 1/(W m Hz): gain over frequency difference, see wide_band.h
  double wavelength = kWavelength;  ///< m, of the channel under test: dispersion in ps/nm refers to it

  /// Optical frequency of the channel under test [Hz]: for the photon energy of ASE.
  double carrier() const { return kSpeedOfLight / wavelength; }
  bool operator==(const Line&) const = default;
};

/// Dispersion of a whole path at one frequency.
struct Dispersion {
  double beta2_length = 0.0;  ///< s^2
  double beta3_length = 0.0;  ///< s^3
};

/// Of spans, modules and extra dispersion at the channel under test: (beta2 - beta3 w) L there (Agrawal,
/// Nonlinear Fiber Optics, ch. 1; from memory), w its FFT frequency.
Dispersion dispersion_at_channel(const Line& line);

}  // namespace cohlink
