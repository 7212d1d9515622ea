#include "rx/blocks/pilot_phase.h"

#include <algorithm>
#include <cmath>
#include <stdexcept>

#include "rx/blocks/amplitude.h"
#include "rx/quality/alignment.h"
#include "sim/signal/pilots.h"

namespace cohlink {
namespace {

constexpr double kSlipCost = 9.2;  // -ln of a slip's likelihood between two pilots
constexpr std::complex<float> kBack[4] = {{1, 0}, {0, -1}, {-1, 0}, {0, 1}};

// Every spacing-th symbol of both rows.
Field<float> thinned(const Field<float>& symbols, std::size_t first, std::size_t last, std::size_t spacing) {
  Field<float> out(0, symbols.sample_rate / static_cast<double>(spacing));
  for (std::size_t k = first; k < last; k += spacing) {
    out.x.push_back(symbols.x[k]);
    out.y.push_back(symbols.y[k]);
  }
  return out;
}

// Most likely quarter turns, one per pilot, given y p* of each and the noise's power.
std::vector<int> likely_turns(const std::vector<std::complex<float>>& products, double noise) {
  std::vector<std::array<std::uint8_t, 4>> from(products.size());
  std::array<double, 4> score = {0, 0, 0, 0};
  for (std::size_t m = 0; m < products.size(); ++m) {
    const auto top = static_cast<std::uint8_t>(std::max_element(score.begin(), score.end()) - score.begin());
    const std::array<double, 4> before = score;
    for (std::uint8_t t = 0; t < 4; ++t) {
      from[m][t] = before[t] >= before[top] - kSlipCost ? t : top;
      score[t] = std::max(before[t], before[top] - kSlipCost) +
                 2.0 * static_cast<double>((products[m] * kBack[t]).real()) / noise;
    }
  }
  std::vector<int> turns(products.size());
  auto state = static_cast<int>(std::max_element(score.begin(), score.end()) - score.begin());
  for (std::size_t m = products.size(); m-- > 0;) {
    turns[m] = state;
    state = from[m][static_cast<std::size_t>(state)];
  }
  return turns;
}

// Turns each symbol as its nearest pilot says; gives the number of changes.
std::size_t turn_back(ComplexRow<float>& row, const std::vector<int>& turns, std::size_t place,
                      std::size_t spacing) {
  std::size_t slips = 0;
  for (std::size_t m = 1; m < turns.size(); ++m) slips += turns[m] != turns[m - 1];
  for (std::size_t k = 0; k < row.size(); ++k) {
    const std::size_t past = k + spacing / 2 > place ? (k + spacing / 2 - place) / spacing : 0;
    row[k] *= kBack[turns[std::min(past, turns.size() - 1)]];
  }
  return slips;
}

}  // namespace

PilotPhase::PilotPhase(const PilotParameters& parameters, const FftCache& fft) : p_(parameters), fft_(fft) {
  if (p_.spacing < 2 || p_.frame % p_.spacing != 0)
    throw std::invalid_argument("pilot spacing must be at least 2 and divide the frame");
  for (std::size_t p = 0; p < 2; ++p) pilots_[p] = pilot_symbols(p_.modulation, p_.frame / p_.spacing, p);
}

std::array<PilotPhase::Place, 2> PilotPhase::find_places(const Field<float>& symbols, std::size_t first,
                                                         std::size_t last) const {
  std::array<Place, 2> best;
  for (std::size_t offset = 0; offset < p_.spacing && first + offset < last; ++offset) {
    const Field<float> row = thinned(symbols, first + offset, last, p_.spacing);
    const Alignment found = align(row, 0, row.size(), pilots_, fft_);
    for (std::size_t i = 0; i < 2; ++i)
      if (found.peak_to_rms[i] > best[i].peak)
        best[i] = {first + offset, found.source[i], found.delay[i], found.peak_to_rms[i]};
  }
  return best;
}

PilotResult PilotPhase::operator()(Field<float> symbols, std::size_t first, std::size_t last) const {
  PilotResult result;
  const auto places = find_places(symbols, first, last);
  const auto count = static_cast<long>(pilots_[0].size());
  for (std::size_t i = 0; i < 2; ++i) {
    const Place& at = places[i];
    result.found[i] = at.peak >= kAlignmentLock;
    result.source[i] = at.source;
    if (!result.found[i]) continue;
    ComplexRow<float>& row = *symbols.rows()[i];
    const Symbols& sent = pilots_[static_cast<std::size_t>(at.source)];
    std::vector<std::complex<float>> products;
    for (std::size_t k = at.place; k < last; k += p_.spacing) {
      const long m = (static_cast<long>(products.size()) - at.delay) % count;
      products.push_back(row[k] *
                         std::complex<float>(std::conj(sent[static_cast<std::size_t>((m + count) % count)])));
    }
    const std::span<const std::complex<float>> scored(row.data() + first, last - first);
    const double noise = std::max(0.02, mean_power(scored) - signal_power(scored, p_.modulation));
    result.slips += turn_back(row, likely_turns(products, noise), at.place, p_.spacing);
  }
  result.symbols = std::move(symbols);
  return result;
}

}  // namespace cohlink
