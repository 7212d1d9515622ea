#include "rx/fec/ofec_decoder.h"

#include <algorithm>
#include <cmath>

#include "sim/signal/instruction_sets.h"
#include "sim/signal/vectors.h"

namespace cohlink::fec::ofec {
namespace {

// LLRs of the channel and, weighed, what the other words said; `weight` in 1 / 256, at most 1.
COHLINK_VECTOR_CLONES
void combine(std::span<const SoftPlaces> channel, std::span<const SoftPlaces> said, int weight,
             SoftPlaces* out) {
  typedef std::int8_t Bytes __attribute__((vector_size(kLanes)));
  typedef std::int16_t Shorts __attribute__((vector_size(2 * kLanes)));
  const auto load = [](const SoftPlaces& places) __attribute__((always_inline)) {
    return __builtin_convertvector(vectors::load<Bytes>(places.data()), Shorts);
  };
  const Shorts most = Shorts{} + std::int16_t{127}, least = -most;
  for (std::size_t k = 0; k < channel.size(); ++k) {
    const Shorts product = load(said[k]) * static_cast<std::int16_t>(weight);
    // Cut towards zero: zeros and ones alike.
    Shorts sum = load(channel[k]) + ((product + (product >> 15 & std::int16_t{255})) >> 8);
    sum = sum < most ? sum : most;
    sum = sum > least ? sum : least;
    vectors::store(out[k].data(), __builtin_convertvector(sum, Bytes));
  }
}

// Entry k of a block column (16 entries): lanes exchanged as those of old bits are.
typedef std::int8_t Half __attribute__((vector_size(kLanes / 2)));
static_assert(kLanes / 2 == kBlock);
template <int kEntry, int... L>
COHLINK_VECTOR_INLINE void exchange_entry(SoftPlaces& places, std::integer_sequence<int, L...>) {
  static_assert(old_lanes(kEntry) == (kBlock ^ kEntry));
  const auto low = vectors::load<Half>(&places[0]), high = vectors::load<Half>(&places[kBlock]);
  vectors::store(&places[0], __builtin_shufflevector(high, high, (L ^ kEntry)...));
  vectors::store(&places[kBlock], __builtin_shufflevector(low, low, (L ^ kEntry)...));
}
template <int... K>
COHLINK_VECTOR_INLINE void exchange_column(SoftPlaces* column, std::integer_sequence<int, K...>) {
  (exchange_entry<K>(column[K], std::make_integer_sequence<int, kBlock>()), ...);
}
COHLINK_VECTOR_CLONES
void exchange_columns(std::span<SoftPlaces, kColumns> places) {
  for (int k = 0; k < kColumns; k += kBlock)
    exchange_column(&places[k], std::make_integer_sequence<int, kBlock>());
}

// Sums of the columns of the parity-check matrix that belong to the ones of each lane's word, and all ones.
struct LaneSyndromes {
  std::array<LaneBits, 16> rows;
  LaneBits odd = 0;
};
COHLINK_VECTOR_CLONES
LaneSyndromes syndromes_of(std::span<const LaneBits, kLength> word) {
  typedef LaneBits Rows __attribute__((vector_size(64)));
  Rows sum{};
  LaneSyndromes out;
  const auto columns = Component::get().columns();
  constexpr Rows kRow = {0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15};
  for (int k = 0; k < kLength; ++k) {
    sum ^= -((Rows{} + columns[k]) >> kRow & 1U) & word[k];
    out.odd ^= word[k];
  }
  vectors::store(out.rows.data(), sum);
  return out;
}

}  // namespace

Decoder::Decoder(const DecoderParameters& parameters)
    : parameters_(parameters),
      pairs_(static_cast<std::size_t>(parameters.iterations() * kReach + kReach + 1)) {
  for (Pair& pair : pairs_)
    for (SoftPlaces& places : pair.channel) places.fill(127);
  next_ = static_cast<long>(pairs_.size());
}

bool Decoder::soft_iteration(long pair, const SoftIteration& iteration) {
  const int weight = static_cast<int>(std::lround(256.0 * iteration.alpha));
  const SoftStage stage{parameters_.ranked, static_cast<int>(std::lround(kUnit * iteration.beta)),
                        static_cast<int>(std::lround(kUnit * parameters_.clip))};
  std::array<SoftPlaces, kLength> words, said;
  const std::span<SoftPlaces, kColumns> old_words(words.data(), kColumns), old_said(said.data(), kColumns);
  Pair& own = at(pair);
  for (int k = 0; k < kColumns; k += kBlock) {
    const Pair& old = at(pair + old_pair(k));
    combine({&old.channel[k], kBlock}, {&old.from_new[k], kBlock}, weight, &words[k]);
  }
  exchange_columns(old_words);
  combine(own.channel, own.from_old, weight, &words[kColumns]);
  const LaneBits checked = decode_soft(words, stage, said);
  exchange_columns(old_said);
  for (int k = 0; k < kColumns; ++k) {
    at(pair + old_pair(k)).from_old[k] = said[k];
    own.from_new[k] = said[kColumns + k];
  }
  return ~checked == 0;
}

void Decoder::decide(long pair) {
  Pair& own = at(pair);
  const double alpha = parameters_.soft.empty() ? 0.0 : parameters_.soft.back().alpha;
  const int weight = static_cast<int>(std::lround(256.0 * alpha));
  PairValues sum;
  combine(own.channel, own.from_old, weight, sum.data());
  combine(sum, own.from_new, weight, sum.data());
  for (int k = 0; k < kColumns; ++k) own.decided[k] = negative_lanes(sum[k]);
}

bool Decoder::hard_iteration(long pair) {
  const Component& component = Component::get();
  std::array<LaneBits, kLength> word;
  for (int k = 0; k < kColumns; ++k) {
    word[k] = exchange_lanes(at(pair + old_pair(k)).decided[k], old_lanes(k));
    word[kColumns + k] = at(pair).decided[k];
  }
  const auto [syndrome, odd] = syndromes_of(word);
  LaneBits wrong = odd;
  for (const LaneBits bits : syndrome) wrong |= bits;
  const bool checked = wrong == 0;
  const auto flip = [&](int place, unsigned lane) {
    if (place >= kColumns)
      at(pair).decided[place - kColumns] ^= LaneBits{1} << lane;
    else
      at(pair + old_pair(place)).decided[place] ^= LaneBits{1} << (lane ^ old_lanes(place));
  };
  for (; wrong != 0; wrong &= wrong - 1) {
    const auto lane = static_cast<unsigned>(__builtin_ctz(wrong));
    unsigned s = 0;
    for (int row = 0; row < 16; ++row) s |= (syndrome[row] >> lane & 1) << row;
    if (odd >> lane & 1) {  // one error, or three and more
      const int place = component.single(static_cast<std::uint16_t>(s));
      if (place >= 0) flip(place, lane);
    } else if (const int two = component.pair(static_cast<std::uint16_t>(s)); two != 0) {
      flip(two & 255, lane);
      flip(two >> 8, lane);
    }
  }
  return checked;
}

std::optional<PairBits> Decoder::operator()(const PairValues& llr) {
  Pair& fresh = at(next_);
  fresh.channel = llr;
  fresh.from_new = fresh.from_old = {};
  fresh.needed = 0;
  long pair = next_;
  int number = 0;
  const auto passed = [&](bool checked) {
    ++number;
    if (!checked) at(pair).needed = number;
    pair -= kReach;
  };
  for (const SoftIteration& iteration : parameters_.soft) passed(soft_iteration(pair, iteration));
  decide(pair);
  for (int h = 0; h < parameters_.hard; ++h) passed(hard_iteration(pair));
  const long first = static_cast<long>(pairs_.size());
  ++next_;
  if (pair < first) return std::nullopt;
  needed_ = at(pair).needed;
  return at(pair).decided;
}

void quantise(std::span<const float> llr, double mean_magnitude, std::span<std::int8_t> out) {
  const auto scale = static_cast<float>(kUnit / mean_magnitude);
  for (std::size_t n = 0; n < llr.size(); ++n) {
    const long step = std::lrint(std::clamp(std::abs(scale * llr[n]), 1.0F, 127.0F));
    out[n] = static_cast<std::int8_t>(llr[n] < 0.0F ? -step : step);
  }
}

}  // namespace cohlink::fec::ofec
