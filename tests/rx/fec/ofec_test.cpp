#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>
#include <map>
#include <set>
#include <vector>

#include "rx/fec/galois_field.h"
#include "rx/fec/ofec_decoder.h"
#include "sim/signal/random.h"

using namespace cohlink;
using namespace cohlink::fec;
using namespace cohlink::fec::ofec;

namespace {

std::array<LaneBits, kInformation> random_information(RandomStream& random) {
  std::array<LaneBits, kInformation> information;
  for (LaneBits& bits : information) bits = static_cast<LaneBits>(random.bits());
  return information;
}

// A stream of block rows as the layout has them: [block row][row][column], beginning with zeros.
struct Stream {
  std::vector<std::array<std::array<bool, 128>, 16>> rows;
  bool at(long block_row, int row, int column) const {
    return block_row >= 0 && rows[block_row][row][column];
  }
  void add(const PairBits& pair) {
    rows.resize(rows.size() + 2);
    for (int n = 0; n < kPairBits; ++n) {
      const Place place = sent_place(n);
      const int row = n / 128;
      rows[rows.size() - 2 + row / 16][row % 16][n % 128] = pair[place.entry] >> place.lane & 1;
    }
  }
};

// Where the layout puts place k of word r of block row R: {block row, row, column}.
std::array<long, 3> layout(long R, int r, int k) {
  constexpr int kN = 128, kB = 16, kG = 2;
  if (k < kN) return {(R ^ 1) - 2 * kG - 2 * kN / kB + 2 * (k / kB), (k % kB) ^ r, k / kB * kB + r};
  return {R, r, (k - kN) / kB * kB + ((k % kB) ^ r)};
}

// LLRs, in steps, of bits sent over white noise that inverts a share `ber` of them; as if zeros were sent
// where `sent` is null.
PairValues received(const PairBits* sent, double sigma, std::uint64_t first) {
  std::vector<float> values(kPairBits);
  RandomStreams(7).stream("noise").fill_normals(first, sigma, std::span<float>(values));
  for (float& x : values) x += 1.0F;
  PairValues llr;
  quantise(values, 1.0, {llr[0].data(), values.size()});
  for (int k = 0; k < kColumns && sent; ++k)
    for (int l = 0; l < kLanes; ++l)
      if ((*sent)[k] >> l & 1) llr[k][l] = static_cast<std::int8_t>(-llr[k][l]);
  return llr;
}

// Extrinsic values of one word by the definition: every pattern of the least reliable places that leaves an
// even number of errors, the two columns that sum to what is left, and of every place the two likeliest words
// that differ in it.
std::vector<int> extrinsic_by_definition(std::span<const SoftPlaces, kLength> words, int lane,
                                         const SoftStage& stage) {
  std::vector<std::pair<int, int>> order;
  unsigned received = 0, odd = 0;
  for (int k = 0; k < kLength; ++k) {
    order.emplace_back(std::abs(words[k][lane]), k);
    if (words[k][lane] < 0) received ^= Component::get().columns()[k], odd ^= 1;
  }
  std::sort(order.begin(), order.end());
  std::map<std::set<int>, int> found;  // places changed, metric
  for (unsigned pattern = 0; pattern < 1U << stage.ranked; ++pattern) {
    if ((__builtin_popcount(pattern) & 1) != static_cast<int>(odd)) continue;
    std::set<int> changed;
    const auto change = [&](int place) { changed.erase(place) != 0 || changed.insert(place).second; };
    unsigned syndrome = received;
    for (int r = 0; r < stage.ranked; ++r)
      if (pattern >> r & 1) change(order[r].second), syndrome ^= Component::get().columns()[order[r].second];
    const unsigned two = Component::get().pair(static_cast<std::uint16_t>(syndrome));
    if (two == 0) continue;
    change(static_cast<int>(two & 255)), change(static_cast<int>(two >> 8));
    int metric = 0;
    for (const int place : changed) metric += std::abs(words[place][lane]);
    found[changed] = metric;
  }
  std::vector<int> out(kLength, 0);
  if (found.empty()) return out;
  const auto best = std::min_element(found.begin(), found.end(),
                                     [](const auto& a, const auto& b) { return a.second < b.second; });
  for (int k = 0; k < kLength; ++k) {
    const bool changed = best->first.count(k) != 0, one = (words[k][lane] < 0) != changed;
    int gap = 512;
    bool disputed = false;
    for (const auto& [places, metric] : found)
      if ((places.count(k) != 0) != changed) disputed = true, gap = std::min(gap, metric - best->second);
    out[k] = one ? -stage.beta : stage.beta;
    if (disputed) out[k] = std::clamp((one ? -gap : gap) - words[k][lane], -stage.clip, stage.clip);
  }
  return out;
}

// Least metric of all words: dynamic programming over the 2^17 states of syndrome and parity.
int most_likely_metric(std::span<const SoftPlaces, kLength> words, int lane) {
  constexpr int kFar = 30000;
  std::vector<std::int16_t> now(1 << 17, kFar), next;
  now[0] = 0;
  for (int k = 0; k < kLength; ++k) {
    const int llr = words[k][lane];
    const unsigned step = Component::get().columns()[k] | 1U << 16;
    const auto zero = static_cast<std::int16_t>(llr < 0 ? -llr : 0),
               one = static_cast<std::int16_t>(llr > 0 ? llr : 0);
    next = now;
    for (unsigned state = 0; state < now.size(); ++state)
      next[state] = static_cast<std::int16_t>(std::min({now[state] + zero, now[state ^ step] + one, kFar}));
    now.swap(next);
  }
  return now[0];
}

}  // namespace

