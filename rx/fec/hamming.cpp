#include "rx/fec/hamming.h"

#include <algorithm>
#include <cstdlib>

#include "rx/fec/parity.h"

namespace cohlink::fec {
namespace {

std::uint16_t column_of(unsigned i) {
  const bool s0 = i & 1, s1 = i >> 1 & 1, s2 = i >> 2 & 1;
  const bool s7 = (s0 && s2) || (!s0 && !s1 && !s2) || (s0 && s1 && !s2);
  return static_cast<std::uint16_t>(i | unsigned{s7} << 7 | 1U << 8);
}

std::vector<unsigned> order_of_places() {
  const std::array<unsigned, Hamming::kParity> parity = {63, 95, 111, 119, 121, 123, 125, 126, 127};
  std::vector<unsigned> order;
  for (unsigned i = 0; i < Hamming::kLength; ++i)
    if (std::find(parity.begin(), parity.end(), i) == parity.end()) order.push_back(i);
  order.insert(order.end(), parity.begin(), parity.end());
  return order;
}

}  // namespace

Hamming::Hamming() : places_(256, kLength) {
  for (const unsigned i : order_of_places()) {
    places_[column_of(i) & 255] = static_cast<std::uint8_t>(columns_.size());
    columns_.push_back(column_of(i));
  }
  solver_ = parity_solver(std::vector<std::uint32_t>(columns_.begin() + kInformation, columns_.end()));
}

void Hamming::encode(Words& words) const {
  std::array<LaneBits, kParity> syndrome{};
  for (int k = 0; k < kInformation; ++k)
    for (int row = 0; row < kParity; ++row)
      if (columns_[k] >> row & 1) syndrome[row] ^= words[k];
  for (int j = 0; j < kParity; ++j) {
    words[kInformation + j] = 0;
    for (int row = 0; row < kParity; ++row)
      if (solver_[row] >> j & 1) words[kInformation + j] ^= syndrome[row];
  }
}

namespace {

// Half of all patterns of the least reliable places, those that mend the parity by one error more or less:
// what syndrome they leave, what they cost, which ranks they flip.
struct Patterns {
  std::array<std::uint16_t, 1 << (kRanked - 1)> syndrome, metric, tested;
};

// Each rank but the last doubles the patterns; the last one keeps the parity.
void list_patterns(std::span<const std::uint16_t> columns, const RankedWords& ranked_words, int lane,
                   int ranked, Patterns& out) {
  const std::uint16_t received = ranked_words.syndromes[lane];
  const int last = ranked - 1;
  const bool even = !(received >> 8 & 1);
  auto& [syndrome, metric, tested] = out;
  const auto last_column = columns[ranked_words.place(last, lane)];
  const auto last_metric = static_cast<std::uint16_t>(ranked_words.magnitude(last, lane));
  syndrome[0] = static_cast<std::uint16_t>(received ^ (even ? last_column : 0));
  metric[0] = static_cast<std::uint16_t>(even ? last_metric : 0);
  tested[0] = static_cast<std::uint16_t>(even ? 1 << last : 0);
  for (int b = 0; b < last; ++b) {
    const auto column = static_cast<std::uint16_t>(columns[ranked_words.place(b, lane)] ^ last_column);
    const int more = ranked_words.magnitude(b, lane);
    for (int t = 0; t < 1 << b; ++t) {
      const int u = t | 1 << b;
      syndrome[u] = static_cast<std::uint16_t>(syndrome[t] ^ column);
      tested[u] = static_cast<std::uint16_t>(tested[t] ^ (1 << b | 1 << last));
      metric[u] =
          static_cast<std::uint16_t>(metric[t] + more + (tested[t] >> last & 1 ? -last_metric : last_metric));
    }
  }
}

}  // namespace

// The places to change in one lane, the first `returned` of `places`.
std::uint32_t Hamming::flips(const RankedWords& ranked_words, std::span<const SoftPlaces, kLength> llr,
                             int lane, int ranked, std::array<std::uint8_t, kRanked + 1>& places) const {
  if (ranked_words.syndromes[lane] == 0) return 0;
  std::array<std::uint8_t, kLength + 1> rank_of_place{};  // 1 << rank, or 0
  for (int r = 0; r < ranked; ++r)
    rank_of_place[ranked_words.place(r, lane)] = static_cast<std::uint8_t>(1 << r);
  Patterns patterns;
  list_patterns(columns_, ranked_words, lane, ranked, patterns);
  const auto& [syndrome, metric, tested] = patterns;
  constexpr std::uint32_t kNone = ~0U;
  std::uint32_t best = kNone;  // metric, pattern, place
  for (std::uint32_t t = 0; t < 1U << (ranked - 1); ++t) {
    const std::uint32_t place = places_[syndrome[t] & 255];
    const int size = std::abs(llr[place & (kLength - 1)][lane]);
    const std::uint32_t sum = metric[t] + ((tested[t] & rank_of_place[place]) ? -size : size);
    best = std::min(best, place == kLength ? kNone : sum << 16 | t << 8 | place);
  }
  if (best == kNone) return 0;
  std::uint32_t count = 0;
  for (int r = 0; r < ranked; ++r)
    if (tested[best >> 8 & 255] >> r & 1)
      places[count++] = static_cast<std::uint8_t>(ranked_words.place(r, lane));
  places[count++] = static_cast<std::uint8_t>(best & 255);  // a tested place named again is changed back
  return count;
}

void Hamming::decode(std::span<const SoftPlaces, kLength> llr, int ranked, Words& words) const {
  RankedWords ranked_words;
  rank_words(llr, columns_, ranked_words);
  for (int k = 0; k < kLength; ++k) words[k] = negative_lanes(llr[k]);
  for (int lane = 0; lane < kLanes; ++lane) {
    std::array<std::uint8_t, kRanked + 1> places;
    const std::uint32_t count = flips(ranked_words, llr, lane, ranked, places);
    for (std::uint32_t n = 0; n < count; ++n) words[places[n]] ^= LaneBits{1} << lane;
  }
}

}  // namespace cohlink::fec
