// The optical front end: polarisation splitter, split local oscillator, two hybrids, four balanced pairs of
// photodiodes. Phase- and polarisation-diverse intradyne detection: K. Kikuchi, J. Lightwave Technol. 34(1)
// 157 (2016).
#pragma once

#include <array>
#include <complex>
#include <optional>

#include "sim/frontend/hybrid.h"
#include "sim/frontend/photodiodes.h"
#include "sim/frontend/polarisation_splitter.h"
#include "sim/signal/execution/execution.h"
#include "sim/signal/field.h"
#include "sim/signal/random.h"
#include "sim/signal/record/hardware_truth.h"
#include "sim/transmitter/laser.h"

namespace cohlink {

struct LocalOscillatorParameters {
  double power = 20e-3;           // W, into its splitter
  double frequency_offset = 0.0;  // Hz: optical frequency above the carrier
  LaserParameters laser;
};

struct FrontendParameters {
  PolarisationSplitterParameters splitter;
  double oscillator_transmission = 1.0;  // power, of its path alone, before it is split
  double oscillator_split = 1.0;         // power of the oscillator to X over that to Y; the sum is kept
  Hybrid hybrid;                         // of X, and of Y where it has none of its own
  std::optional<Hybrid> hybrid_y;
  PhotodiodeParameters photodiodes;
  std::optional<double> mismatch_y;  // of the photodiodes of Y; absent = as X
  std::array<double, 2> pn_skew = {0.0,
                                   0.0};  // s, X and Y: current of each minus diode later than of its plus

  const Hybrid& hybrid_of(std::size_t pol) const { return pol == 1 && hybrid_y ? *hybrid_y : hybrid; }
  PhotodiodeParameters photodiodes_of(std::size_t pol) const;
  /// Power that reaches the hybrid of a polarisation, of `power` [W] into the oscillator's path.
  double oscillator_power(double power, std::size_t pol) const;
};

/// Photocurrents of the two polarisations [A]: real part the I output, imaginary part the Q output.
using Photocurrents = Field<double>;

/// The local oscillator as it ran.
struct Oscillator {
  const LocalOscillatorParameters& parameters;
  const LaserTrace& trace;
};

/// Beats the received field with the local oscillator. The four fields at the photodiodes of each
/// polarisation are computed and squared, so that every flaw acts where it sits. The beat is R S L*: the
/// oscillator's offset f turns it as exp(+i 2 pi f t), its phase as exp(-i phase). A skew s between the
/// diodes of a pair leaves (1 + exp(-i w s))/2 of the beat and lets (1 - exp(-i w s))/2 of what is common to
/// both through. Streams "shot-noise", "thermal-noise". std::invalid_argument when trace and field differ in
/// length.
Photocurrents detect(const Field<double>& received, const Oscillator& oscillator,
                     const FrontendParameters& frontend, const RandomStreams& streams,
                     const Execution& execution);

/// Mean optical power at the photodiodes [W], [lane XI XQ YI YQ][plus, minus].
struct PowerAtDiodes {
  PerPhotodiode signal, oscillator;
};

/// Means of |x|^2, |y|^2 and x y* over a frame [W].
struct Coherency {
  double x = 0.0, y = 0.0;
  std::complex<double> xy;

  /// Mean of |a x + b y|^2.
  double power_of(std::complex<double> a, std::complex<double> b) const {
    return std::norm(a) * x + std::norm(b) * y + 2.0 * (a * std::conj(b) * xy).real();
  }
};
Coherency coherency(const Field<double>& field);

/// The light that `detect` beats, by itself: the received field, by its coherency, and the oscillator, each
/// behind splitter and hybrid without the other.
PowerAtDiodes power_at_diodes(const Coherency& received, const Oscillator& oscillator,
                              const FrontendParameters& frontend);

/// Fields at the diodes of a polarisation, of one unit of what the splitter gives and of one of the
/// oscillator.
struct DiodeFields {
  HybridOutputs of_signal, of_oscillator;
};
DiodeFields diode_fields(const FrontendParameters& frontend, const LocalOscillatorParameters& oscillator,
                         std::size_t pol);

}  // namespace cohlink
