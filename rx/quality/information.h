// How many bits a symbol really carries: what soft-decision codes live on.
#pragma once

#include <complex>
#include <span>

#include "sim/signal/constellation.h"
#include "sim/signal/execution/execution.h"

namespace cohlink {

/// Bits per symbol of one polarisation that an ideal code could carry over the channel as it was received.
struct Information {
  double mutual_bits = 0;       // symbol-wise: a code over the symbols, or bit-interleaving with iterations
  double generalised_bits = 0;  // bit-wise (GMI): bit-interleaved coded modulation with one demapping
  double normalised = 0;        // NGMI: the largest rate an ideal binary code may have, 1 - (H - GMI) / m
  double deviation = 0;         // standard error of `normalised`; 1, which says nothing, for too few symbols
};

/// Achievable with a decoder that believes in white circular Gaussian noise (the auxiliary channel; a lower
/// bound on what the true channel carries), with p_x = P(x) exp(-|y - x|^2 / N0) and the format's entropy H:
///   MI  = H - mean log2 (sum_x p_x / p_a),
///   GMI = H - mean sum_b log2 (sum_x p_x / sum_{x: bit b as sent} p_x).
/// `received`: the complex gain of its signal part is 1; `sent` beside it; `noise` = N0, its mean noise
/// power. Bits are the labels of constellation(), also where they were coded differentially before mapping.
/// std::invalid_argument for unequal lengths, no symbols, N0 not above 0, or Gaussian symbols. Single
/// precision, a symbol's loss to 1e-6; sums in double. The standard error is that of the means of 16
/// stretches of the row (A. M. Law and W. D. Kelton, Simulation Modeling and Analysis, ch. 9: batch means),
/// so that losses which come in bunches shorter than those are counted as such. A. Alvarado, E. Agrell, D.
/// Lavery, R. Maher and P. Bayvel, J. Lightwave Technol. 33(20) 4338 (2015); A. Alvarado, T. Fehenberger, B.
/// Chen and F. M. J. Willems, J. Lightwave Technol. 36(2) 424 (2018); NGMI: J. Cho, L. Schmalen and P. J.
/// Winzer, Proc. ECOC, M.2.D.2 (2017).
Information achievable_information(std::span<const std::complex<float>> received,
                                   std::span<const std::complex<float>> sent, double noise,
                                   Modulation modulation, const Execution& execution = {});
Information achievable_information(std::span<const std::complex<float>> received,
                                   std::span<const std::complex<double>> sent, double noise,
                                   Modulation modulation, const Execution& execution = {});

/// Of both polarisations together: means.
Information mean(const Information& x, const Information& y);

}  // namespace cohlink
