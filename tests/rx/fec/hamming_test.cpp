#include "rx/fec/hamming.h"

#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>
#include <set>
#include <vector>

#include "rx/fec/ofec_decoder.h"
#include "rx/fec/parity.h"
#include "sim/signal/random.h"

using namespace cohlink;
using namespace cohlink::fec;

namespace {

std::vector<SoftPlaces> noisy_zeros(double sigma, std::uint64_t batch) {
  std::vector<float> values(Hamming::kLength * kLanes);
  RandomStreams(4).stream("noise").fill_normals(batch * values.size(), sigma, std::span<float>(values));
  for (float& x : values) x += 1.0F;
  std::vector<SoftPlaces> llr(Hamming::kLength);
  ofec::quantise(values, 1.0, {llr[0].data(), values.size()});
  return llr;
}

// Least metric of all words, by dynamic programming over the 512 syndromes.
int most_likely_metric(const Hamming& code, std::span<const SoftPlaces> llr, int lane) {
  std::vector<int> now(512, 1 << 20), next;
  now[0] = 0;
  for (int k = 0; k < Hamming::kLength; ++k) {
    const int value = llr[k][lane];
    next = now;
    for (int state = 0; state < 512; ++state)
      next[state] =
          std::min(now[state] + std::max(-value, 0), now[state ^ code.columns()[k]] + std::max(value, 0));
    now = next;
  }
  return now[0];
}

int metric(std::span<const SoftPlaces> llr, const Hamming::Words& words, int lane) {
  int sum = 0;
  for (int k = 0; k < Hamming::kLength; ++k)
    if ((llr[k][lane] < 0) != (words[k] >> lane & 1)) sum += std::abs(llr[k][lane]);
  return sum;
}

LaneBits syndrome(const Hamming& code, const Hamming::Words& words) {  // the lanes whose word does not check
  LaneBits wrong = 0;
  for (int row = 0; row < Hamming::kParity; ++row) {
    LaneBits sum = 0;
    for (int k = 0; k < Hamming::kLength; ++k)
      if (code.columns()[k] >> row & 1) sum ^= words[k];
    wrong |= sum;
  }
  return wrong;
}

}  // namespace

TEST_CASE("The inner Hamming code has rank 9, distance 4 and 52576 words of weight 4") {
  // The count was worked out apart from this program. Weight 4: two pairs of places with equal sums, each
  // word met in three ways.
  const Hamming code;
  CHECK(rank_of(std::vector<std::uint32_t>(code.columns().begin(), code.columns().end())) == 9);
  std::vector<long> pairs(512, 0);
  for (int i = 0; i < Hamming::kLength; ++i)
    for (int j = 0; j < i; ++j) ++pairs[code.columns()[i] ^ code.columns()[j]];
  CHECK(pairs[0] == 0);  // no word of weight 2; odd weights the last row excludes
  long words = 0;
  for (const long n : pairs) words += n * (n - 1) / 2;
  CHECK(words / 3 == 52576);
}

TEST_CASE("The inner Hamming code's encoder makes words that check") {
  const Hamming code;
  RandomStream random(2);
  Hamming::Words words;
  for (LaneBits& bits : words) bits = static_cast<LaneBits>(random.bits());
  const Hamming::Words before = words;
  code.encode(words);
  CHECK(syndrome(code, words) == 0);
  CHECK(std::equal(words.begin(), words.begin() + Hamming::kInformation, before.begin()));
}

TEST_CASE("The inner Hamming decoder is the nearer to maximum likelihood the more places it tries") {
  // Never likelier than the likeliest word; 1.25e-2 of errors before.
  const Hamming code;
  std::vector<int> same;
  for (const int ranked : {4, 6, 8}) {
    int count = 0;
    for (std::uint64_t batch = 0; batch < 10; ++batch) {
      const auto llr = noisy_zeros(0.4461, batch);  // Q(1 / 0.4461) = 1.25e-2
      Hamming::Words words;
      code.decode(std::span<const SoftPlaces, Hamming::kLength>(llr), ranked, words);
      const LaneBits wrong = syndrome(code, words);
      for (int lane = 0; lane < kLanes; ++lane) {
        if (wrong >> lane & 1) continue;
        const int least = most_likely_metric(code, llr, lane), found = metric(llr, words, lane);
        CHECK(found >= least);
        count += found == least;
      }
    }
    same.push_back(count);
  }
  CHECK(same[0] < same[1]);
  CHECK(same[1] < same[2]);
  CHECK(same[2] > 310);  // of 320
}

TEST_CASE("Of 1.25e-2 of errors the inner Hamming decoder leaves 4.1e-3 to 5.4e-3") {
  // The range from maximum likelihood to four places, worked out apart from this program; three deviations of
  // words that fail with four to six errors at a time: 1.6e6 bits, 7600 errors, 5 %.
  const Hamming code;
  for (const auto& tried : {std::pair{4, 5.4e-3}, {8, 4.1e-3}}) {
    const auto& ranked = std::get<0>(tried);
    const auto& expected = std::get<1>(tried);
    double errors = 0, bits = 0;
    for (std::uint64_t batch = 0; batch < 400; ++batch) {
      const auto llr = noisy_zeros(0.4461, batch);
      Hamming::Words words;
      code.decode(std::span<const SoftPlaces, Hamming::kLength>(llr), ranked, words);
      for (int k = 0; k < Hamming::kInformation; ++k) errors += __builtin_popcount(words[k]);
      bits += Hamming::kInformation * kLanes;
    }
    CAPTURE(ranked);
    CAPTURE(errors / bits);
    CHECK(std::abs(errors / bits / expected - 1.0) < 0.05);
  }
}

TEST_CASE("The inner Hamming decoder: flipped LLRs decode as encoded data does") {
  const Hamming code;
  RandomStream random(9);
  for (std::uint64_t batch = 0; batch < 20; ++batch) {
    Hamming::Words sent;
    for (LaneBits& bits : sent) bits = static_cast<LaneBits>(random.bits());
    code.encode(sent);
    const auto zeros = noisy_zeros(0.4461, batch);
    auto data = zeros;
    for (int k = 0; k < Hamming::kLength; ++k)
      for (int lane = 0; lane < kLanes; ++lane)
        if (sent[k] >> lane & 1) data[k][lane] = static_cast<std::int8_t>(-data[k][lane]);
    Hamming::Words of_zeros, of_data;
    code.decode(std::span<const SoftPlaces, Hamming::kLength>(zeros), 6, of_zeros);
    code.decode(std::span<const SoftPlaces, Hamming::kLength>(data), 6, of_data);
    for (int k = 0; k < Hamming::kLength; ++k) CHECK((of_data[k] ^ sent[k]) == of_zeros[k]);
  }
}
