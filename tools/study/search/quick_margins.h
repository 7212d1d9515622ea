// What breaks a link first, by the budget's closed forms: no waveform.
#pragma once

#include "tools/study/search/margins.h"

namespace cohlink {

/// Costs and limits of the impairments that the budget counts (not_counted.h), in white noise and to ideal
/// reception; those that it does not count are in state kNotCounted. No intervals, no pairs. InputError for a
/// penalty criterion, which has no closed form.
Margins quick_margins(const MarginsPlan& plan);

}  // namespace cohlink
