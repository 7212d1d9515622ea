#include "rx/fec/ofec_soft.h"

#include <algorithm>
#include <cstring>
#include <string_view>

#include "sim/signal/instruction_sets.h"
#include "sim/signal/vectors.h"

namespace cohlink::fec::ofec {
namespace {

constexpr int kMostPatterns = 1 << (kRanked - 1);
constexpr std::int16_t kNever =
    0x7000;  // above any metric: at most 8 tested and 2 decoded places of 127 each

// Vectors of so many lanes.
template <int kWidth>
struct Vectors {
  typedef std::int8_t Bytes __attribute__((vector_size(kWidth)));
  typedef std::int16_t Metrics __attribute__((vector_size(2 * kWidth)));
  typedef std::uint16_t Sets __attribute__((vector_size(2 * kWidth)));
};

// Masks by arithmetic: GCC 12 makes a branch for every lane of a comparison that is no minimum or maximum.
template <class Metrics>
COHLINK_VECTOR_INLINE Metrics negative(const Metrics& v) {
  return v >> 15;
}
template <class Metrics, class Sets>
COHLINK_VECTOR_INLINE Metrics not_zero(const Sets& v) {
  return vectors::bits<Metrics>(v | -v) >> 15;
}
template <class Metrics>
COHLINK_VECTOR_INLINE Metrics choose(const Metrics& mask, const Metrics& a, const Metrics& b) {
  return (mask & a) | (~mask & b);
}

template <int kWidth>
COHLINK_VECTOR_INLINE typename Vectors<kWidth>::Metrics numbers() {
  alignas(64) static constexpr std::array<std::int16_t, 32> kNumbers = {
      0,  1,  2,  3,  4,  5,  6,  7,  8,  9,  10, 11, 12, 13, 14, 15,
      16, 17, 18, 19, 20, 21, 22, 23, 24, 25, 26, 27, 28, 29, 30, 31};
  static_assert(kWidth <= 32);
  return vectors::load<typename Vectors<kWidth>::Metrics>(kNumbers.data());
}

template <int kWidth>
COHLINK_VECTOR_INLINE int least_of(const typename Vectors<kWidth>::Metrics& v) {
  if constexpr (kWidth == 4) {
    return std::min(std::min(v[0], v[1]), std::min(v[2], v[3]));
  } else {
    using Half = typename Vectors<kWidth / 2>::Metrics;
    Half halves[2];
    std::memcpy(halves, &v, sizeof v);
    const Half least = halves[0] < halves[1] ? halves[0] : halves[1];
    return least_of<kWidth / 2>(least);
  }
}

using Row = std::array<std::int8_t, kLength>;  // the places of one word

// Words side by side become words one after the other, or back: blocks of 16 by 16, of which every step
// interleaves one half with the other.
typedef std::int8_t Sixteen __attribute__((vector_size(16)));
COHLINK_VECTOR_INLINE void transpose(const std::int8_t* in, int in_stride, std::int8_t* out, int out_stride) {
  Sixteen a[16], b[16];
  const std::make_integer_sequence<int, 16> lanes;
  for (int k = 0; k < 16; ++k) a[k] = vectors::load<Sixteen>(in + k * in_stride);
  const auto step = [&](const Sixteen* from, Sixteen* to) __attribute__((always_inline)) {
    for (int k = 0; k < 8; ++k) {
      to[2 * k] = vectors::interleave<1, 0>(from[k], from[k + 8], lanes);
      to[2 * k + 1] = vectors::interleave<1, 1>(from[k], from[k + 8], lanes);
    }
  };
  step(a, b), step(b, a), step(a, b), step(b, a);
  for (int k = 0; k < 16; ++k) vectors::store(out + k * out_stride, a[k]);
}
COHLINK_VECTOR_INLINE void rows_of(std::span<const SoftPlaces, kLength> words, Row* rows) {
  for (int k = 0; k < kLength; k += 16)
    for (int l = 0; l < kLanes; l += 16) transpose(&words[k][l], kLanes, &rows[l][k], kLength);
}
COHLINK_VECTOR_INLINE void words_of(const Row* rows, std::span<SoftPlaces, kLength> words) {
  for (int k = 0; k < kLength; k += 16)
    for (int l = 0; l < kLanes; l += 16) transpose(&rows[l][k], kLength, &words[k][l], kLanes);
}

// One received word and the words found near it. Beforehand the patterns of tested places that leave an even
// number of errors, then those alone of which a word comes.
struct Search {
  alignas(64) std::array<std::uint16_t, kMostPatterns> syndrome;
  alignas(64) std::array<std::int16_t, kMostPatterns> metric;
  alignas(64) std::array<std::uint16_t, kMostPatterns> flips;  // which of the ranked places are changed
  // The two places that the decoder changed besides, i + 256 j (either may be a ranked one, which then counts
  // in `flips` alone), and what `places` says of them.
  alignas(64) std::array<std::uint16_t, kMostPatterns> two, first, second;
  alignas(64) std::array<std::uint16_t, kLength> places;  // magnitude, and 256 << rank where ranked
  // Of every place: the least metric of a word that differs there from the likeliest, and whether the
  // likeliest contradicts the hard decision.
  alignas(64) std::array<std::int16_t, kLength> rival;
  alignas(64) Row changed;
  int count;  // words found
  int best;   // the likeliest
};

// Vectors of patterns. (A scalar that has just been stored delays the load of a vector round it; so every
// step is done for several words before the next.)
constexpr int kGroup = 8;

// What is done to every word, by vectors of so many patterns or places.
template <int kWidth>
struct Kernel {
  using Bytes = typename Vectors<kWidth>::Bytes;
  using Metrics = typename Vectors<kWidth>::Metrics;
  using Sets = typename Vectors<kWidth>::Sets;

