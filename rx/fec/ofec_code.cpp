#include "rx/fec/ofec_code.h"

namespace cohlink::fec::ofec {

Component::Component() : columns_(kLength, 0), pairs_(65536, 0), singles_(65536, -1) {
  constexpr unsigned kGenerator = 0b1'0110'1111'0110'0011;  // its bit k: x^k
  unsigned x = 1;
  for (int power = 0; power < 255; ++power) {
    columns_[254 - power] = static_cast<std::uint16_t>(x);
    x <<= 1;
    if (x >> 16) x ^= kGenerator;
  }
  for (int i = 0; i < kLength; ++i) {
    singles_[columns_[i]] = static_cast<std::int16_t>(i);
    for (int j = 0; j < i; ++j) pairs_[columns_[i] ^ columns_[j]] = static_cast<std::uint16_t>(i + 256 * j);
  }
}

const Component& Component::get() {
  static const Component component;
  return component;
}

PairBits Encoder::operator()(std::span<const LaneBits, kInformation> information) {
  const auto columns = Component::get().columns();
  std::array<LaneBits, 16> syndrome{};
  LaneBits odd = 0;
  const auto enter = [&](int place, LaneBits bits) {
    odd ^= bits;
    for (int row = 0; row < 16; ++row)
      if (columns[place] >> row & 1) syndrome[row] ^= bits;
  };
  for (int k = 0; k < kColumns; ++k)
    enter(k, exchange_lanes(before_[(pair_ + kReach + old_pair(k)) % kReach][k], old_lanes(k)));
  PairBits pair;
  for (int k = 0; k < kInformation; ++k) enter(kColumns + k, pair[k] = information[k]);
  for (int row = 0; row < 16; ++row) {  // the last columns are the unit vectors, highest first
    pair[kInformation + 15 - row] = syndrome[row];
    odd ^= syndrome[row];
  }
  pair[kColumns - 1] = odd;
  before_[pair_] = pair;
  pair_ = (pair_ + 1) % kReach;
  return pair;
}

}  // namespace cohlink::fec::ofec
