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

std::uint64_t hash_name(std::uint64_t h, std::string_view name) {
  for (const char c : name) h = mix(h ^ static_cast<unsigned char>(c));
  return h;
}

}  // namespace

RandomStreams RandomStreams::of(std::string_view instance) const {
  return RandomStreams(mix(hash_name(mix(seed_ ^ 0x2545f4914f6cdd1du), instance)), frame_, point_);
}

RandomStream RandomStreams::stream(std::string_view source) const {
  std::uint64_t h = hash_name(mix(seed_), source);
  h = mix(h ^ frame_);
  h = mix(h ^ (point_ + 0x632be59bd9b4e019u));
  return RandomStream(h);
}

}  // namespace cohlink