  // The last ranked place is in a pattern when parity asks for it.
  static COHLINK_VECTOR_INLINE void list_patterns(const RankedWords& words, int lane, int ranked,
                                                  const Row& row, Search& out) {
    const auto columns = Component::get().columns();
    for (int k = 0; k < kLength; k += kWidth) {
      const Metrics llr = __builtin_convertvector(vectors::load<Bytes>(&row[k]), Metrics);
      vectors::store(&out.places[k], (llr ^ negative(llr)) - negative(llr));
    }
    for (int r = 0; r < ranked; ++r) out.places[words.place(r, lane)] |= static_cast<std::uint16_t>(256 << r);
    Metrics number = numbers<kWidth>();
    for (int t = 0; t < 1 << (ranked - 1); t += kWidth, number += std::int16_t{kWidth}) {
      Metrics ones = number ^ number >> 4;
      ones ^= ones >> 2;
      ones ^= ones >> 1;
      const Metrics flips = number | ((ones ^ static_cast<std::int16_t>(words.odd[lane])) & std::int16_t{1})
                                         << (ranked - 1);
      Metrics syndrome = Metrics{} + static_cast<std::int16_t>(words.syndromes[lane]), metric{};
      for (int r = 0; r < ranked; ++r) {
        const Metrics tested = (flips << (15 - r)) >> 15;
        syndrome ^= tested & static_cast<std::int16_t>(columns[words.place(r, lane)]);
        metric += tested & static_cast<std::int16_t>(words.magnitude(r, lane));
      }
      vectors::store(&out.syndrome[t], syndrome);
      vectors::store(&out.metric[t], metric);
      vectors::store(&out.flips[t], flips);
    }
  }

  // What two more errors make of each pattern.
  static COHLINK_VECTOR_INLINE void look_up(int ranked, Search& search) {
    const Component& component = Component::get();
    int n = 0;
    for (int t = 0; t < 1 << (ranked - 1); ++t) {
      const unsigned two = component.pair(search.syndrome[t]);
      search.metric[n] = search.metric[t];
      search.flips[n] = search.flips[t];
      search.two[n] = static_cast<std::uint16_t>(two);
      search.first[n] = search.places[two & 255];
      search.second[n] = search.places[two >> 8];
      n += two != 0;
    }
    search.count = n;
  }

