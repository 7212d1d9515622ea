#include "rx/fec/reed_solomon.h"

#include <doctest/doctest.h>

#include <boost/math/distributions/binomial.hpp>
#include <cmath>
#include <iomanip>
#include <sstream>
#include <stdexcept>
#include <string>
#include <vector>

#include "rx/quality/metrics.h"
#include "sim/signal/random.h"

using namespace cohlink;
using namespace cohlink::fec;

namespace {

using Word = std::array<std::uint8_t, ReedSolomon::kLength>;

Word encoded(const ReedSolomon& code, const std::array<std::uint8_t, 239>& information) {
  Word word;
  std::copy(information.begin(), information.end(), word.begin());
  const auto parity = code.parity(information);
  std::copy(parity.begin(), parity.end(), word.begin() + 239);
  return word;
}

Word random_word(const ReedSolomon& code, RandomStream& random) {
  std::array<std::uint8_t, 239> information;
  for (auto& byte : information) byte = static_cast<std::uint8_t>(random.bits());
  return encoded(code, information);
}

std::string parity_text(const ReedSolomon& code, const std::array<std::uint8_t, 239>& information) {
  std::ostringstream text;
  for (const int byte : code.parity(information))
    text << std::hex << std::uppercase << std::setw(2) << std::setfill('0') << byte;
  return text.str();
}

// Bits of a byte that random bit errors at rate `ber` hit, given that they hit any.
std::uint8_t hit(double ber, RandomStream& random) {
  std::uint8_t byte = 0;
  while (byte == 0)
    for (int bit = 0; bit < 8; ++bit) byte |= static_cast<std::uint8_t>((random.uniform() < ber) << bit);
  return byte;
}

// Puts errors into `count` different bytes.
void damage(Word& word, int count, double ber, RandomStream& random) {
  std::vector<bool> taken(255, false);
  for (int k = 0; k < count;) {
    const std::size_t place = random.bits() % 255;
    if (taken[place]) continue;
    taken[place] = true;
    word[place] ^= hit(ber, random);
    ++k;
  }
}

int bit_errors(const Word& a, const Word& b) {
  int errors = 0;
  for (std::size_t k = 0; k < a.size(); ++k) errors += __builtin_popcount(a[k] ^ b[k]);
  return errors;
}

// Chance of `wrong` wrong bytes in a word at a bit error ratio.
double chance(int wrong, double ber) {
  return boost::math::pdf(boost::math::binomial(255, 1.0 - std::pow(1.0 - ber, 8)), wrong);
}

}  // namespace

TEST_CASE("A field of 2^m is made of a primitive polynomial alone") {
  CHECK_THROWS_AS(GaloisField(4, 0b11111), std::invalid_argument);  // x^5 = 1: order 5, not 15
  CHECK_THROWS_AS(GaloisField(8, 0b10011), std::invalid_argument);
  const GaloisField field(8, 0b100011101);
  // alpha^8 = alpha^4 + alpha^3 + alpha^2 + 1, by the polynomial itself.
  CHECK(field.power(8) == 0b00011101);
  for (int a = 1; a < 256; ++a) CHECK(field.multiply(field.divide(1, a), a) == 1);
}

TEST_CASE("RS(255,239) makes the parity that polynomial division by its generator makes") {
  // ITU-T G.709 Annex A gives the generator; the two remainders were worked out apart from this program.
  const ReedSolomon code;
  std::array<std::uint8_t, 239> counting, last{};
  for (int k = 0; k < 239; ++k) counting[k] = static_cast<std::uint8_t>(k);
  last[238] = 1;
  CHECK(parity_text(code, counting) == "3D4A1DACCC4A4CAA43488E7B4F6559C4");
  CHECK(parity_text(code, last) == "3B0D68BD44D11E08A34129E56232243B");
}

TEST_CASE("RS(255,239) mends every 8 wrong bytes and leaves what it cannot mend as it was") {
  const ReedSolomon code;
  RandomStream random(1);
  int miscorrected = 0;
  for (int trial = 0; trial < 500; ++trial) {
    const Word sent = random_word(code, random);
    for (int wrong = 0; wrong <= 8; ++wrong) {
      Word word = sent;
      damage(word, wrong, 0.3, random);
      CHECK(code.decode(word) == wrong);
      CHECK(word == sent);
    }
    Word word = sent;
    damage(word, 12, 0.3, random);
    const Word received = word;
    if (code.decode(word))
      ++miscorrected;
    else
      CHECK(word == received);
  }
  // A random word lies within 8 bytes of a code word with chance 1 / 8! = 2.5e-5 (R. J. McEliece and L.
  // Swanson, IEEE Trans. Inf. Theory 32(5) 701, 1986): 0.012 expected, three or more with chance 3e-7.
  CHECK(miscorrected < 3);
}

TEST_CASE("RS(255,239): bit errors left at 1e-3 lie within the interval about the exact sum") {
  // Words with more than 8 wrong bytes are lost, and counted with an exact interval.
  const ReedSolomon code;
  RandomStream random(2);
  constexpr int kWords = 30000;
  constexpr double kBer = 1e-3;
  std::uint64_t lost = 0;
  for (int n = 0; n < kWords; ++n) {
    const Word sent = random_word(code, random);
    Word word = sent;
    for (auto& byte : word)
      if (random.uniform() < 1.0 - std::pow(1.0 - kBer, 8)) byte ^= hit(kBer, random);
    code.decode(word);
    lost += word != sent;
  }
  double expected = 0.0;
  for (int wrong = 9; wrong <= 60; ++wrong) expected += chance(wrong, kBer);
  const Interval interval = clopper_pearson(lost, kWords, 0.999);
  CHECK(interval.low < expected);
  CHECK(interval.high > expected);
}

TEST_CASE("RS(255,239): bit errors left from 1e-3 to 2e-4 are those of the exact sum, taken in strata") {
  // Each number of wrong bytes that matters is tried by itself and weighed with its binomial chance. Sums
  // worked out apart from this program: 1.1e-6, 5.2e-9 and 2.3e-12, to two figures.
  const ReedSolomon code;
  RandomStream random(3);
  for (const auto& tried : {std::pair{1e-3, 1.1e-6}, {5e-4, 5.2e-9}, {2e-4, 2.3e-12}}) {
    const auto& ber = std::get<0>(tried);
    const auto& exact = std::get<1>(tried);
    double sum = 0.0, variance = 0.0;
    for (int wrong = 1; wrong <= 18; ++wrong) {
      constexpr int kTrials = 200;
      double errors = 0.0, squares = 0.0;
      for (int trial = 0; trial < kTrials; ++trial) {
        const Word sent = random_word(code, random);
        Word word = sent;
        damage(word, wrong, ber, random);
        code.decode(word);
        const double left = bit_errors(word, sent);
        errors += left;
        squares += left * left;
      }
      const double weight = chance(wrong, ber) / 2040.0, mean = errors / kTrials;
      sum += weight * mean;
      variance += weight * weight * (squares / kTrials - mean * mean) / kTrials;
    }
    CAPTURE(ber);
    CAPTURE(sum);
    CHECK(std::abs(sum - exact) <
          4.0 * std::sqrt(variance) + 0.05 / 1.1 * exact);  // and half of the last figure
  }
}
