// What the light meets on its way, as plain data: a list of split steps, birefringent sections, gains and
// filters, in order. Engines (engine.h) execute it; nothing here computes a field.
//
// The equation, in cohlink's signs (Manakov: Wai and Menyuk, J. Lightwave Technol. 14(2) 148, 1996;
// Marcuse, Menyuk and Wai, J. Lightwave Technol. 15(9) 1735, 1997):
//
//   dA/dz = -a/2 A - i b2/2 A_tt + b3/6 A_ttt + i (8/9) g (|Ax|^2 + |Ay|^2) A
//
// With a forward FFT of exp(-i w t) the linear operator over z is exp(-a z/2 + i b2/2 w^2 z - i b3/6 w^3 z);
// a positive w is a LOWER optical frequency.
#pragma once

#include <complex>
#include <string>
#include <variant>
#include <vector>

#include "sim/signal/propagation/jones.h"

namespace cohlink {

/// A stretch of fibre, the constants of the equation. SI throughout.
struct FibreConstants {
  double beta2 = 0.0;  ///< s^2/m
  double beta3 = 0.0;  ///< s^3/m
  double loss = 0.0;   ///< power, 1/m: P(z) = P(0) exp(-loss z)
  double kerr = 0.0;   ///< 1/(W m), the factor 8/9 of the Manakov equation included
};

/// One symmetric step: half the linear operator, the Kerr rotation, half the linear operator. The Kerr
/// rotation uses the power at mid-step and the length 2 sinh(loss h/2)/loss, which makes a step without
/// dispersion exact. Global error of second order in the length.
struct SplitStep {
  double length = 0.0;  ///< m
  FibreConstants fibre;
};

/// A stretch whose steps the engine chooses by their local error: each step is done once whole and once as
/// two halves, the result is 4/3 fine - 1/3 coarse (global third order), and the relative difference of the
/// two steers the length. Sinkin, Holzloehner, Zweck and Menyuk, J. Lightwave Technol. 21(1) 61 (2003).
/// A step that would fall below `min_step` is taken at min_step whatever its error, and counted.
struct AdaptiveStretch {
  double length = 0.0;  ///< m
  FibreConstants fibre;
  double tolerance = 1e-5;  ///< local error aimed at: |fine - coarse| / |fine|, root mean square
  double first_step = 0.0;  ///< m, > 0
  double max_step = 0.0;    ///< m, > 0; the dispersive cap
  double min_step = 0.0;    ///< m, >= 0
};

/// One section of a birefringent fibre: A(w) -> rotation . diag(exp(-i w dgd/2), exp(+i w dgd/2)) A(w).
/// The x axis before the rotation is the slow one for dgd > 0 [s]. `rotation` must be unitary.
struct PmdSection {
  JonesMatrix rotation;
  double dgd = 0.0;
};

/// Amplifier (or loss, or noise loading with a gain of 1). ASE is circular, white over the simulated band,
/// independent in the two polarisations. Each engine draws it from the stream of that name, bin by bin in
/// the order of the FFT, x before y in each bin.
struct LumpedGain {
  double power_gain = 1.0;
  double ase_psd = 0.0;       ///< W/Hz per polarisation, added after the gain
  std::string ase_stream;     ///< e.g. "ase-span-3"; used only if there is ASE
  double output_power = 0.0;  ///< W, both polarisations. Above 0: the gain is output_power over the power
                              ///< that arrives in the simulated band, and power_gain and ase_psd are ignored
  double noise_factor = 0.0;  ///< used with output_power: linear F; 0 = no ASE
  double carrier = 0.0;       ///< Hz, used with output_power and noise_factor
};

/// ASE density per polarisation after an amplifier [W/Hz]: (F G - 1)/2 h nu, at least 0.
double ase_psd_per_polarisation(double power_gain, double noise_factor, double carrier);

/// Frequency-independent 2x2 element: PDL, a fixed rotation.
struct LumpedJones {
  JonesMatrix matrix;
};

/// Optical band-pass filter of a wavelength-selective switch: an aperture of width `bandwidth` [Hz] blurred
/// by a Gaussian optical transfer function whose 3 dB width is `otf_bandwidth` [Hz]. FIELD transfer,
/// normalised to one at the centre of a wide filter:
///   H(f) = 1/2 [erf((B/2 - d)/(sqrt(2) s)) + erf((B/2 + d)/(sqrt(2) s))],  s = otf / (2 sqrt(2 ln 2)),
/// d = f - centre. Its -6 dB full width is the bandwidth. Pulikkaseril, Stewart, Roelens, Baxter, Poole and
/// Frisken, Opt. Express 19(9) 8458 (2011), eq. 3 (form from memory). `centre` [Hz] counts in FFT frequency:
/// a positive value is a lower optical frequency.
struct OpticalFilter {
  double centre = 0.0;
  double bandwidth = 0.0;
  double otf_bandwidth = 0.0;
  bool operator==(const OpticalFilter&) const = default;
};

/// Lumped dispersion (a compensating module, or extra dispersion of a test bench), linear.
struct DispersionModule {
  double beta2_length = 0.0;  ///< s^2
  double beta3_length = 0.0;  ///< s^3
  bool operator==(const DispersionModule&) const = default;
};

/// Polarisation turning in time: A(t) -> stokes_rotation(axis, rate (t + start)) A(t), t = 0 at the first
/// sample. `rate` [rad/s] is the speed in STOKES space (a linear state turns at half of it in Jones space).
/// Not periodic: a frame has a seam, so discard its edges.
struct PolarisationRotation {
  double rate = 0.0;
  StokesVector axis{0.0, 0.0, 1.0};
  double start = 0.0;  ///< s
};

/// Polarisation on a given way: A(t) -> J(t) A(t). `turns` are unitary, of determinant 1, at equally spaced
/// times from t = 0, the first sample, on; straight lines between neighbours, made unitary again, and
/// standing still beyond both ends. Not periodic either.
struct PolarisationTrack {
  double spacing = 0.0;            ///< s, > 0
  std::vector<JonesMatrix> turns;  ///< at least one
};

/// The turn at `time` [s].
JonesMatrix turn_at(const PolarisationRotation& rotation, double time);
JonesMatrix turn_at(const PolarisationTrack& track, double time);

/// Gain that hangs on frequency, without noise and without phase: the natural log of the power gain at
/// equally spaced frequencies (FFT sign), linear between them and level beyond the ends. What fibre does
/// beyond its flat loss stands between split steps as such elements: half of it before and half behind a
/// step keeps the second order.
struct SpectralGain {
  static constexpr std::size_t kMostPoints = 128;
  double first = 0.0;            ///< Hz
  double spacing = 0.0;          ///< Hz, > 0
  std::vector<double> log_gain;  ///< 2 to kMostPoints values; none: no gain at all
  bool operator==(const SpectralGain&) const = default;
};

using PlanElement =
    std::variant<SplitStep, AdaptiveStretch, PmdSection, LumpedGain, LumpedJones, OpticalFilter,
                 DispersionModule, PolarisationRotation, PolarisationTrack, SpectralGain>;

/// Elements in the order the light meets them.
struct PropagationPlan {
  std::vector<PlanElement> elements;
};

/// exp of the scalar linear operator: i b2/2 w^2 - i b3/6 w^3, w = 2 pi `frequency`, for accumulated
/// dispersions [s^2, s^3].
std::complex<double> dispersion_response(double beta2_length, double beta3_length, double frequency);

/// The filter's field transfer at `frequency` [Hz], and the standard deviation s of its blur [Hz].
double filter_response(const OpticalFilter& filter, double frequency);
double filter_sigma(const OpticalFilter& filter);

/// Natural log of the power gain at `frequency` [Hz].
double log_gain(const SpectralGain& gain, double frequency);

/// Jones matrix of the plan's polarisation-dependent elements at `frequency` [Hz, FFT sign] and `time` [s,
/// for what turns in time]: PMD sections and lumped Jones elements, in order. Dispersion, loss, gain and
/// filters are scalar and left out (scalar_response gives them).
JonesMatrix jones_matrix(const PropagationPlan& plan, double frequency, double time = 0.0);

/// Field response of the scalar elements at `frequency`: dispersion, loss, planned gain, filters. The
/// gain of a fixed-output amplifier is known only to the engine and counts as 1.
std::complex<double> scalar_response(const PropagationPlan& plan, double frequency);

/// The plan that undoes this one: its elements inverted, last first. A split step's inverse is the step with
/// its constants negated, exactly. This is digital back-propagation (Ip and Kahn, J. Lightwave Technol.
/// 26(20) 3416, 2008). Throws std::invalid_argument for what has no planned inverse: ASE, fixed output power,
/// optical filters, adaptive stretches.
PropagationPlan inverse(const PropagationPlan& plan);

/// What the plan adds up to.
struct PlanTotals {
  double fibre_length = 0.0;    ///< m
  double beta2_length = 0.0;    ///< s^2, fibre and modules
  double beta3_length = 0.0;    ///< s^3
  double power_gain = 1.0;      ///< loss and planned gain, both counted (see scalar_response)
  std::size_t split_steps = 0;  ///< fixed steps; adaptive stretches are counted apart
  std::size_t adaptive_stretches = 0;
  std::size_t pmd_sections = 0;
};
PlanTotals totals(const PropagationPlan& plan);

/// Whether there are split steps in it, of either kind: they alone pay for carrying a field into the layout
/// of two passes and back, or to a card.
bool has_steps(const PropagationPlan& plan);

}  // namespace cohlink