  // The metrics of whole words; kNever behind the last, so that whole vectors can be looked at.
  static COHLINK_VECTOR_INLINE void measure(Search& search) {
    Metrics least = Metrics{} + kNever, number = numbers<kWidth>();
    for (int t = 0; t < search.count; t += kWidth, number += std::int16_t{kWidth}) {
      const auto flips = vectors::load<Sets>(&search.flips[t]);
      auto metric = vectors::load<Metrics>(&search.metric[t]);
      Sets known{};
      for (const auto* place : {&search.first, &search.second}) {
        const auto entry = vectors::load<Sets>(&(*place)[t]);
        const auto magnitude = vectors::bits<Metrics>(entry & std::uint16_t{255});
        const Metrics back = not_zero<Metrics>(flips & entry >> 8);
        metric += (magnitude ^ back) - back;
        known ^= entry >> 8;
      }
      metric = choose(negative(number - static_cast<std::int16_t>(search.count)), metric, Metrics{} + kNever);
      vectors::store(&search.metric[t], metric);
      vectors::store(&search.flips[t], flips ^ known);
      least = metric < least ? metric : least;
    }
    const int metric = least_of<kWidth>(least);
    search.best = 0;
    while (search.best < search.count && search.metric[search.best] != metric) ++search.best;
  }

  // Least metric of the words chosen by mask(first of a vector).
  template <class Mask>
  static COHLINK_VECTOR_INLINE std::int16_t least_metric(const Search& search, const Mask& mask) {
    Metrics least = Metrics{} + kNever;
    for (int t = 0; t < search.count; t += kWidth) {
      const Metrics metric = choose(mask(t), vectors::load<Metrics>(&search.metric[t]), Metrics{} + kNever);
      least = metric < least ? metric : least;
    }
    return static_cast<std::int16_t>(least_of<kWidth>(least));
  }

  static COHLINK_VECTOR_INLINE void find_rivals(const RankedWords& words, int lane, int ranked,
                                                Search& search) {
    search.rival.fill(kNever);
    search.changed.fill(0);
    for (int t = 0; t < search.count; ++t) {
      const unsigned two = search.two[t];
      const std::int16_t metric = search.metric[t];
      search.rival[two & 255] = std::min(search.rival[two & 255], metric);
      search.rival[two >> 8] = std::min(search.rival[two >> 8], metric);
    }
    const unsigned two_of_best = search.two[search.best];
    for (const unsigned place : {two_of_best & 255, two_of_best >> 8}) {
      search.changed[place] = -1;
      search.rival[place] = least_metric(
          search, [&](int t) __attribute__((always_inline)) {
            const auto two = vectors::load<Sets>(&search.two[t]);
            const auto here = static_cast<std::uint16_t>(place);
            return not_zero<Metrics>((two & std::uint16_t{255}) ^ here) & not_zero<Metrics>(two >> 8 ^ here);
          });
    }
    const std::uint16_t flips = search.flips[search.best];
    for (int r = 0; r < ranked; ++r) {  // last: these stand among the pairs too
      search.changed[words.place(r, lane)] = flips >> r & 1 ? -1 : 0;
      search.rival[words.place(r, lane)] = least_metric(
          search, [&](int t) __attribute__((always_inline)) {
            return negative(
                vectors::bits<Metrics>((vectors::load<Sets>(&search.flips[t]) ^ flips) << (15 - r)));
          });
    }
  }

  // Extrinsic values of one word.
  static COHLINK_VECTOR_INLINE void write(const Row& row, const SoftStage& stage, const Search& search,
                                          Row& out) {
    if (search.count == 0) return out.fill(0);
    const std::int16_t best = search.metric[search.best];
    const Metrics clip = Metrics{} + static_cast<std::int16_t>(stage.clip),
                  most = Metrics{} + std::int16_t{512};
    for (int k = 0; k < kLength; k += kWidth) {
      const Metrics llr = __builtin_convertvector(vectors::load<Bytes>(&row[k]), Metrics);
      const Metrics one =
          negative(llr) ^ __builtin_convertvector(vectors::load<Bytes>(&search.changed[k]), Metrics);
      const auto rival = vectors::load<Metrics>(&search.rival[k]);
      Metrics gap = rival - best;
      gap = gap < most ? gap : most;
      Metrics disputed = ((gap ^ one) - one) - llr;
      disputed = disputed < clip ? disputed : clip;
      disputed = disputed > -clip ? disputed : -clip;
      const Metrics beta = ((Metrics{} + static_cast<std::int16_t>(stage.beta)) ^ one) - one;
      vectors::store(&out[k],
                     __builtin_convertvector(choose(negative(rival - kNever), disputed, beta), Bytes));
    }
  }

