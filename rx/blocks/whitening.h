// White rows for a blind start: behind strong polarisation-dependent loss the two signals do not arrive at
// right angles, which such a start takes for granted; on white rows they do.
#pragma once

#include <cstddef>
#include <optional>

#include "rx/blocks/butterfly.h"
#include "sim/signal/field.h"
#include "sim/signal/propagation/jones.h"

namespace cohlink {

/// What makes the rows of samples [from, to) uncorrelated and of equal power, their mean power kept: the
/// inverse root of their covariance. Nothing where their powers along the principal axes differ by less than
/// 6 dB, or by more than 30 dB, where one of them is no signal.
std::optional<JonesMatrix> whitening(const Field<float>& signal, std::size_t from, std::size_t to);

Field<float> through(const JonesMatrix& m, Field<float> signal);

/// Taps for rows as they come before `m`, from taps for what comes behind it.
EqualiserTaps taps_before(const JonesMatrix& m, const EqualiserTaps& taps);

}  // namespace cohlink
