// Cycle slips seen without knowing what was sent.
#pragma once

#include <cstddef>
#include <optional>
#include <span>

namespace cohlink {

/// Slips in a carrier phase recovered modulo a quarter turn, from the statistics of its changes over
/// `window` symbols (the estimator's own): a slip is a change of a quarter turn within one window, which a
/// laser's random walk hardly ever makes. The usual change is removed (median: an offset that is left) and
/// its spread measured (median deviation, which slips do not widen); changes beyond half a quarter turn
/// count, once each. Nothing when half a quarter turn lies within five spreads: then the walk itself looks
/// like slips and only pilots can tell. `phase` in rad, unwrapped. Compare M. G. Taylor, J. Lightwave
/// Technol. 27(7) 901 (2009), on what slips are and when they come.
std::optional<std::size_t> suspected_slips(std::span<const double> phase, std::size_t window);

}  // namespace cohlink
