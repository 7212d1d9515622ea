// What the hardware really did in one frame: /truth/transmitter, /frontend and /lanes of a capture.
#pragma once

#include <array>
#include <limits>
#include <optional>
#include <string>
#include <vector>

namespace cohlink {

namespace h5 {
class File;
class NewFile;
}  // namespace h5
class Axes;

/// Lanes in the order XI XQ YI YQ.
using PerLane = std::array<double, 4>;
/// Polarisations in the order X Y: at the transmitter its own, at the front end the splitter's outputs.
using PerPolarisation = std::array<double, 2>;
/// [lane][plus, minus], the two photodiodes of each balanced pair.
using PerPhotodiode = std::array<std::array<double, 2>, 4>;

/// The four drive lanes and the modulator that they drive.
struct TransmitterTruth {
  PerLane skew_ps = {0, 0, 0, 0};            // a lane later than the others: positive
  PerLane gain = {1, 1, 1, 1};               // amplitude; the powers of I and Q of a polarisation add up to 2
  PerPolarisation phase_error_deg = {0, 0};  // the field's Q axis off 90 degrees from its I axis
  double xy_power_imbalance_db = 0.0;        // light that X gets from the laser over what Y gets
  double symbol_rate_hz = 0.0;
  double simulated_rate_hz = 0.0;        // of all waveforms up to the converter; nothing lies beyond its half
  std::optional<double> roll_off;        // of the root-raised-cosine pulse; absent = NRZ
  double drive_v_per_unit = 0.0;         // driver output for one unit of drive (driver.h)
  std::optional<double> preemphasis_db;  // most that it may lift; absent = none
  std::optional<double> predistortion_v_pi_v;  // V_pi that the arcsine counts on; absent = none
  std::optional<PerLane> bias_deg;       // child interferometers off their null; absent = ideal modulator
  std::optional<PerLane> extinction_db;  // static, of the same; absent = ideal modulator
  std::optional<double> outer_extinction_db;  // of the outer ones
  std::optional<double> v_pi_v;               // of the children; absent = ideal modulator
  std::optional<double> dac_sample_rate_hz;   // what the converters really ran at; absent = no hold
  std::optional<double>
      dac_bandwidth_hz;  // 3 dB, of converter, driver and modulator together; absent = unlimited
  std::optional<double> dac_bandwidth_order;  // of the Bessel path
  std::optional<double> dac_bits, dac_enob;   // absent = unrounded
  std::optional<double> dac_loading_db;       // rms of a lane over full scale
  std::optional<double> driver_saturation_v;  // absent = linear

  bool operator==(const TransmitterTruth&) const = default;
};

/// From the polarisation splitter to the photocurrents. Infinite: nothing to reject or leak.
struct FrontendTruth {
  PerPhotodiode signal_power_w = {};  // mean light of signal and noise at each photodiode
  PerPhotodiode lo_power_w = {};      // mean light of the local oscillator there
  PerPhotodiode responsivity_a_per_w = {};
  PerLane cmrr_db = kInfinite;                      // of the photodiodes alone
  PerPolarisation hybrid_phase_error_deg = {0, 0};  // the angle from I to Q falls short of 90 degrees by this
  PerPolarisation splitter_imbalance_db = {0, 0};   // its input couplers: through (to Q) over cross (to I)
  PerPolarisation combiner_imbalance_db = {0, 0};   // its output couplers: through over cross
  PerPolarisation coupler_phase_error_deg = {
      0, 0};                            // what crosses any of its couplers turns by 90 degrees + this
  PerPolarisation pn_skew_ps = {0, 0};  // current of each minus diode later than that of its plus diode
  PerLane thermal_noise_a_per_sqrt_hz = {0, 0, 0, 0};  // one-sided
  PerPhotodiode dark_current_a = {};
  double pbs_angle_deg = 0.0;
  double pbs_extinction_db = std::numeric_limits<double>::infinity();

  bool operator==(const FrontendTruth&) const = default;

 private:
  static constexpr double kNone = std::numeric_limits<double>::infinity();
  static constexpr PerLane kInfinite = {kNone, kNone, kNone, kNone};
};

/// What the four lanes of the receiver really did between photodiodes and codes.
struct LaneTruth {
  std::optional<PerLane> source_lane;  // of the front end, 0 to 3, that is connected; absent = each its own
  PerLane skew_ps = {0, 0, 0, 0};      // a lane later than the others: positive
  PerLane gain = {1, 1, 1, 1};         // error of the converter's gain, linear
  PerLane offset_of_full_scale = {0, 0, 0, 0};
  PerLane transimpedance_ohm = {1, 1, 1, 1};             // as the gain control set it
  std::array<std::vector<double>, 4> interleaving_gain;  // [lane][sub-converter], relative error
  std::array<std::vector<double>, 4> interleaving_offset_of_full_scale;
  std::array<std::vector<double>, 4> interleaving_skew_ps;  // the sign of skew_ps: sampled early, seen late
  std::optional<double>
      bandwidth_hz;  // 3 dB, of the electrical path; absent = as wide as the sample rate lets
  std::optional<PerLane> own_bandwidth_hz;  // in the place of that, infinite = flat; absent = all alike
  std::optional<double> bandwidth_order;    // of its Bessel low-pass
  double low_cutoff_hz = 0.0;               // 3 dB, of the AC coupling
  std::optional<double> saturation_v;       // of the output stage; absent = linear
  double bits = 16.0, enob = 16.0;          // of the converter
  double jitter_fs = 0.0;                   // rms, of each sample by itself
  double clock_offset_ppm = 0.0;
  double clock_phase_samples = 0.0;  // every sample is taken this much late
  // Beside it the clock is late by sine_jitter_fs sin(2 pi sine_jitter_rate_hz t + sine_jitter_phase_rad).
  double sine_jitter_fs = 0.0, sine_jitter_rate_hz = 0.0, sine_jitter_phase_rad = 0.0;

  bool operator==(const LaneTruth&) const = default;
};

/// Writes the group with all that is present, each data set with its attribute `unit`.
void write_truth_of(h5::NewFile& file, const TransmitterTruth& truth, Axes& axes);
void write_truth_of(h5::NewFile& file, const FrontendTruth& truth, Axes& axes);
void write_truth_of(h5::NewFile& file, const LaneTruth& truth, Axes& axes);

/// Reads the group, or nothing where there is none. A data set that is missing leaves its default (captures
/// of earlier versions have fewer). InputError for one of the wrong size.
std::optional<TransmitterTruth> read_transmitter_truth(const h5::File& file);
std::optional<FrontendTruth> read_frontend_truth(const h5::File& file);
std::optional<LaneTruth> read_lane_truth(const h5::File& file);

}  // namespace cohlink
