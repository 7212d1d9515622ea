// Physical constants and every conversion between the trade's units and SI.
//
// Inside cohlink everything is SI (W, m, s, Hz, rad); the trade's units live in scenario keys and in
// printed output only, and pass through this header on their way in and out.
#pragma once

#include <cmath>
#include <complex>
#include <numbers>

namespace cohlink {

inline constexpr double kPi = std::numbers::pi;
inline constexpr double kTwoPi = 2.0 * std::numbers::pi;

// SI defining constants (BIPM SI Brochure, 9th edition, 2019): exact.
inline constexpr double kSpeedOfLight = 299792458.0;          // m/s
inline constexpr double kPlanck = 6.62607015e-34;             // J s
inline constexpr double kElementaryCharge = 1.602176634e-19;  // C

/// Reference bandwidth of OSNR: 12.5 GHz (0.1 nm near 1550 nm).
inline constexpr double kOsnrBandwidthHz = 12.5e9;

/// Carrier wavelength of every link in this version, 1550 nm, and its frequency (193.41 THz).
inline constexpr double kWavelength = 1550e-9;
inline constexpr double kCarrierHz = kSpeedOfLight / kWavelength;

inline double from_db(double db) { return std::pow(10.0, db / 10.0); }
inline double to_db(double ratio) { return 10.0 * std::log10(ratio); }
/// Of amplitudes, whose squares are powers: fields, currents, rms values.
inline double amplitude_from_db(double db) { return std::pow(10.0, db / 20.0); }
inline double dbm_to_watt(double dbm) { return 1e-3 * from_db(dbm); }
inline double watt_to_dbm(double watt) { return to_db(watt / 1e-3); }

/// Power attenuation: dB/km to 1/m (the a of exp(-a z)).
inline double db_per_km_to_per_m(double db_per_km) { return db_per_km * std::log(10.0) / 10.0 / 1e3; }

/// Dispersion D [ps/(nm km)] to beta2 [s^2/m] at `wavelength`: beta2 = -D lambda^2 / (2 pi c).
inline double dispersion_to_beta2(double ps_per_nm_km, double wavelength = kWavelength) {
  return -ps_per_nm_km * 1e-6 * wavelength * wavelength / (kTwoPi * kSpeedOfLight);
}

/// Dispersion and slope S [ps/(nm^2 km)] to beta3 [s^3/m]:
/// beta3 = (lambda / (2 pi c))^2 (lambda^2 S + 2 lambda D).  Agrawal, Nonlinear Fiber Optics, ch. 1.
inline double slope_to_beta3(double ps_per_nm2_km, double ps_per_nm_km, double wavelength = kWavelength) {
  const double slope = ps_per_nm2_km * 1e3, dispersion = ps_per_nm_km * 1e-6;  // s/m^3, s/m^2
  const double k = wavelength / (kTwoPi * kSpeedOfLight);
  return k * k * (wavelength * wavelength * slope + 2.0 * wavelength * dispersion);
}

/// Accumulated dispersion [ps/nm] to beta2 L [s^2].
inline double accumulated_to_beta2_length(double ps_per_nm, double wavelength = kWavelength) {
  return -ps_per_nm * 1e-3 * wavelength * wavelength / (kTwoPi * kSpeedOfLight);
}

/// Its inverse: beta2 L [s^2] to accumulated dispersion [ps/nm].
inline double beta2_length_to_accumulated(double beta2_length, double wavelength = kWavelength) {
  return 0.0 -
         beta2_length * 1e3 * kTwoPi * kSpeedOfLight / (wavelength * wavelength);  // 0.0 - x: never "-0"
}

}  // namespace cohlink
