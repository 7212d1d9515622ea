#include "sim/signal/random.h"

#include <algorithm>

#include "sim/signal/instruction_sets.h"
#include "sim/signal/normals.h"
#include "sim/signal/philox.h"

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

// A compiler clones plain functions for each instruction set, not templates.
COHLINK_VECTOR_CLONES void add(const float* noise, std::size_t count, float* row) {
  for (std::size_t i = 0; i < count; ++i) row[i] += noise[i];
}
COHLINK_VECTOR_CLONES void add(const double* noise, std::size_t count, double* row) {
  for (std::size_t i = 0; i < count; ++i) row[i] += noise[i];
}

}  // namespace

template <class Real>
void RandomStream::fill_normals(std::uint64_t first, double deviation, std::span<Real> out) const {
  constexpr std::size_t kGranule = normals::kGranule;
  const normals::Fill<Real> fill = normals::best_fill<Real>();
  // A granule of which only a part is asked for, at either end, is made aside.
  while (!out.empty()) {
    const std::size_t skipped = first % kGranule, whole = out.size() / kGranule;
    std::size_t done = std::min(kGranule - skipped, out.size());
    if (skipped == 0 && whole > 0) {
      done = whole * kGranule;
      fill(key_, first / kGranule, whole, deviation, out.data());
    } else {
      std::array<Real, kGranule> part;
      fill(key_, first / kGranule, 1, deviation, part.data());
      std::copy_n(part.data() + skipped, done, out.data());
    }
    first += done;
    out = out.subspan(done);
  }
}

template <class Real>
void RandomStream::fill_noise(std::uint64_t first, double rms, std::span<std::complex<Real>> row) const {
  // Complex numbers lie in memory as pairs (ISO C++, [complex.numbers]).
  const std::span<Real> parts(reinterpret_cast<Real*>(row.data()), 2 * row.size());
  fill_normals(2 * first, rms * 0.70710678118654752440, parts);
}

template <class Real>
void RandomStream::add_noise(std::uint64_t first, double rms, std::span<std::complex<Real>> row) const {
  constexpr std::size_t kChunk = 256;
  std::array<std::complex<Real>, kChunk> noise;
  Real* const parts = reinterpret_cast<Real*>(row.data());  // pairs, as in fill_noise
  for (std::size_t start = 0; start < row.size(); start += kChunk) {
    const std::size_t count = std::min(kChunk, row.size() - start);
    fill_noise(first + start, rms, std::span(noise.data(), count));
    add(reinterpret_cast<const Real*>(noise.data()), 2 * count, parts + 2 * start);
  }
}

std::uint64_t RandomStream::bits() {
  if (next_word_ % 2 == 0) words_ = philox::words(key_, next_word_ / 2, philox::Purpose::kBits);
  return words_[next_word_++ % 2];
}

template void RandomStream::fill_normals<float>(std::uint64_t, double, std::span<float>) const;
template void RandomStream::fill_normals<double>(std::uint64_t, double, std::span<double>) const;
template void RandomStream::fill_noise<float>(std::uint64_t, double, std::span<std::complex<float>>) const;
template void RandomStream::fill_noise<double>(std::uint64_t, double, std::span<std::complex<double>>) const;
template void RandomStream::add_noise<float>(std::uint64_t, double, std::span<std::complex<float>>) const;
template void RandomStream::add_noise<double>(std::uint64_t, double, std::span<std::complex<double>>) const;

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
