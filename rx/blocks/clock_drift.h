// The clock's mean offset, from the clock matrices of a row of blocks, and whether there is a clock at all.
#pragma once

#include <optional>
#include <span>
#include <vector>

#include "rx/blocks/clock_tone.h"
#include "sim/signal/record/capture.h"

namespace cohlink {

/// For each of `shifts` (bins between the band edges beyond the symbol rate, clock_tone.h): matrices of
/// blocks of the tone's length, each half a block after the one before.
std::vector<std::vector<Jones>> clock_matrices(const Field<float>& signal, ClockTone& tone,
                                               std::span<const int> shifts);

struct ClockDrift {
  double per_hop = 0.0;   // of the delay, symbols from one block to the next
  double strength = 0.0;  // standard deviations of noise above its mean
  double needed = 0.0;    // noise alone is stronger once in 1e8 captures
  bool found() const { return strength > needed; }
};

/// Correlogram of the matrices over lags of 2 blocks (the first that share no samples) to 16, Bartlett's
/// window; its top is the drift. Whatever polarisation, matrices of one clock turn into each other by the
/// drift alone; those of noise do so at random. Averaged over n independent stretches of 16 blocks, noise
/// has the distribution of a sum of 4 n exponentials (n for row X alone), which `needed` follows. The range
/// is +-1/2 symbol a hop, beyond which it is taken modulo 1. M. S. Bartlett, Biometrika 37, 1 (1950).
ClockDrift mean_drift(const std::vector<Jones>& matrices);

/// Delay's drift a hop that `signal`'s clock really has, found modulo 1 by mean_drift in matrices that are
/// each `shift` bins off: an offset beyond half a symbol a hop shows in these the stronger. Nothing where
/// none shows a clock.
struct ClockSearch {
  std::vector<Jones> matrices;  // without a shift
  std::optional<double> drift;  // symbols a hop, to +-1.5
};
ClockSearch search_clock(const Field<float>& signal, ClockTone& tone);

/// Where the delay, freed of `drift` a hop, jumps: the largest turn, beyond a tenth of a symbol, between the
/// eight matrices before a block and the eight after it, which no jitter of the rates that a clock recovery
/// follows makes. Whole symbols do not show.
struct ClockJump {
  std::size_t block = 0;
  double symbols = 0.0;  // modulo 1
};
std::optional<ClockJump> find_jump(const std::vector<Jones>& matrices, double drift);

}  // namespace cohlink
