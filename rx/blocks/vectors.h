// Vectors of 16 floats, and loops compiled once for each instruction set and chosen at run time.
#pragma once

#include <cstddef>
#include <cstdint>

#include "sim/signal/vectors.h"

/// Before a function: versions of it for AVX-512 and AVX2 stand beside the plain one, and the first call
/// picks what the processor has, so that a portable binary runs its loops at full width. (Sanitizers start
/// too late for that choice.)
#if defined(__x86_64__) && defined(__GNUC__) && !defined(__clang__) && !defined(__SANITIZE_ADDRESS__)
#define COHLINK_VECTOR_CLONES __attribute__((target_clones("arch=x86-64-v4", "arch=x86-64-v3", "default")))
#else
#define COHLINK_VECTOR_CLONES
#endif

namespace cohlink::vectors {

/// 16 floats; the compiler cuts them to the registers of each version.
constexpr std::size_t kWidth = 16;
typedef float Floats __attribute__((vector_size(64)));
typedef std::uint32_t Words __attribute__((vector_size(64)));
typedef float EightFloats __attribute__((vector_size(32)));
typedef float FourFloats __attribute__((vector_size(16)));

/// Sixteen floats where no other vector is named.
template <class T>
COHLINK_VECTOR_INLINE Floats load(const T* p) {
  return load<Floats, T>(p);
}
COHLINK_VECTOR_INLINE Floats magnitude(const Floats& v) { return bits<Floats>(bits<Words>(v) & 0x7fffffffu); }

}  // namespace cohlink::vectors