  static COHLINK_VECTOR_INLINE void decode_lanes(std::span<const SoftPlaces, kLength> words,
                                                 const RankedWords& ranked, const SoftStage& stage,
                                                 std::span<SoftPlaces, kLength> extrinsic) {
    alignas(64) std::array<Row, kLanes> rows, said;
    rows_of(words, rows.data());
    std::array<Search, kGroup> searches;
    for (int first = 0; first < kLanes; first += kGroup) {
      for (int g = 0; g < kGroup; ++g)
        list_patterns(ranked, first + g, stage.ranked, rows[first + g], searches[g]);
      for (Search& search : searches) look_up(stage.ranked, search);
      for (Search& search : searches) measure(search);
      for (int g = 0; g < kGroup; ++g) find_rivals(ranked, first + g, stage.ranked, searches[g]);
      for (int g = 0; g < kGroup; ++g) write(rows[first + g], stage, searches[g], said[first + g]);
    }
    words_of(said.data(), extrinsic);
  }
};

void decode_portable(std::span<const SoftPlaces, kLength> words, const RankedWords& ranked,
                     const SoftStage& stage, std::span<SoftPlaces, kLength> extrinsic) {
  Kernel<8>::decode_lanes(words, ranked, stage, extrinsic);
}
#if COHLINK_X86
COHLINK_AVX2 void decode_avx2(std::span<const SoftPlaces, kLength> words, const RankedWords& ranked,
                              const SoftStage& stage, std::span<SoftPlaces, kLength> extrinsic) {
  Kernel<16>::decode_lanes(words, ranked, stage, extrinsic);
}
COHLINK_AVX512 void decode_avx512(std::span<const SoftPlaces, kLength> words, const RankedWords& ranked,
                                  const SoftStage& stage, std::span<SoftPlaces, kLength> extrinsic) {
  Kernel<32>::decode_lanes(words, ranked, stage, extrinsic);
}
#endif

}  // namespace

DecodeFunction named_decode_function(const char* name) {
  const std::string_view wanted(name);
#if COHLINK_X86
  if (wanted == "avx512") return has_avx512() ? decode_avx512 : nullptr;
  if (wanted == "avx2") return has_avx2() ? decode_avx2 : nullptr;
#endif
  return wanted == "portable" ? decode_portable : nullptr;
}

LaneBits decode_soft(std::span<const SoftPlaces, kLength> words, const SoftStage& stage,
                     std::span<SoftPlaces, kLength> extrinsic) {
  static const DecodeFunction decode = named_decode_function(has_avx512() ? "avx512"
                                                             : has_avx2() ? "avx2"
                                                                          : "portable");
  RankedWords ranked;
  rank_words(words, Component::get().columns(), ranked);
  decode(words, ranked, stage, extrinsic);
  LaneBits clean = 0;
  for (int l = 0; l < kLanes; ++l)
    clean |= static_cast<LaneBits>(ranked.syndromes[l] == 0 && ranked.odd[l] == 0) << l;
  return clean;
}

std::array<int, kLanes> least_metrics(std::span<const SoftPlaces, kLength> words, int ranked) {
  RankedWords ranked_words;
  rank_words(words, Component::get().columns(), ranked_words);
  std::array<Row, kLanes> rows;
  rows_of(words, rows.data());
  std::array<int, kLanes> metrics;
  for (int l = 0; l < kLanes; ++l) {
    Search search;
    Kernel<8>::list_patterns(ranked_words, l, ranked, rows[l], search);
    Kernel<8>::look_up(ranked, search);
    Kernel<8>::measure(search);
    metrics[l] = search.count == 0 ? -1 : search.metric[search.best];
  }
  return metrics;
}

}  // namespace cohlink::fec::ofec
