#include "rx/fec/reed_solomon.h"

#include <algorithm>

namespace cohlink::fec {

ReedSolomon::ReedSolomon() : field_(8, 0b100011101), generator_{1} {
  for (int root = 0; root < kParity; ++root)  // times (z - alpha^root)
    for (int k = root + 1; k >= 0; --k)
      generator_[k] = static_cast<GaloisField::Element>((k > 0 ? generator_[k - 1] : 0) ^
                                                        field_.multiply(generator_[k], field_.power(root)));
}

std::array<std::uint8_t, ReedSolomon::kParity> ReedSolomon::parity(
    std::span<const std::uint8_t, kInformation> information) const {
  std::array<std::uint8_t, kParity> rest{};  // highest power first
  for (const std::uint8_t byte : information) {
    const auto feedback = static_cast<std::uint8_t>(byte ^ rest[0]);
    for (int k = 0; k < kParity; ++k)
      rest[k] = static_cast<std::uint8_t>((k + 1 < kParity ? rest[k + 1] : 0) ^
                                          field_.multiply(feedback, generator_[kParity - 1 - k]));
  }
  return rest;
}

ReedSolomon::Polynomial ReedSolomon::syndromes(std::span<const std::uint8_t, kLength> word) const {
  Polynomial s{};
  for (int root = 0; root < kParity; ++root) {
    GaloisField::Element sum = 0;
    for (const std::uint8_t byte : word)
      sum = static_cast<GaloisField::Element>(field_.multiply(sum, field_.power(root)) ^ byte);
    s[root] = sum;
  }
  return s;
}

GaloisField::Element ReedSolomon::value(const Polynomial& p, GaloisField::Element x) const {
  GaloisField::Element sum = 0;
  for (int k = kParity; k >= 0; --k) sum = static_cast<GaloisField::Element>(field_.multiply(sum, x) ^ p[k]);
  return sum;
}

// The shortest recurrence that makes the syndromes (Massey), and its length.
std::pair<ReedSolomon::Polynomial, int> ReedSolomon::locator(const Polynomial& s) const {
  Polynomial now{1}, before{1};
  int length = 0, since = 1;
  GaloisField::Element gap_before = 1;
  for (int n = 0; n < kParity; ++n, ++since) {
    GaloisField::Element gap = s[n];
    for (int k = 1; k <= length; ++k) gap ^= field_.multiply(now[k], s[n - k]);
    if (gap == 0) continue;
    const Polynomial kept = now;
    const GaloisField::Element scale = field_.divide(gap, gap_before);
    for (int k = since; k <= kParity; ++k) now[k] ^= field_.multiply(scale, before[k - since]);
    if (2 * length > n) continue;
    length = n + 1 - length;
    before = kept;
    gap_before = gap;
    since = 0;
  }
  return {now, length};
}

std::optional<int> ReedSolomon::decode(std::span<std::uint8_t, kLength> word) const {
  const Polynomial s = syndromes(word);
  if (std::all_of(s.begin(), s.end(), [](auto x) { return x == 0; })) return 0;
  const auto [lambda, errors] = locator(s);
  if (errors > kCorrectable) return std::nullopt;
  Polynomial omega{}, slope{};  // s lambda mod z^16; the derivative of lambda
  for (int k = 0; k < kParity; ++k)
    for (int m = 0; m <= k; ++m) omega[k] ^= field_.multiply(lambda[m], s[k - m]);
  for (int k = 1; k <= kParity; k += 2) slope[k - 1] = lambda[k];
  std::array<std::pair<int, std::uint8_t>, kCorrectable> found;
  int count = 0;
  for (int power = 0; power < kLength; ++power) {
    const GaloisField::Element inverse = field_.power((kLength - power) % kLength);
    if (value(lambda, inverse) != 0) continue;
    if (count == errors) return std::nullopt;
    const auto size =
        field_.divide(value(omega, inverse), value(slope, inverse));  // Forney, first root alpha^0
    found[count++] = {kLength - 1 - power,
                      static_cast<std::uint8_t>(field_.multiply(size, field_.power(power)))};
  }
  if (count != errors) return std::nullopt;
  for (int k = 0; k < count; ++k) word[found[k].first] ^= found[k].second;
  return count;
}

}  // namespace cohlink::fec
