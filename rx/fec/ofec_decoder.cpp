#include "rx/fec/ofec_decoder.h"

#include <algorithm>
#include <cmath>

namespace cohlink::fec::ofec {
namespace {

// LLR of the channel and, weighed, what the other word said; `weight` in 1 / 256.
SoftPlaces together(const SoftPlaces& channel, const SoftPlaces& said, int weight) {
  SoftPlaces out;
  for (int l = 0; l < kLanes; ++l) {
    const auto sum = static_cast<std::int16_t>(channel[l] + said[l] * weight / 256);  // zeros and ones alike
    out[l] = static_cast<std::int8_t>(std::clamp<std::int16_t>(sum, -127, 127));
  }
  return out;
}

}  // namespace

Decoder::Decoder(const DecoderParameters& parameters)
    : parameters_(parameters), pairs_(static_cast<std::size_t>(iterations() * kReach + kReach + 1)) {
  for (Pair& pair : pairs_)
    for (SoftPlaces& places : pair.channel) places.fill(127);
  next_ = static_cast<long>(pairs_.size());
}

void Decoder::soft_iteration(long pair, const SoftIteration& iteration) {
  const int weight = static_cast<int>(std::lround(256.0 * iteration.alpha));
  const SoftStage stage{parameters_.ranked, static_cast<int>(std::lround(kUnit * iteration.beta)),
                        static_cast<int>(std::lround(kUnit * parameters_.clip))};
  std::array<SoftPlaces, kLength> words, said;
  Pair& own = at(pair);
  for (int k = 0; k < kColumns; ++k) {
    const Pair& old = at(pair + old_pair(k));
    words[k] = exchange_lanes(together(old.channel[k], old.from_new[k], weight), old_lanes(k));
    words[kColumns + k] = together(own.channel[k], own.from_old[k], weight);
  }
  decode_soft(words, stage, said);
  for (int k = 0; k < kColumns; ++k) {
    at(pair + old_pair(k)).from_old[k] = exchange_lanes(said[k], old_lanes(k));
    own.from_new[k] = said[kColumns + k];
  }
}

void Decoder::decide(long pair) {
  Pair& own = at(pair);
  const int weight = static_cast<int>(std::lround(256.0 * parameters_.soft.back().alpha));
  for (int k = 0; k < kColumns; ++k)
    own.decided[k] =
        negative_lanes(together(together(own.channel[k], own.from_old[k], weight), own.from_new[k], weight));
}

void Decoder::hard_iteration(long pair) {
  const Component& component = Component::get();
  std::array<LaneBits, 17> syndrome{};  // the last: ones in the word
  const auto enter = [&](int place, LaneBits bits) {
    syndrome[16] ^= bits;
    for (int row = 0; row < 16; ++row)
      syndrome[row] ^= bits & -static_cast<LaneBits>(component.columns()[place] >> row & 1);
  };
  for (int k = 0; k < kColumns; ++k) {
    enter(k, exchange_lanes(at(pair + old_pair(k)).decided[k], old_lanes(k)));
    enter(kColumns + k, at(pair).decided[k]);
  }
  LaneBits wrong = 0;
  for (const LaneBits bits : syndrome) wrong |= bits;
  const auto flip = [&](int place, unsigned lane) {
    if (place >= kColumns)
      at(pair).decided[place - kColumns] ^= LaneBits{1} << lane;
    else
      at(pair + old_pair(place)).decided[place] ^= LaneBits{1} << (lane ^ old_lanes(place));
  };
  for (; wrong != 0; wrong &= wrong - 1) {
    const auto lane = static_cast<unsigned>(__builtin_ctz(wrong));
    unsigned s = 0;
    for (int row = 0; row < 16; ++row) s |= (syndrome[row] >> lane & 1) << row;
    if (syndrome[16] >> lane & 1) {  // one error, or three and more
      const int place = component.single(static_cast<std::uint16_t>(s));
      if (place >= 0) flip(place, lane);
    } else if (const int two = component.pair(static_cast<std::uint16_t>(s)); two != 0) {
      flip(two & 255, lane);
      flip(two >> 8, lane);
    }
  }
}

std::optional<PairBits> Decoder::operator()(const PairValues& llr) {
  Pair& fresh = at(next_);
  fresh.channel = llr;
  fresh.from_new = fresh.from_old = {};
  long pair = next_;
  for (const SoftIteration& iteration : parameters_.soft) {
    soft_iteration(pair, iteration);
    pair -= kReach;
  }
  decide(pair);
  for (int h = 0; h < parameters_.hard; ++h) {
    hard_iteration(pair);
    pair -= kReach;
  }
  const long first = static_cast<long>(pairs_.size());
  ++next_;
  if (pair < first) return std::nullopt;
  return at(pair).decided;
}

void quantise(std::span<const float> llr, double mean_magnitude, std::span<std::int8_t> out) {
  const auto scale = static_cast<float>(kUnit / mean_magnitude);
  for (std::size_t n = 0; n < llr.size(); ++n) {
    const long step = std::lrint(std::clamp(std::abs(scale * llr[n]), 1.0F, 127.0F));
    out[n] = static_cast<std::int8_t>(llr[n] < 0.0F ? -step : step);
  }
}

}  // namespace cohlink::fec::ofec
