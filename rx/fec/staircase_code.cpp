#include "rx/fec/staircase_code.h"

#include <algorithm>

#include "rx/fec/parity.h"

namespace cohlink::fec::staircase {
namespace {

constexpr std::uint32_t kSymbol = 1023;

std::uint32_t column_of(const GaloisField& field, unsigned i) {
  const auto b = static_cast<GaloisField::Element>(i);
  const auto third = field.cube(b), fifth = field.multiply(third, field.multiply(b, b));
  const bool b0 = i & 1, b1 = i >> 1 & 1, b2 = i >> 2 & 1;
  const bool f = (b2 && !b1 && !b0) || (!b2 && b1) || (!b2 && !b1 && b0);
  return std::uint32_t{b} | std::uint32_t{third} << 10 | std::uint32_t{fifth} << 20 |
         (f ? std::uint32_t{1} << 30 : std::uint32_t{1} << 31);
}

}  // namespace

const Component& Component::get() {
  static const Component component;
  return component;
}

Component::Component() : place_of_(1024, -1), right_byte_(64) {
  order_right_half();
  std::vector<unsigned> numbers = {1021, 1022};
  for (unsigned i = 1; i <= 510; ++i) numbers.push_back(i);
  for (const int n : right_order_) numbers.push_back(511 + static_cast<unsigned>(n));
  for (const unsigned i : numbers) {
    place_of_[i] = static_cast<int>(columns_.size());
    columns_.push_back(column_of(field_, i));
  }
  solver_ = parity_solver(std::span(columns_).last(kParity));
  for (int n = 0; n < 64; ++n)
    for (unsigned byte = 0; byte < 256; ++byte) {
      std::uint32_t sum = 0;
      for (int bit = 0; bit < 8; ++bit)
        if (byte >> bit & 1 && 8 * n + bit < kColumns) sum ^= columns_[kLeft + 8 * n + bit];
      right_byte_[n][byte] = sum;
    }
  tabulate_roots();
}

void Component::order_right_half() {
  std::vector<std::uint32_t> kept;
  std::vector<int> parity;
  for (int n = kColumns - 1; n >= 0; --n) {
    kept.push_back(column_of(field_, 511 + static_cast<unsigned>(n)));
    if (rank_of(kept) == static_cast<int>(kept.size()))
      parity.push_back(n);
    else
      kept.pop_back();
  }
  std::reverse(parity.begin(), parity.end());
  for (int n = 0; n < kColumns; ++n)
    if (!std::binary_search(parity.begin(), parity.end(), n)) right_order_.push_back(n);
  right_order_.insert(right_order_.end(), parity.begin(), parity.end());
}

void Component::tabulate_roots() {
  quadratic_.assign(1024, 0);
  cubic_.assign(1024, {});
  std::vector<int> count(1024, 0);
  for (unsigned i = 1; i < 1024; ++i) {
    const auto x = static_cast<Element>(i);
    quadratic_[field_.multiply(x, x) ^ x] = x;
    const auto c = field_.cube(x) ^ x;
    cubic_[c][count[c]++] = x;
  }
  for (unsigned c = 0; c < 1024; ++c)
    if (count[c] < 3) cubic_[c] = {};
  quadratic_[0] = 0;
}

int Component::two_roots(Element s1, Element d, std::array<Element, 3>& roots) const {
  if (s1 == 0) return -1;
  const Element y = quadratic_[field_.divide(d, field_.cube(s1))];
  if (y == 0) return -1;
  roots[0] = field_.multiply(s1, y);
  roots[1] = roots[0] ^ s1;
  return 2;
}

// Of x^3 + s1 x^2 + s2 x + s3, by x = y + s1 and y = sqrt(a) z: y^3 + a y + b, z^3 + z = b / a^(3/2).
int Component::three_roots(Element s1, Element s2, Element s3, std::array<Element, 3>& roots) const {
  const Element a = field_.multiply(s1, s1) ^ s2, b = s3 ^ field_.multiply(s1, s2);
  if (b == 0) return -1;  // two roots are one
  const int third = field_.order() / 3;
  if (a == 0) {
    if (field_.logarithm(b) % 3 != 0) return -1;
    for (int k = 0; k < 3; ++k) roots[k] = field_.power(field_.logarithm(b) / 3 + k * third) ^ s1;
    return 3;
  }
  const int e = field_.logarithm(a);
  const Element root_a = field_.power(e % 2 == 0 ? e / 2 : (e + field_.order()) / 2);
  const auto& z = cubic_[field_.divide(b, field_.multiply(a, root_a))];
  if (z[0] == z[1]) return -1;
  for (int k = 0; k < 3; ++k) roots[k] = field_.multiply(root_a, z[k]) ^ s1;
  return 3;
}

// Peterson's solution for three errors, their parity known from the last two rows.
int Component::locate(std::uint32_t syndrome, std::array<Element, 3>& elements) const {
  const auto s1 = static_cast<Element>(syndrome & kSymbol);
  const auto s3 = static_cast<Element>(syndrome >> 10 & kSymbol);
  const auto s5 = static_cast<Element>(syndrome >> 20 & kSymbol);
  const bool odd = (syndrome >> 30 ^ syndrome >> 31) & 1;
  const Element d = field_.cube(s1) ^ s3;
  if (!odd) return two_roots(s1, d, elements);
  if (d == 0) {
    elements[0] = s1;
    return s1 == 0 ? -1 : 1;
  }
  const Element s2 = field_.divide(field_.multiply(field_.multiply(s1, s1), s3) ^ s5, d);
  return three_roots(s1, s2, d ^ field_.multiply(s1, s2), elements);
}

int Component::decode(std::uint32_t syndrome, std::array<int, 3>& places) const {
  if (syndrome == 0) return 0;
  std::array<Element, 3> elements;
  const int count = locate(syndrome, elements);
  for (int k = 0; k < count; ++k) {
    places[k] = place_of_[elements[k]];
    if (places[k] < 0) return -1;
    syndrome ^= columns_[places[k]];
  }
  return syndrome == 0 ? count : -1;
}

std::uint32_t Component::right_syndrome(std::span<const std::uint64_t, 8> row) const {
  std::uint32_t sum = 0;
  for (int word = 0; word < 8; ++word)
    for (int byte = 0; byte < 8; ++byte) sum ^= right_byte_[8 * word + byte][row[word] >> (8 * byte) & 255];
  return sum;
}

// Bit-sliced: row after row of the block, all columns at once, into the 32 rows of the syndromes.
Syndromes Component::left_syndromes(const Block& block) const {
  std::array<std::array<std::uint64_t, 8>, kParity> sums{};
  for (int row = 0; row < kRows; ++row)
    for (std::uint32_t rest = columns_[row]; rest != 0; rest &= rest - 1) {
      auto& sum = sums[__builtin_ctz(rest)];
      for (int word = 0; word < 8; ++word) sum[word] ^= block.rows[row][word];
    }
  Syndromes out{};
  for (int word = 2; word < kRows; ++word) {
    const int column = left_column(word);
    for (int bit = 0; bit < kParity; ++bit)
      out[word] |= static_cast<std::uint32_t>(sums[bit][column / 64] >> (column % 64) & 1) << bit;
  }
  return out;
}

std::uint32_t Component::parity(std::uint32_t syndrome) const {
  std::uint32_t bits = 0;
  for (; syndrome != 0; syndrome &= syndrome - 1) bits ^= solver_[__builtin_ctz(syndrome)];
  return bits;
}

void Encoder::operator()(Block& block) {
  const Component& component = Component::get();
  for (int row = 0; row < kRows; ++row) {
    auto& bits = block.rows[row];
    bits[7] &= (std::uint64_t{1} << (kInformation % 64)) - 1;
    const std::uint32_t parity = component.parity(left_[row] ^ component.right_syndrome(bits));
    bits[7] |= std::uint64_t{parity} << (kInformation % 64);
  }
  left_ = component.left_syndromes(block);
}

}  // namespace cohlink::fec::staircase
