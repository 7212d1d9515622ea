// What the equaliser's taps say about the channel they undo.
#pragma once

#include <optional>

#include "rx/quality/equaliser_taps.h"
#include "sim/signal/record/capture.h"

namespace cohlink {

/// Read from the taps: the channel is the inverse of their frequency response.
struct ChannelReading {
  double dgd = 0;                 // s, differential group delay, mean over the middle of the band
  double pdl = 1;                 // largest over smallest transmission, geometric mean there
  double beta2_length = 0;        // s^2, what the fixed dispersion block before had left over
  std::optional<double> xy_skew;  // s, Y as sent arrives later than X by this; only where both are known
};

struct TapReadingParameters {
  double symbol_rate = 32e9;  // Hz; taps are half a symbol apart
  double band = 0.35;         // symbol rates either side of the carrier that are looked at
};

/// W(f) = sum_n w[n] exp(+i 2 pi f (n - centre) T / 2) inverts the path: with W = P J^-1 and P alike for both
/// polarisations, J(f + d) J(f)^-1 = W(f + d)^-1 W(f), whose eigenvalues differ by exp(i 2 pi d DGD)
/// (B. L. Heffner, IEEE Photon. Technol. Lett. 4(9) 1066, 1992: Jones matrix eigenanalysis); the ratio of W's
/// singular values is the PDL; half of arg det W has the curvature of the dispersion left over. After F. N.
/// Hauske, M. Kuschnerov, B. Spinnler and B. Lankl, J. Lightwave Technol. 27(16) 3623 (2009).
/// `relative_delay`: how many symbols output Y carries its row later than X does (0 when unknown; a blind
/// start can leave whole symbols between them, which would read as DGD).
/// Skew: the mean slope of the phase of a row of W is the delay that it takes back; skew of the transmitter
/// and the part of the path's delay that lies along its X and Y add up in it. Limits: noise makes the
/// equaliser undo deep PDL less than fully, so that it reads low; DGD and dispersion beyond what the taps
/// span cannot be read. Nothing when the taps are all zero or singular.
std::optional<ChannelReading> read_taps(const EqualiserTaps& taps, const TapReadingParameters& parameters,
                                        long relative_delay = 0);

/// read_taps for a delay between the outputs that nobody knows: of -2 to 2 symbols the one that leaves the
/// least DGD. What X and Y were sent apart and what the path set between them cannot be told from each other
/// blindly: the DGD is known but for whole symbols between the polarisations as sent.
std::optional<ChannelReading> read_taps_blindly(const EqualiserTaps& taps,
                                                const TapReadingParameters& parameters);

/// PDL of the true path at the frequency nearest the carrier [dB]; nothing without Jones matrices.
std::optional<double> true_pdl_db(const Truth& truth);

}  // namespace cohlink