TEST_CASE("oFEC: the component's generator is that of a BCH code of two errors") {
  // Minimal polynomials of alpha and alpha^3 over x^8 + x^4 + x^3 + x^2 + 1: every multiple of the generator,
  // so every column sum of one, vanishes at both.
  const GaloisField field(8, 0b100011101);
  const auto columns = Component::get().columns();
  for (const int root : {1, 3}) {
    // Place k stands for x^(254 - k), which the generator's remainder (x^15 to x^0) equals at the root.
    for (int k = 0; k < 255; ++k) {
      GaloisField::Element sum = 0;
      for (int power = 0; power < 16; ++power)
        if (columns[k] >> power & 1) sum ^= field.power(root * power % 255);
      CHECK(sum == field.power(root * (254 - k) % 255));
    }
  }
}

TEST_CASE("oFEC: the component has distance 6") {
  // Even by its last place. No words of weight 2 or 4: all sums of two columns differ and none is zero. Words
  // of weight 6 there are: two sums of three columns that agree.
  const auto columns = Component::get().columns();
  std::set<unsigned> pairs;
  for (int i = 0; i < kLength; ++i)
    for (int j = 0; j < i; ++j) CHECK(pairs.insert(columns[i] ^ columns[j]).second);
  CHECK(pairs.count(0) == 0);
  std::map<unsigned, std::array<int, 3>> triples;
  bool six = false;
  for (int i = 0; i < 80 && !six; ++i)
    for (int j = 0; j < i && !six; ++j)
      for (int k = 0; k < j && !six; ++k) {
        const auto [it, fresh] =
            triples.try_emplace(columns[i] ^ columns[j] ^ columns[k], std::array{i, j, k});
        std::set<int> places(it->second.begin(), it->second.end());
        places.insert({i, j, k});
        six = !fresh && places.size() == 6;
      }
  CHECK(six);
}

TEST_CASE("oFEC: every bit stands in two words, two words share at most one bit") {
  std::map<std::array<long, 3>, std::vector<long>> words_of;
  for (long R = 0; R < 80; ++R)
    for (int r = 0; r < 16; ++r)
      for (int k = 0; k < kLength; ++k) words_of[layout(R, r, k)].push_back(16 * R + r);
  std::map<std::pair<long, long>, int> shared;
  for (const auto& [bit, words] : words_of) {
    if (bit[0] >= 0 && bit[0] < 56) CHECK(words.size() == 2);  // later ones have their second word beyond
    if (words.size() == 2) CHECK(++shared[std::minmax(words[0], words[1])] == 1);
  }
}

TEST_CASE("oFEC: every word that the encoder makes checks, by the layout and by division") {
  RandomStream random(11);
  Encoder encoder;
  Stream stream;
  for (int pair = 0; pair < 15; ++pair) {
    const auto information = random_information(random);
    const PairBits sent = encoder(information);
    CHECK(std::equal(information.begin(), information.end(), sent.begin()));
    stream.add(sent);
  }
  for (long R = 0; R < 30; ++R)
    for (int r = 0; r < 16; ++r) {
      unsigned rest = 0,
               ones = 0;  // long division by x^16 + x^14 + x^13 + x^11 + x^10 + x^9 + x^8 + x^6 + x^5 + x + 1
      for (int k = 0; k < kLength; ++k) {
        const auto [block_row, row, column] = layout(R, r, k);
        const unsigned bit = stream.at(block_row, static_cast<int>(row), static_cast<int>(column));
        ones ^= bit;
        if (k == 255) break;
        rest = rest << 1 | bit;
        if (rest >> 16) rest ^= 0x16F63;
      }
      CHECK(rest == 0);
      CHECK(ones == 0);
    }
}

TEST_CASE("Ranking is the same in every instruction set, and that of a sort") {
  std::array<SoftPlaces, kLength> words;
  RandomStream random(5);
  for (auto& places : words)
    for (auto& value : places) value = static_cast<std::int8_t>(static_cast<int>(random.bits() % 255) - 127);
  for (const char* name : {"portable", "avx2", "avx512"}) {
    const RankFunction rank = named_rank_function(name);
    if (!rank) continue;
    RankedWords ranked;
    rank(words, Component::get().columns(), ranked);
    for (int l = 0; l < kLanes; ++l) {
      std::vector<std::pair<int, int>> order;
      unsigned syndrome = 0, ones = 0;
      for (int k = 0; k < kLength; ++k) {
        order.emplace_back(std::abs(words[k][l]), k);
        if (words[k][l] >= 0) continue;
        syndrome ^= Component::get().columns()[k];
        ones ^= 1;
      }
      std::sort(order.begin(), order.end());
      for (int r = 0; r < kRanked; ++r) {
        CHECK(ranked.magnitude(r, l) == order[r].first);
        CHECK(ranked.place(r, l) == order[r].second);
      }
      CHECK(ranked.syndromes[l] == syndrome);
      CHECK(ranked.odd[l] == ones);
    }
  }
}

