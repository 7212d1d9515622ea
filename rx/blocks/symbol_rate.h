// The symbol rate that a signal really has, for a receiver that was told another.
#pragma once

#include <optional>

#include "sim/signal/execution/fft.h"
#include "sim/signal/field.h"

namespace cohlink {

/// The line that the symbols put into the products of the rows, r_i r_j^*, at their rate: the squaring
/// synchroniser's (M. Oerder and H. Meyr, IEEE Trans. Commun. 36(5) 605, 1988), of three products, so that no
/// polarisation hides it. Searched from 0.6 to 1.4 of half the sample rate over the row's first 2^17 samples;
/// noise alone is taken for a line once in 5000 rows or less. Nothing where none stands out: dispersion left
/// over by more than the clock's own bound, edges of the band cut off, or too few symbols for the roll-off.
std::optional<double> find_symbol_rate(const Field<float>& signal, const FftCache& fft);

}  // namespace cohlink
