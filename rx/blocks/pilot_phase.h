// Quarter turns and cycle slips put right by pilot symbols.
#pragma once

#include <array>
#include <cstddef>
#include <vector>

#include "sim/signal/constellation.h"
#include "sim/signal/execution/fft.h"
#include "sim/signal/field.h"

namespace cohlink {

struct PilotParameters {
  Modulation modulation = Modulation::kQpsk;
  std::size_t spacing = 32;   // every so many symbols one is a pilot (sim/signal/pilots.h)
  std::size_t frame = 65536;  // symbols after which the transmitter repeats; a multiple of the spacing
};

struct PilotResult {
  Field<float> symbols;  // turned
  std::array<bool, 2> found = {false,
                               false};  // per output; a row whose pilots are not found is left as it is
  std::array<int, 2> source = {0, 1};   // whose pilots it carries
  std::size_t slips = 0;                // quarter turns that changed on the way, both rows
};

/// A blind phase estimate leaves a quarter turn open and may slip by one. Pilots are found first (correlation
/// of neighbouring pilots' products, which turns cannot disturb), at each of the `spacing` places they may
/// have. Then the most likely sequence of quarter turns is sought over all pilots: the sum of 2 Re(y p*
/// i^-turn) / N0 less 9.2 (one in 10^4) for each change (A. J. Viterbi, IEEE Trans. Inf. Theory 13(2) 260,
/// 1967: four states). A change is laid half way between its two pilots.
class PilotPhase {
 public:
  /// std::invalid_argument for Gaussian symbols, a spacing below 2 or one that does not divide the frame.
  PilotPhase(const PilotParameters& parameters, const FftCache& fft);

  /// `symbols`: one sample a symbol, carrier phase recovered, signal part of unit power; [first, last) is
  /// used.
  PilotResult operator()(Field<float> symbols, std::size_t first, std::size_t last) const;

 private:
  // Where one row's pilots lie: symbols place, place + spacing, ...; the m-th is pilot m - delay of `source`.
  struct Place {
    std::size_t place = 0;
    int source = 0;
    long delay = 0;
    double peak = 0.0;
  };
  std::array<Place, 2> find_places(const Field<float>& symbols, std::size_t first, std::size_t last) const;

  PilotParameters p_;
  std::array<Symbols, 2> pilots_;
  FftCache fft_;
};

}  // namespace cohlink
