// The optical front end: polarisation splitter, split local oscillator, two hybrids, four balanced pairs of
// photodiodes. Phase- and polarisation-diverse intradyne detection: K. Kikuchi, J. Lightwave Technol. 34(1)
// 157 (2016).
#pragma once

#include <vector>

#include "sim/frontend/hybrid.h"
#include "sim/frontend/photodiodes.h"
#include "sim/frontend/polarisation_splitter.h"
#include "sim/signal/field.h"
#include "sim/signal/hardware_truth.h"
#include "sim/signal/random.h"
#include "sim/transmitter/laser.h"

namespace cohlink {

struct LocalOscillatorParameters {
  double power = 20e-3;           // W, into its splitter
  double frequency_offset = 0.0;  // Hz: optical frequency above the carrier
  LaserParameters laser;
};

struct FrontendParameters {
  PolarisationSplitterParameters splitter;
  double oscillator_split = 1.0;  // power of the oscillator to X over that to Y; the sum is kept
  Hybrid hybrid;                  // the same for both polarisations
  PhotodiodeParameters photodiodes;
};

/// Photocurrents of the two polarisations [A]: real part the I output, imaginary part the Q output.
using Photocurrents = Field<double>;

/// Beats the received field with the local oscillator. The four fields at the photodiodes of each
/// polarisation are computed and squared, so that every flaw acts where it sits. The beat is R S L*: the
/// oscillator's offset f turns it as exp(+i 2 pi f t), its phase as exp(-i phase). Streams "shot-noise",
/// "thermal-noise". std::invalid_argument when trace and field differ in length.
Photocurrents detect(const Field<double>& received, const LocalOscillatorParameters& lo,
                     const LaserTrace& lo_trace, const FrontendParameters& frontend,
                     const RandomStreams& streams);

/// Mean optical power at the photodiodes [W], [lane XI XQ YI YQ][plus, minus].
struct PowerAtDiodes {
  PerPhotodiode signal, oscillator;
};

/// The light that `detect` beats, by itself: the received field and the oscillator, each behind splitter and
/// hybrid without the other.
PowerAtDiodes power_at_diodes(const Field<double>& received, const LocalOscillatorParameters& lo,
                              const LaserTrace& lo_trace, const FrontendParameters& frontend);

}  // namespace cohlink
