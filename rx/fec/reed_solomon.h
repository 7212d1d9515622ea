// RS(255,239), the code of the first optical transport networks.
#pragma once

#include <array>
#include <cstdint>
#include <optional>
#include <span>

#include "rx/fec/galois_field.h"

namespace cohlink::fec {

/// The Reed-Solomon code of ITU-T G.975 and G.709 Annex A: GF(2^8) with x^8 + x^4 + x^3 + x^2 + 1, roots of
/// the generator alpha^0 to alpha^15; corrects 8 bytes. The first byte belongs to the highest power.
class ReedSolomon {
 public:
  static constexpr int kLength = 255, kInformation = 239, kParity = kLength - kInformation;
  static constexpr int kCorrectable = kParity / 2;

  ReedSolomon();

  /// The bytes that follow the 239 of `information`.
  std::array<std::uint8_t, kParity> parity(std::span<const std::uint8_t, kInformation> information) const;

  /// Mends `word` in place where a code word lies within 8 bytes of it and says how many it changed; nothing,
  /// and `word` as it was, where none does. Berlekamp-Massey, Chien and Forney: E. R. Berlekamp, Algebraic
  /// Coding Theory (1968); J. L. Massey, IEEE Trans. Inf. Theory 15(1) 122 (1969).
  std::optional<int> decode(std::span<std::uint8_t, kLength> word) const;

 private:
  // Lowest power first.
  using Polynomial = std::array<GaloisField::Element, kParity + 1>;
  Polynomial syndromes(std::span<const std::uint8_t, kLength> word) const;
  GaloisField::Element value(const Polynomial& p, GaloisField::Element x) const;
  std::pair<Polynomial, int> locator(const Polynomial& syndromes) const;

  GaloisField field_;
  Polynomial generator_;
};

}  // namespace cohlink::fec
