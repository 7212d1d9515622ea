#include "rx/blocks/frame_knowledge.h"

#include <cmath>

#include "rx/rows/row_operations.h"
#include "sim/signal/units.h"

namespace cohlink {

std::optional<FrameLayout> usable_frame(const Scenario& scenario) {
  const FrameLayout layout = frame_layout(scenario);
  if (!layout.framed() || scenario.text("dsp.pilots") == "ignored") return std::nullopt;
  return layout;
}

KnownSymbols FrameKnowledge::in_row(std::size_t first, std::size_t last, std::size_t start) const {
  KnownSymbols known;
  const std::size_t block = layout_.block, begin = start % block;  // of a block, at or before symbol `block`
  for (std::size_t from = first + block - (first + block - begin) % block; from < last + 2 * block;
       from += block)
    for (std::size_t m = 0; m < block_.places.size(); ++m) {
      const std::size_t place = from + block_.places[m];  // one block late, so that none is below zero
      if (place < first + block || place >= last + block) continue;
      known.places.push_back(place - block);
      for (std::size_t p = 0; p < 2; ++p) known.symbols[p].push_back(block_.symbols[p][m]);
    }
  return known;
}

KnownProducts known_products(const Field<float>& symbols, const KnownSymbols& known, std::size_t origin) {
  KnownProducts z;
  for (std::size_t p = 0; p < 2; ++p)
    for (std::size_t n = 0; n < known.places.size(); ++n)
      z[p].push_back(std::complex<double>((*symbols.rows()[p])[known.places[n] - origin]) *
                     std::conj(known.symbols[p][n]));
  return z;
}

void scale_to_known(Field<float>& symbols, const KnownSymbols& known) {
  if (known.places.size() < 2) return;
  const KnownProducts z = known_products(symbols, known);
  for (std::size_t p = 0; p < 2; ++p) {
    std::complex<double> sum = 0.0;
    double fourth = 0.0;
    for (std::size_t n = 0; n + 1 < z[p].size(); ++n) {
      sum += z[p][n + 1] * std::conj(z[p][n]);
      fourth += std::norm(known.symbols[p][n]) * std::norm(known.symbols[p][n + 1]);
    }
    if (std::abs(sum) > 0.0) scale(*symbols.rows()[p], static_cast<float>(std::sqrt(fourth / std::abs(sum))));
  }
}

double known_offset(const Field<float>& symbols, const KnownSymbols& known, std::size_t spacing) {
  const KnownProducts z = known_products(symbols, known);
  double cycles = 0.0;
  for (const std::size_t apart : {std::size_t{1}, std::size_t{16}}) {
    std::complex<double> sum = 0.0;
    for (const auto& row : z)
      for (std::size_t n = 0; n + apart < row.size(); ++n)
        if (known.places[n + apart] - known.places[n] == apart * spacing)
          sum += row[n + apart] * std::conj(row[n]);
    const double distance = static_cast<double>(apart * spacing);
    cycles += std::arg(sum * std::polar(1.0, -kTwoPi * cycles * distance)) / (kTwoPi * distance);
  }
  return cycles;
}

}  // namespace cohlink
