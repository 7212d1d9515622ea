#include "rx/blocks/blind_phase_search.h"

#include <algorithm>
#include <bit>
#include <cmath>
#include <cstdint>
#include <stdexcept>
#include <utility>

#include "rx/blocks/distance.h"
#include "rx/rows/vectors.h"
#include "sim/signal/units.h"

namespace cohlink {
namespace {

using namespace vectors;

constexpr std::size_t kRefresh = 512;  // symbols after which the running sums are begun afresh
constexpr std::size_t kMostPhases = 1024;

using Rows = std::span<const std::complex<float>* const>;

// The test phases as their cosines and sines, `lanes` of them (whole vectors; those beyond `phases` are
// spare), and their numbers.
struct Grid {
  const float *cos, *sin;
  const std::uint32_t* index;
  std::uint32_t index_mask;
  std::size_t lanes, phases;
};

// Sum over the rows of the squared distances of symbol k, turned back by test phases b to b + 15.
template <class Distance>
COHLINK_VECTOR_INLINE Floats distances(const Distance& distance, Rows rows, std::size_t k, const Grid& grid,
                                       std::size_t b) {
  const Floats c = load(grid.cos + b), s = load(grid.sin + b);
  Floats sum = {};
  for (const auto* row : rows) {
    sum += turned_distance(distance, row[k].real(), row[k].imag(), c, s);
  }
  return sum;
}

// Least of the sums: the index rides in the low bits of the (positive) float, so that a plain integer minimum
// finds both. Costs the comparison its last ten bits at most.
COHLINK_VECTOR_INLINE std::size_t least(const float* sums, const Grid& grid) {
  Words best = ~Words{};
  for (std::size_t b = 0; b < grid.lanes; b += kWidth) {
    const Words here = (load<Words>(sums + b) & ~grid.index_mask) | load<Words>(grid.index + b);
    best = here < best ? here : best;
  }
  const auto fold = [&](const Words& other) { best = other < best ? other : best; };
  fold(__builtin_shufflevector(best, best, 8, 9, 10, 11, 12, 13, 14, 15, 0, 1, 2, 3, 4, 5, 6, 7));
  fold(__builtin_shufflevector(best, best, 4, 5, 6, 7, 0, 1, 2, 3, 4, 5, 6, 7, 0, 1, 2, 3));
  fold(__builtin_shufflevector(best, best, 2, 3, 0, 1, 2, 3, 0, 1, 2, 3, 0, 1, 2, 3, 0, 1));
  fold(__builtin_shufflevector(best, best, 1, 0, 1, 0, 1, 0, 1, 0, 1, 0, 1, 0, 1, 0, 1, 0));
  return best[0] & grid.index_mask;
}

// Place of the minimum in grid steps, by a parabola through the least sum and its neighbours.
COHLINK_VECTOR_INLINE float minimum(const float* sums, const Grid& grid) {
  const std::size_t best = least(sums, grid);
  const float left = sums[best > 0 ? best - 1 : grid.phases - 1], centre = sums[best],
              right = sums[best + 1 < grid.phases ? best + 1 : 0];
  const float curvature = left - 2.0f * centre + right;
  const float shift = curvature > 0.0f ? 0.5f * (left - right) / curvature : 0.0f;
  return static_cast<float>(best) + std::min(0.5f, std::max(-0.5f, shift));
}

// Sums begin small and positive (least() reads their bits); those of spare lanes too large ever to win.
COHLINK_VECTOR_INLINE void begin(float* sums, const Grid& grid) {
  for (std::size_t b = 0; b < grid.lanes; ++b) sums[b] = b < grid.phases ? 1e-3f : 1e30f;
}

// Scratch of one call: distances of the last symbols, and their sums over the window.
struct Window {
  std::size_t half;            // symbols on either side
  std::size_t slots;           // a power of two above the window
  const Execution& execution;  // ends the search between two refreshes
  float *ring, *sums;          // [slots][lanes], [lanes]
  float* slot(std::size_t k, std::size_t lanes) const { return ring + (k & (slots - 1)) * lanes; }
};

template <class Distance>
COHLINK_VECTOR_INLINE void enter(const Distance& distance, Rows rows, std::size_t k, const Grid& grid,
                                 float* slot) {
  for (std::size_t b = 0; b < grid.lanes; b += kWidth) store(slot + b, distances(distance, rows, k, grid, b));
}

// Sums of symbols [from, to), which are in the ring, begun afresh so that rounding cannot pile up.
COHLINK_VECTOR_INLINE void sum_afresh(const Grid& grid, const Window& window, std::size_t from,
                                      std::size_t to) {
  begin(window.sums, grid);
  for (std::size_t n = from; n < to; ++n) {
    const float* d = window.slot(n, grid.lanes);
    for (std::size_t b = 0; b < grid.lanes; b += kWidth)
      store(window.sums + b, load(window.sums + b) + load(d + b));
  }
}

// place[k] = minimum of the distances summed over the window round k, for all symbols; the sums run along.
template <class Distance>
COHLINK_VECTOR_INLINE void search_rows(const Distance& distance, Rows rows, std::size_t count,
                                       const Grid& grid, const Window& window, float* place) {
  const std::size_t lanes = grid.lanes, half = window.half;
  for (std::size_t k = 0; k < std::min(count, half); ++k)
    enter(distance, rows, k, grid, window.slot(k, lanes));
  for (std::size_t k = 0; k < count; ++k) {
    float* in = window.slot(k + half, lanes);
    const float* out = window.slot(k - half - 1, lanes);  // never in's slot: the ring is longer
    if (k > half && k + half < count && k % kRefresh != 0) {
      for (std::size_t b = 0; b < lanes; b += kWidth) {
        const Floats d = distances(distance, rows, k + half, grid, b);
        store(window.sums + b, load(window.sums + b) + (d - load(out + b)));
        store(in + b, d);
      }
    } else {
      if (k % kRefresh == 0 && window.execution.stopped()) return;
      if (k + half < count) enter(distance, rows, k + half, grid, in);
      sum_afresh(grid, window, k - std::min(k, half), std::min(count, k + half + 1));
    }
    place[k] = minimum(window.sums, grid);
  }
}

COHLINK_VECTOR_CLONES
void search_rows(const DistanceShape& shape, Rows rows, std::size_t count, const Grid& grid,
                 const Window& window, float* place) {
  switch (shape.folds.size()) {
    case 1:
      return search_rows(FoldDistance<1>(shape), rows, count, grid, window, place);
    case 2:
      return search_rows(FoldDistance<2>(shape), rows, count, grid, window, place);
    case 3:
      return search_rows(FoldDistance<3>(shape), rows, count, grid, window, place);
    default:
      return search_rows(PointDistance(shape), rows, count, grid, window, place);
  }
}

// The same over all symbols at once: one minimum.
template <class Distance>
COHLINK_VECTOR_INLINE float search_block(const Distance& distance,
                                         std::span<const std::complex<float>> symbols, const Grid& grid,
                                         float* sums) {
  const std::complex<float>* row[] = {symbols.data()};
  begin(sums, grid);
  for (std::size_t b = 0; b < grid.lanes; b += kWidth) {
    Floats sum = load(sums + b);
    for (std::size_t k = 0; k < symbols.size(); ++k) sum += distances(distance, row, k, grid, b);
    store(sums + b, sum);
  }
  return minimum(sums, grid);
}
COHLINK_VECTOR_CLONES
float search_block(const DistanceShape& shape, std::span<const std::complex<float>> symbols, const Grid& grid,
                   float* sums) {
  switch (shape.folds.size()) {
    case 1:
      return search_block(FoldDistance<1>(shape), symbols, grid, sums);
    case 2:
      return search_block(FoldDistance<2>(shape), symbols, grid, sums);
    case 3:
      return search_block(FoldDistance<3>(shape), symbols, grid, sums);
    default:
      return search_block(PointDistance(shape), symbols, grid, sums);
  }
}

Grid grid_of(const AlignedVector<float>& cos, const AlignedVector<float>& sin,
             const AlignedVector<std::uint32_t>& index, int phases) {
  const auto count = static_cast<std::size_t>(phases);
  return {cos.data(), sin.data(), index.data(), static_cast<std::uint32_t>(std::bit_ceil(cos.size()) - 1),
          cos.size(), count};
}

}  // namespace

BlindPhaseSearch::BlindPhaseSearch(const BlindPhaseSearchParameters& parameters, Execution execution)
    : p_(parameters), execution_(std::move(execution)), shape_(constellation(parameters.modulation)) {
  if (constellation(p_.modulation).empty())
    throw std::invalid_argument("blind phase search needs a constellation");
  if (p_.window < 1) throw std::invalid_argument("phase window below one symbol");
  if (p_.test_phases < 4 || p_.test_phases > static_cast<int>(kMostPhases))
    throw std::invalid_argument("test phases outside 4 to 1024");
  const auto phases = static_cast<std::size_t>(p_.test_phases);
  const std::size_t lanes = (phases + kWidth - 1) / kWidth * kWidth;
  cos_.resize(lanes);
  sin_.resize(lanes);
  index_.resize(lanes);
  for (std::size_t b = 0; b < lanes; ++b) {
    index_[b] = static_cast<std::uint32_t>(b);
    const double phase = (static_cast<double>(b) / static_cast<double>(phases) - 0.5) * 0.5 * kPi;
    cos_[b] = static_cast<float>(std::cos(phase));
    sin_[b] = static_cast<float>(std::sin(phase));
  }
}

double BlindPhaseSearch::phase_at(float place) const {
  return (static_cast<double>(place) / p_.test_phases - 0.5) * 0.5 * kPi;
}

double BlindPhaseSearch::block_phase(std::span<const std::complex<float>> symbols) const {
  alignas(64) float sums[kMostPhases];
  const Grid grid = grid_of(cos_, sin_, index_, p_.test_phases);
  return phase_at(search_block(shape_, symbols, grid, sums));
}

std::vector<double> BlindPhaseSearch::operator()(std::span<const std::complex<float>* const> rows,
                                                 std::size_t count) const {
  const auto half = static_cast<std::size_t>(half_window());
  const std::size_t slots = std::bit_ceil(2 * half + 2);
  const Grid grid = grid_of(cos_, sin_, index_, p_.test_phases);
  AlignedVector<float> ring(slots * grid.lanes), sums(grid.lanes), place(count);
  const Window window{half, slots, execution_, ring.data(), sums.data()};
  search_rows(shape_, rows, count, grid, window, place.data());
  execution_.check();
  std::vector<double> phase(count);
  for (std::size_t k = 0; k < count; ++k) phase[k] = phase_at(place[k]);
  unwrap(phase, 0.5 * kPi);
  return phase;
}

void unwrap(std::vector<double>& phase, double period) {
  double before = phase.empty() ? 0.0 : phase.front(), turns = 0.0;
  const double most = 0.5 * period;
  for (double& p : phase) {
    p += turns;
    // Rarely more than one period off: no rounding needed for that.
    while (p - before > most) p -= period, turns -= period;
    while (p - before < -most) p += period, turns += period;
    before = p;
  }
}

}  // namespace cohlink