TEST_CASE("oFEC: extrinsic values are those of the definition, in every instruction set") {
  for (const int ranked : {4, 6, 7, 8})
    for (const double sigma : {0.3, 0.46}) {  // from words with hardly an error to words of which some fail
      std::array<SoftPlaces, kLength> words, said;
      std::vector<float> values(kLength * kLanes);
      RandomStreams(17).stream("noise").fill_normals(0, sigma, std::span<float>(values));
      for (float& x : values) x += 1.0F;
      quantise(values, 1.0, {words[0].data(), values.size()});
      RankedWords order;
      rank_words(words, Component::get().columns(), order);
      const SoftStage stage{ranked, 13, 70};
      for (const char* name : {"portable", "avx2", "avx512"}) {
        const DecodeFunction decode = named_decode_function(name);
        if (!decode) continue;
        decode(words, order, stage, said);
        int wrong = 0;
        for (int l = 0; l < kLanes; l += 3) {
          const auto expected = extrinsic_by_definition(words, l, stage);
          for (int k = 0; k < kLength; ++k) wrong += said[k][l] != expected[k];
        }
        CAPTURE(name);
        CAPTURE(ranked);
        CHECK(wrong == 0);
      }
    }
}

TEST_CASE("oFEC: the likeliest word among those tried is mostly the likeliest of all, and never likelier") {
  // Against dynamic programming over all syndromes. At 1.2e-2 of errors beforehand a word has 3 of them;
  // eight ranked places miss the likeliest word where more than two of its errors lie outside them.
  std::array<SoftPlaces, kLength> words;
  std::vector<float> values(kLength * kLanes);
  RandomStreams(3).stream("noise").fill_normals(0, 0.443, std::span<float>(values));  // Q(1 / 0.443) = 1.2e-2
  for (float& x : values) x += 1.0F;
  quantise(values, 1.0, {words[0].data(), values.size()});
  const auto found = least_metrics(words, 8);
  int same = 0;
  constexpr int kTried = 8;
  for (int l = 0; l < kTried; ++l) {
    const int least = most_likely_metric(words, l);
    if (found[l] >= 0) CHECK(found[l] >= least);
    same += found[l] == least;
  }
  CHECK(same >= kTried - 1);
}

TEST_CASE("oFEC: an extrinsic value is what the two likeliest words that differ in a place say of it") {
  // A received word that lies on a code word but for one weak bit: that word's metric is the weak bit's
  // magnitude.
  std::array<SoftPlaces, kLength> words, said;
  for (auto& places : words) places.fill(40);
  words[200].fill(-5);
  decode_soft(words, {6, 10, 70}, said);
  for (int l = 0; l < kLanes; ++l) {
    CHECK(said[200][l] > 0);  // turns it round
    CHECK(said[0][l] > 0);
    CHECK(said[255][l] > 0);
  }
}

TEST_CASE("oFEC: decoding LLRs flipped by the known bits equals decoding of encoded data") {
  RandomStream random(21);
  Encoder encoder;
  Decoder of_data, of_zeros;
  std::vector<PairBits> sent;
  const double sigma = 0.487;  // Q(1 / 0.487) = 2.0e-2
  int compared = 0;
  for (int n = 0; n < 100; ++n) {
    sent.push_back(encoder(random_information(random)));
    const auto first = static_cast<std::uint64_t>(n) * kPairBits;
    const auto data = of_data(received(&sent.back(), sigma, first));
    const auto zeros = of_zeros(received(nullptr, sigma, first));
    REQUIRE(data.has_value() == zeros.has_value());
    if (!data) continue;
    ++compared;
    for (int k = 0; k < kColumns; ++k) CHECK(((*data)[k] ^ sent[n - of_data.delay()][k]) == (*zeros)[k]);
  }
  CHECK(compared == 100 - of_data.delay());
}

TEST_CASE("oFEC: no error is left at 2.0e-2 of a short stream, and at 2.6e-2 most are") {
  for (const auto& tried : {std::pair{0.4869, true}, {0.5147, false}}) {  // Q(1 / sigma)
    const double sigma = tried.first;
    const bool decodes = tried.second;
    Decoder decoder;
    int errors = 0;
    for (int n = 0; n < 120; ++n) {
      const auto pair = decoder(received(nullptr, sigma, static_cast<std::uint64_t>(n) * kPairBits));
      if (n < decoder.delay() + 20) continue;
      for (const LaneBits bits : *pair) errors += __builtin_popcount(bits);
    }
    CAPTURE(sigma);
    CAPTURE(errors);
    CHECK((errors == 0) == decodes);
  }
}
