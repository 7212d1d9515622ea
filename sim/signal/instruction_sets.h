// Functions compiled for one instruction set each, picked at run time: names of the sets for the compiler and
// whether this processor has them. (Clang wants the set named on every small function that a vector passes
// through, so under it the plain loops stand alone.)
#pragma once

#if defined(__x86_64__) && defined(__GNUC__) && !defined(__clang__)
#define COHLINK_X86 1
#define COHLINK_AVX2 __attribute__((target("avx2,fma")))
#define COHLINK_AVX512 \
  __attribute__((target("avx512f,avx512dq,avx512vl,avx512bw,fma,prefer-vector-width=512")))
#else
#define COHLINK_X86 0
#endif

/// Before a function: versions of it for AVX-512 and AVX2 stand beside the plain one, and the first call
/// picks what the processor has, so that a portable binary runs its loops at full width. A build for one
/// processor (-march=native) has the one version; GCC 12 fails on clones of it. (Sanitizers start too late
/// for that choice.)
#if COHLINK_X86 && !defined(__SANITIZE_ADDRESS__) && !defined(__SANITIZE_THREAD__) && !defined(__AVX__)
#define COHLINK_VECTOR_CLONES __attribute__((target_clones("arch=x86-64-v4", "arch=x86-64-v3", "default")))
#else
#define COHLINK_VECTOR_CLONES
#endif

namespace cohlink {

inline bool has_avx512() {
#if COHLINK_X86
  return __builtin_cpu_supports("avx512f") && __builtin_cpu_supports("avx512dq") &&
         __builtin_cpu_supports("avx512vl") && __builtin_cpu_supports("avx512bw") &&
         __builtin_cpu_supports("fma");
#else
  return false;
#endif
}

inline bool has_avx2() {
#if COHLINK_X86
  return __builtin_cpu_supports("avx2") && __builtin_cpu_supports("fma");
#else
  return false;
#endif
}

}  // namespace cohlink
