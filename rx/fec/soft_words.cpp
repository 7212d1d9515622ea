#include "rx/fec/soft_words.h"

#include <string_view>

#include "sim/signal/instruction_sets.h"
#include "sim/signal/vectors.h"

namespace cohlink::fec {
namespace {

template <int kWidth>
struct Shape {
  typedef std::int8_t B __attribute__((vector_size(kWidth)));
  typedef std::int16_t S __attribute__((vector_size(2 * kWidth)));
};

// Lanes first to first + kWidth: every place is inserted into a sorted list that stays in registers.
template <int kWidth>
COHLINK_VECTOR_INLINE void rank_lanes(std::span<const SoftPlaces> words, const std::uint16_t* columns,
                                      int first, RankedWords& out) {
  using S = typename Shape<kWidth>::S;
  S keys[kRanked];
  for (S& key : keys) key = S{} + std::int16_t{0x7fff};
  S syndrome{}, odd{};
  for (std::size_t k = 0; k < words.size(); ++k) {
    const S llr =
        __builtin_convertvector((vectors::load<typename Shape<kWidth>::B>(words[k].data() + first)), S);
    const S negative = llr >> 15;  // all ones where the bit is 1
    syndrome ^= negative & static_cast<std::int16_t>(columns[k]);
    odd ^= negative;
    S key = (((llr ^ negative) - negative) << 8) + static_cast<std::int16_t>(k);
    for (S& kept : keys) {
      const S more = key > kept ? key : kept;
      kept = key < kept ? key : kept;
      key = more;
    }
  }
  for (int r = 0; r < kRanked; ++r) vectors::store(out.keys[r].data() + first, keys[r]);
  vectors::store(out.syndromes.data() + first, syndrome);
  vectors::store(out.odd.data() + first, S(odd & std::int16_t{1}));
}

template <int kWidth>
COHLINK_VECTOR_INLINE void rank_all(std::span<const SoftPlaces> words, std::span<const std::uint16_t> columns,
                                    RankedWords& out) {
  for (int first = 0; first < kLanes; first += kWidth) rank_lanes<kWidth>(words, columns.data(), first, out);
}

void rank_portable(std::span<const SoftPlaces> words, std::span<const std::uint16_t> columns,
                   RankedWords& out) {
  rank_all<8>(words, columns, out);
}
#if COHLINK_X86
COHLINK_AVX2 void rank_avx2(std::span<const SoftPlaces> words, std::span<const std::uint16_t> columns,
                            RankedWords& out) {
  rank_all<16>(words, columns, out);
}
COHLINK_AVX512 void rank_avx512(std::span<const SoftPlaces> words, std::span<const std::uint16_t> columns,
                                RankedWords& out) {
  rank_all<32>(words, columns, out);
}
#endif

}  // namespace

RankFunction named_rank_function(const char* name) {
  const std::string_view wanted(name);
#if COHLINK_X86
  if (wanted == "avx512") return has_avx512() ? rank_avx512 : nullptr;
  if (wanted == "avx2") return has_avx2() ? rank_avx2 : nullptr;
#endif
  return wanted == "portable" ? rank_portable : nullptr;
}

void rank_words(std::span<const SoftPlaces> words, std::span<const std::uint16_t> columns, RankedWords& out) {
  static const RankFunction best = named_rank_function(has_avx512() ? "avx512"
                                                       : has_avx2() ? "avx2"
                                                                    : "portable");
  best(words, columns, out);
}

}  // namespace cohlink::fec
