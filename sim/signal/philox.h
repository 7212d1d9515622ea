// Philox4x32-10, a counter-based generator: block n of a stream is a function of n and of the stream's key,
// so that nobody has to draw what comes before it. J. K. Salmon, M. A. Moraes, R. O. Dror, D. E. Shaw, Proc.
// SC'11 (2011), doi 10.1145/2063384.2063405.
#pragma once

#include <array>
#include <cstdint>

namespace cohlink::philox {

inline constexpr std::uint32_t kMultiplier[2] = {0xD2511F53u, 0xCD9E8D57u};
inline constexpr std::uint32_t kWeyl[2] = {0x9E3779B9u, 0xBB67AE85u};
inline constexpr int kRounds = 10;

using Block = std::array<std::uint32_t, 4>;
using Key = std::array<std::uint32_t, 2>;

constexpr Block block(Block c, Key k) {
  for (int round = 0; round < kRounds; ++round) {
    const std::uint64_t p = std::uint64_t{kMultiplier[0]} * c[0], q = std::uint64_t{kMultiplier[1]} * c[2];
    c = {static_cast<std::uint32_t>(q >> 32) ^ c[1] ^ k[0], static_cast<std::uint32_t>(q),
         static_cast<std::uint32_t>(p >> 32) ^ c[3] ^ k[1], static_cast<std::uint32_t>(p)};
    k = {k[0] + kWeyl[0], k[1] + kWeyl[1]};
  }
  return c;
}

/// What a block of a stream is for: numbers of one kind do not use up those of another.
enum class Purpose : std::uint32_t { kNormals = 0, kBits = 1 };

/// The two 64-bit words, in order, of block n of the stream `key`: counter (n low, n high, purpose, 0), key
/// (low, high), words (w0 + 2^32 w1, w2 + 2^32 w3).
constexpr std::array<std::uint64_t, 2> words(std::uint64_t key, std::uint64_t n, Purpose purpose) {
  const Block w = block({static_cast<std::uint32_t>(n), static_cast<std::uint32_t>(n >> 32),
                         static_cast<std::uint32_t>(purpose), 0},
                        {static_cast<std::uint32_t>(key), static_cast<std::uint32_t>(key >> 32)});
  return {w[0] | std::uint64_t{w[1]} << 32, w[2] | std::uint64_t{w[3]} << 32};
}

}  // namespace cohlink::philox
