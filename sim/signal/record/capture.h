// A four-lane ADC capture with, where it was synthesised, its ground truth. docs/capture-format.md.
#pragma once

#include <array>
#include <complex>
#include <cstdint>
#include <map>
#include <optional>
#include <string>
#include <vector>

#include "sim/signal/constellation.h"
#include "sim/signal/record/atomic_file.h"
#include "sim/signal/record/hardware_truth.h"
#include "sim/signal/record/lanes.h"

namespace cohlink {

/// Rows are output X, Y; columns input X, Y.
using Jones = std::array<std::array<std::complex<double>, 2>, 2>;

/// What really happened, for scoring and labelling.
struct Truth {
  std::array<Bits, 2> bits;          // [polarisation][symbols x bits per symbol]; empty for Gaussian symbols
  std::array<Symbols, 2> symbols;    // [polarisation][symbols], as transmitted, unit mean power
  std::optional<Modulation> shaped;  // the format where its points are not sent equally often
  std::vector<std::uint8_t> symbol_role;  // [symbols], SymbolRole (frame_layout.h); empty = all payload
  std::vector<double> tx_phase_rad, lo_phase_rad;            // [symbols], at the symbol centres
  std::vector<double> tx_relative_power, lo_relative_power;  // [symbols], mean 1; empty = 1 throughout
  std::optional<std::array<double, 2>>
      tx_carrier_db;                  // X, Y: carrier over signal out of a modulator that leaves one
  double frequency_offset_hz = 0.0;   // rotation seen in the capture: exp(+i 2 pi f t)
  double dispersion_ps_per_nm = 0.0;  // accumulated, whole path
  double dispersion_slope_ps_per_nm2 = 0.0;
  double dgd_ps = 0.0;                           // first-order, at the carrier
  std::array<double, 3> dgd_vector_ps{};         // its Stokes vector (S1, S2, S3) at the output, slow state
  std::array<double, 3> second_order_pmd_ps2{};  // derivative of that vector over angular FFT frequency
  std::optional<double> osnr_db;                 // absent when the path adds no noise
  std::vector<double> jones_time_s = {0.0};      // 0 alone where the path does not turn in time
  std::vector<double> jones_frequency_hz;        // baseband, FFT sign
  std::vector<Jones> jones;                      // optical path, [time][frequency]
  std::optional<TransmitterTruth> transmitter;   // these three are absent in captures of earlier versions
  std::optional<FrontendTruth> frontend;
  std::optional<LaneTruth> lanes;
};

/// Event counters: "adc_clipped_samples", "cycle_slips", ... : what happened, how often.
using Counters = std::map<std::string, std::uint64_t>;

struct Capture {
  static constexpr std::array<const char*, 4> kLaneNames = {"XI", "XQ", "YI", "YQ"};
  Lanes lanes;               // ADC codes
  double sample_rate = 0.0;  // Hz
  std::array<double, 4> ampere_per_code = {1, 1, 1, 1};
  std::string scenario_text;  // the resolved scenario; empty for a capture we did not make
  std::uint64_t seed = 0, frame = 0, point = 0;
  Counters counters;
  std::optional<Truth> truth;

  std::size_t samples() const { return lanes.samples(); }
  /// Whether X alone was recorded, by a receiver of one polarisation.
  bool one_polarisation() const { return lanes.count() == 2; }
};

/// Writes beside `path`, then renames. Throws RunError when the file system refuses.
void write_capture(const Capture& capture, const std::string& path, OnDisk on_disk = OnDisk::kNow);

/// Reads a capture; throws InputError naming the file and what is wrong with it (missing, truncated,
/// not HDF5, not a capture, lanes of wrong shape, not finite). Works without /truth and /scenario.
Capture read_capture(const std::string& path);

}  // namespace cohlink
