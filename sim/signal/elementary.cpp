#include "sim/signal/elementary.h"

#include <algorithm>
#include <array>
#include <cstdint>
#include <string_view>

#include "sim/signal/elementary_series.h"
#include "sim/signal/instruction_sets.h"
#include "sim/signal/vectors.h"

namespace cohlink::elementary {
namespace {

template <int kLanes>
struct Shape {
  typedef double R __attribute__((vector_size(8 * kLanes)));
  typedef std::uint64_t W __attribute__((vector_size(8 * kLanes)));
  static constexpr std::size_t kWidth = kLanes;
};

// Calls body(vector) on kWidth numbers at a time; the rest goes through a copy padded with ones.
template <class S, class Body>
COHLINK_VECTOR_INLINE void for_vectors(double* x, std::size_t count, const Body& body) {
  using R = typename S::R;
  std::size_t i = 0;
  for (; i + S::kWidth <= count; i += S::kWidth) vectors::store(x + i, body(vectors::load<R>(x + i)));
  if (i == count) return;
  std::array<double, S::kWidth> rest;
  rest.fill(1.0);
  std::copy(x + i, x + count, rest.begin());
  vectors::store(rest.data(), body(vectors::load<R>(rest.data())));
  std::copy_n(rest.begin(), count - i, x + i);
}

template <class S>
COHLINK_VECTOR_INLINE void exponentials(double* x, std::size_t count) {
  using R = typename S::R;
  for_vectors<S>(
      x, count, [](const R& v) __attribute__((always_inline)) {
        constexpr double kMost = 708.0;
        const R above = v < -kMost ? R{} - kMost : v;
        return vectors::exp_series<R, typename S::W>(above > kMost ? R{} + kMost : above);
      });
}

template <class S>
COHLINK_VECTOR_INLINE void logarithms(double* x, std::size_t count) {
  using R = typename S::R;
  for_vectors<S>(
      x, count,
      [](const R& v) __attribute__((always_inline)) { return vectors::log_series<R, typename S::W>(v); });
}

void exponential_portable(double* x, std::size_t count) { exponentials<Shape<2>>(x, count); }
void logarithm_portable(double* x, std::size_t count) { logarithms<Shape<2>>(x, count); }
constexpr Functions kPortable{exponential_portable, logarithm_portable};
#if COHLINK_X86
COHLINK_AVX2 void exponential_avx2(double* x, std::size_t count) { exponentials<Shape<4>>(x, count); }
COHLINK_AVX2 void logarithm_avx2(double* x, std::size_t count) { logarithms<Shape<4>>(x, count); }
constexpr Functions kAvx2{exponential_avx2, logarithm_avx2};
COHLINK_AVX512 void exponential_avx512(double* x, std::size_t count) { exponentials<Shape<8>>(x, count); }
COHLINK_AVX512 void logarithm_avx512(double* x, std::size_t count) { logarithms<Shape<8>>(x, count); }
constexpr Functions kAvx512{exponential_avx512, logarithm_avx512};
#endif

}  // namespace

const Functions* named_functions(const char* name) {
  const std::string_view wanted(name);
#if COHLINK_X86
  if (wanted == "avx512") return has_avx512() ? &kAvx512 : nullptr;
  if (wanted == "avx2") return has_avx2() ? &kAvx2 : nullptr;
#endif
  return wanted == "portable" ? &kPortable : nullptr;
}

const Functions& best_functions() {
  static const Functions& best = *named_functions(has_avx512() ? "avx512" : has_avx2() ? "avx2" : "portable");
  return best;
}

}  // namespace cohlink::elementary
