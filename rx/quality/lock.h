// Whether the receiver has locked, asked of the recovered symbols themselves.
#pragma once

#include <array>
#include <cstddef>

#include "sim/signal/constellation.h"
#include "sim/signal/field.h"

namespace cohlink {

/// Each row's mean of -exp(4 i angle), real part: QPSK and 16QAM on their grid make it large (1 and 0.36
/// without noise; QPSK at 3 dB SNR 0.16, 16QAM at 9 dB 0.13), any other mixture of symbols, noise, or a
/// carrier that still turns makes it zero but for the bias of the phase estimate.
std::array<double, 2> carrier_coherence(const Field<float>& symbols, std::size_t first, std::size_t last);

/// Coherence from which on a row counts as locked. A phase estimate that averages `averaged` symbols finds
/// sqrt(pi / 4 / averaged) of coherence in pure noise; 1.3 times that, and never below 0.1, is asked.
/// `averaged` = 0: no estimate took part. The bias was checked on noise (tests/rx/quality/lock_test.cpp).
double coherence_needed(std::size_t averaged);

}  // namespace cohlink
