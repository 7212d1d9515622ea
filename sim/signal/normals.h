// Normal numbers of a random stream in bulk: the map of random.h, in a portable, an AVX2 and an AVX-512
// version picked once at run time.
#pragma once

#include <cstddef>
#include <cstdint>

namespace cohlink::normals {

/// Normals are made in granules of so many.
inline constexpr std::size_t kGranule = 128;

/// out[i] = deviation times normal number first * kGranule + i of the stream `key`, i < count * kGranule.
/// Made in single precision for either type, with an error below 5e-7 of a pair's length (the radius of the
/// map): the map's 24 bits of angle are steps of 3.7e-7, so more digits would say nothing.
template <class Real>
using Fill = void (*)(std::uint64_t key, std::uint64_t first, std::size_t count, double deviation, Real* out);

/// The best version for this processor.
template <class Real>
Fill<Real> best_fill();

/// "avx512", "avx2" or "portable", or nullptr where this processor cannot run it: for tests that compare
/// them.
template <class Real>
Fill<Real> named_fill(const char* name);

}  // namespace cohlink::normals
