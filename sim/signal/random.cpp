#include "sim/signal/random.h"

namespace cohlink {
namespace {

// SplitMix64's finaliser (Steele, Lea, Flood, OOPSLA 2014): a bijection with full avalanche.
std::uint64_t mix(std::uint64_t z) {
  z += 0x9e3779b97f4a7c15u;
  z = (z ^ (z >> 30)) * 0xbf58476d1ce4e5b9u;
  z = (z ^ (z >> 27)) * 0x94d049bb133111ebu;
  return z ^ (z >> 31);
}

}  // namespace

RandomStream RandomStreams::stream(std::string_view source) const {
  std::uint64_t h = mix(seed_);
  for (const char c : source) h = mix(h ^ static_cast<unsigned char>(c));
  h = mix(h ^ frame_);
  h = mix(h ^ (point_ + 0x632be59bd9b4e019u));
  return RandomStream(h);
}

}  // namespace cohlink
