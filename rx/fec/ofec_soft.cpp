#include "rx/fec/ofec_soft.h"

#include <algorithm>
#include <cstring>

#include "sim/signal/instruction_sets.h"
#include "sim/signal/vectors.h"

namespace cohlink::fec::ofec {
namespace {

constexpr int kMostPatterns = 1 << (kRanked - 1);
constexpr std::int16_t kNever =
    0x7000;  // above any metric: at most 8 tested and 2 decoded places of 127 each

// Words found near one received word. `flips`: which of the ranked places they change; i, j: the two places
// that the decoder changed besides (either may be a ranked one, which then counts in `flips` alone).
struct Found {
  int count = 0;
  alignas(64) std::array<std::int16_t, kMostPatterns> metric, flips, i, j;
};

// One lane: the ranked places, and what lies in the list beside each place (1 << rank, or 0).
struct Lane {
  std::array<int, kRanked> place, magnitude;
  std::array<std::uint8_t, kLength> ranked{};
};

COHLINK_VECTOR_INLINE Lane lane_of(const RankedWords& words, int lane, int ranked) {
  Lane out;
  for (int r = 0; r < ranked; ++r) {
    out.place[r] = words.place(r, lane);
    out.magnitude[r] = words.magnitude(r, lane);
    out.ranked[out.place[r]] = static_cast<std::uint8_t>(1 << r);
  }
  return out;
}

// Every pattern of tested places that leaves an even number of errors, and what two more errors make of it.
// The last ranked place is in a pattern when parity asks for it.
struct Patterns {
  alignas(64) std::array<std::uint16_t, kMostPatterns> syndrome, metric, flips;
};

COHLINK_VECTOR_INLINE void list_patterns(const Lane& lane, std::uint16_t syndrome, bool odd, int ranked,
                                         Patterns& out) {
  const auto columns = Component::get().columns();
  const int last = ranked - 1;
  const auto last_column = columns[lane.place[last]];
  const auto last_metric = static_cast<std::uint16_t>(lane.magnitude[last]);
  const auto last_flip = static_cast<std::uint16_t>(1 << last);
  out.syndrome[0] = static_cast<std::uint16_t>(syndrome ^ (odd ? last_column : 0));
  out.metric[0] = static_cast<std::uint16_t>(odd ? last_metric : 0);
  out.flips[0] = static_cast<std::uint16_t>(odd ? last_flip : 0);
  for (int b = 0; b < last; ++b) {
    const auto column = static_cast<std::uint16_t>(columns[lane.place[b]] ^ last_column);
    const auto metric = static_cast<std::uint16_t>(lane.magnitude[b]);
    const auto flip = static_cast<std::uint16_t>(1 << b | last_flip);
    for (int t = 0; t < 1 << b; ++t) {
      const int u = t | 1 << b;
      out.syndrome[u] = static_cast<std::uint16_t>(out.syndrome[t] ^ column);
      out.flips[u] = static_cast<std::uint16_t>(out.flips[t] ^ flip);
      out.metric[u] = static_cast<std::uint16_t>(out.metric[t] + metric +
                                                 ((out.flips[t] & last_flip) ? -last_metric : last_metric));
    }
  }
}

COHLINK_VECTOR_INLINE void find_words(std::span<const SoftPlaces, kLength> words, int l, const Lane& lane,
                                      const Patterns& patterns, int count, Found& found) {
  const Component& component = Component::get();
  int n = 0;
  for (int t = 0; t < count; ++t) {
    const unsigned two = component.pair(patterns.syndrome[t]);
    const unsigned i = two & 255, j = two >> 8;
    const int a = std::abs(words[i][l]), b = std::abs(words[j][l]);
    const unsigned known_i = lane.ranked[i], known_j = lane.ranked[j], tested = patterns.flips[t];
    found.metric[n] = static_cast<std::int16_t>(patterns.metric[t] + ((tested & known_i) ? -a : a) +
                                                ((tested & known_j) ? -b : b));
    found.flips[n] = static_cast<std::int16_t>(tested ^ known_i ^ known_j);
    found.i[n] = static_cast<std::int16_t>(i);
    found.j[n] = static_cast<std::int16_t>(j);
    n += two != 0;
  }
  found.count = n;
  while (n % 32 != 0) found.metric[n++] = kNever;  // so that whole vectors can be looked at
}

template <int kWidth>
struct Shorts {
  typedef std::int16_t V __attribute__((vector_size(2 * kWidth)));
};
using Metrics = Shorts<32>::V;

template <int kWidth>
COHLINK_VECTOR_INLINE int least_of(const typename Shorts<kWidth>::V& v) {
  if constexpr (kWidth == 4) {
    return std::min(std::min(v[0], v[1]), std::min(v[2], v[3]));
  } else {
    using Half = typename Shorts<kWidth / 2>::V;
    Half halves[2];
    std::memcpy(halves, &v, sizeof v);
    const Half least = halves[0] < halves[1] ? halves[0] : halves[1];
    return least_of<kWidth / 2>(least);
  }
}

// Least metrics of the words that do and do not change the ranked place of this bit.
COHLINK_VECTOR_INLINE std::pair<int, int> ranked_metrics(const Found& found, int bit) {
  const Metrics never = Metrics{} + kNever;
  Metrics with = never, without = never;
  for (int t = 0; t < found.count; t += 32) {
    const auto m = vectors::load<Metrics>(&found.metric[t]);
    const Metrics changed = (vectors::load<Metrics>(&found.flips[t]) << (15 - bit)) >> 15;
    const Metrics if_changed = (m & changed) | (never & ~changed),
                  if_kept = (m & ~changed) | (never & changed);
    with = if_changed < with ? if_changed : with;
    without = if_kept < without ? if_kept : without;
  }
  return {least_of<32>(with), least_of<32>(without)};
}

// Least metric of the words that leave a place as it is.
COHLINK_VECTOR_INLINE int metric_without(const Found& found, int place) {
  const Metrics never = Metrics{} + kNever, here = Metrics{} + static_cast<std::int16_t>(place);
  Metrics least = never;
  for (int t = 0; t < found.count; t += 32) {
    const auto m = vectors::load<Metrics>(&found.metric[t]);
    const Metrics changed =
        (vectors::load<Metrics>(&found.i[t]) == here) | (vectors::load<Metrics>(&found.j[t]) == here);
    const Metrics if_kept = (m & ~changed) | (never & changed);
    least = if_kept < least ? if_kept : least;
  }
  return least_of<32>(least);
}

COHLINK_VECTOR_INLINE int likeliest(const Found& found) {
  Metrics least = Metrics{} + kNever;
  for (int t = 0; t < found.count; t += 32) {
    const auto m = vectors::load<Metrics>(&found.metric[t]);
    least = m < least ? m : least;
  }
  const int metric = least_of<32>(least);
  int best = 0;
  while (found.metric[best] != metric) ++best;
  return best;
}

// One lane's extrinsic values, place by place.
struct Writer {
  std::span<const SoftPlaces, kLength> words;
  std::span<SoftPlaces, kLength> extrinsic;
  const SoftStage& stage;
  int lane, best;  // metric of the likeliest word

