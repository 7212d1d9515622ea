// Whether the receiver has locked, asked of the recovered symbols themselves.
#pragma once

#include <array>
#include <cstddef>
#include <optional>
#include <span>

#include "sim/signal/constellation.h"
#include "sim/signal/field.h"

namespace cohlink {

/// Each row's mean of -exp(4 i angle), real part: QPSK and 16QAM on their grid make it large (1 and 0.36
/// without noise; QPSK at 3 dB SNR 0.16, 16QAM at 9 dB 0.13), any other mixture of symbols, noise, or a
/// carrier that still turns makes it zero but for the bias of the phase estimate.
/// Where a constellation's rings stand at angles to each other, so that its fourth powers cancel (8QAM), each
/// ring's symbols are taken against that ring's own.
std::array<double, 2> carrier_coherence(const Field<float>& symbols, std::size_t first, std::size_t last,
                                        Modulation modulation = Modulation::kQpsk);

/// Coherence from which on a row counts as locked. A phase estimate that averages `averaged` symbols finds
/// sqrt(pi / 4 / averaged) of coherence in pure noise; 1.3 times that, and never below 0.1, is asked.
/// `averaged` = 0: no estimate took part. The bias was checked on noise (tests/rx/quality/lock_test.cpp).
double coherence_needed(std::size_t averaged);

/// The constellation that symbols are on where that is not the one `told`: in both halves, so that one where
/// the signal was lost does not count, likelier than it, each at its best gain and noise (likelihood.h), by
/// 0.01 nats a symbol and by 30 nats in all. At most 2048 symbols of each half are asked.
std::optional<Modulation> likelier_modulation(std::span<const std::complex<float>> symbols, Modulation told);

/// Symbols in stretches of 1024 that are no signal while others are: their mean square distance from the
/// constellation lies nearer to that of noise of the row's power than to the best stretch's.
struct LostStretches {
  std::size_t symbols = 0, first = 0;  // how many in all, and the first of them
};
LostStretches lost_stretches(std::span<const std::complex<float>> symbols, Modulation modulation);

}  // namespace cohlink