  // `changed`: the likeliest word contradicts the hard decision here; `rival`: least metric of a word that
  // differs from it here.
  COHLINK_VECTOR_INLINE void operator()(int place, bool changed, int rival) const {
    const int llr = words[place][lane];
    const bool one = (llr < 0) != changed;
    const int gap = std::min(rival - best, 512);
    const int disputed = std::clamp((one ? -gap : gap) - llr, -stage.clip, stage.clip);
    extrinsic[place][lane] =
        static_cast<std::int8_t>(rival == kNever ? one ? -stage.beta : stage.beta : disputed);
  }
};

COHLINK_VECTOR_INLINE void write_lane(const Lane& lane, const Found& found, int best, const Writer& write) {
  alignas(64) std::array<std::int16_t, kLength> with;  // least metric of the words that change a place
  with.fill(kNever);
  for (int t = 0; t < found.count; ++t) {
    with[found.i[t]] = std::min(with[found.i[t]], found.metric[t]);
    with[found.j[t]] = std::min(with[found.j[t]], found.metric[t]);
  }
  for (int t = 0; t < found.count; ++t) {
    write(found.i[t], false, with[found.i[t]]);
    write(found.j[t], false, with[found.j[t]]);
  }
  write(found.i[best], true, metric_without(found, found.i[best]));
  write(found.j[best], true, metric_without(found, found.j[best]));
  for (int r = 0; r < write.stage.ranked; ++r) {  // last: these stand among i and j too
    const auto [changed, kept] = ranked_metrics(found, r);
    const bool flipped = found.flips[best] >> r & 1;
    write(lane.place[r], flipped, flipped ? kept : changed);
  }
}

COHLINK_VECTOR_INLINE void find_lane(std::span<const SoftPlaces, kLength> words,
                                     const RankedWords& ranked_words, int l, int ranked, Lane& lane,
                                     Found& found) {
  Patterns patterns;
  lane = lane_of(ranked_words, l, ranked);
  list_patterns(lane, ranked_words.syndromes[l], ranked_words.odd[l] != 0, ranked, patterns);
  find_words(words, l, lane, patterns, 1 << (ranked - 1), found);
}

COHLINK_VECTOR_INLINE void decode_lanes(std::span<const SoftPlaces, kLength> words, const RankedWords& ranked,
                                        const SoftStage& stage, std::span<SoftPlaces, kLength> extrinsic) {
  const auto beta = static_cast<std::int8_t>(stage.beta);
  for (int k = 0; k < kLength; ++k)
    for (int l = 0; l < kLanes; ++l)
      extrinsic[k][l] = words[k][l] < 0 ? static_cast<std::int8_t>(-beta) : beta;
  for (int l = 0; l < kLanes; ++l) {
    Lane lane;
    Found found;
    find_lane(words, ranked, l, stage.ranked, lane, found);
    if (found.count == 0) {
      for (int k = 0; k < kLength; ++k) extrinsic[k][l] = 0;
      continue;
    }
    const int best = likeliest(found);
    write_lane(lane, found, best, {words, extrinsic, stage, l, found.metric[best]});
  }
}

using DecodeFunction = void (*)(std::span<const SoftPlaces, kLength>, const RankedWords&, const SoftStage&,
                                std::span<SoftPlaces, kLength>);
void decode_portable(std::span<const SoftPlaces, kLength> words, const RankedWords& ranked,
                     const SoftStage& stage, std::span<SoftPlaces, kLength> extrinsic) {
  decode_lanes(words, ranked, stage, extrinsic);
}
#if COHLINK_X86
COHLINK_AVX2 void decode_avx2(std::span<const SoftPlaces, kLength> words, const RankedWords& ranked,
                              const SoftStage& stage, std::span<SoftPlaces, kLength> extrinsic) {
  decode_lanes(words, ranked, stage, extrinsic);
}
COHLINK_AVX512 void decode_avx512(std::span<const SoftPlaces, kLength> words, const RankedWords& ranked,
                                  const SoftStage& stage, std::span<SoftPlaces, kLength> extrinsic) {
  decode_lanes(words, ranked, stage, extrinsic);
}
#endif

DecodeFunction best_decode() {
#if COHLINK_X86
  if (has_avx512()) return decode_avx512;
  if (has_avx2()) return decode_avx2;
#endif
  return decode_portable;
}

}  // namespace

LaneBits decode_soft(std::span<const SoftPlaces, kLength> words, const SoftStage& stage,
                     std::span<SoftPlaces, kLength> extrinsic) {
  static const DecodeFunction decode = best_decode();
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
  std::array<int, kLanes> metrics;
  for (int l = 0; l < kLanes; ++l) {
    Lane lane;
    Found found;
    find_lane(words, ranked_words, l, ranked, lane, found);
    metrics[l] = found.count == 0 ? -1 : found.metric[likeliest(found)];
  }
  return metrics;
}

}  // namespace cohlink::fec::ofec
