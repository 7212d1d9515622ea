#include "sim/signal/propagation/cpu/kernels.h"

#include <string_view>

#include "sim/signal/instruction_sets.h"
#include "sim/signal/propagation/cpu/columns.h"
#include "sim/signal/propagation/cpu/pointwise.h"

namespace cohlink::kernels {
namespace {

// The loops above, inlined into functions compiled for one instruction set with registers of BYTES bytes.
#define COHLINK_VERSION(NAME, TARGET, BYTES)                                                                 \
  template <class Real>                                                                                      \
  struct NAME {                                                                                              \
    using C = std::complex<Real>;                                                                            \
    using S = Shape<Real, BYTES / sizeof(Real)>;                                                             \
    TARGET static void chirp_(C* x, C* y, std::size_t n, BinRun b, PhasePolynomial p, double a) {            \
      chirp<S, Real>(x, y, n, b, p, a);                                                                      \
    }                                                                                                        \
    TARGET static void twiddle_(C* x, C* y, std::size_t n, double t) { twiddle<S, Real>(x, y, n, t); }       \
    TARGET static void section_(C* x, C* y, std::size_t n, BinRun b, PhasePolynomial p, double t,            \
                                const JonesMatrix& m) {                                                      \
      section<S, Real>(x, y, n, b, p, t, m);                                                                 \
    }                                                                                                        \
    TARGET static void kerr_(C* x, C* y, std::size_t n, double g) { kerr<S, Real>(x, y, n, g); }             \
    TARGET static void kerr_columns_(C* x, C* y, std::size_t rows, std::size_t d, std::size_t n, double g) { \
      kerr_columns<S, Real>(x, y, rows, d, n, g);                                                            \
    }                                                                                                        \
    TARGET static void columns_(C* x, std::size_t rows, std::size_t d, std::size_t n, bool inverse) {        \
      columns<S, Real>(x, rows, d, n, inverse);                                                              \
    }                                                                                                        \
    static constexpr Kernels<Real> kTable{chirp_, twiddle_, section_, kerr_, kerr_columns_, columns_};       \
  };

COHLINK_VERSION(Portable, , 16)
#if COHLINK_X86
COHLINK_VERSION(Avx2, COHLINK_AVX2, 32)
COHLINK_VERSION(Avx512, COHLINK_AVX512, 64)
#endif

}  // namespace

const char* best_kernels_name() { return has_avx512() ? "avx512" : has_avx2() ? "avx2" : "portable"; }

template <class Real>
const Kernels<Real>* named_kernels(const char* name) {
  const std::string_view wanted(name);
#if COHLINK_X86
  if (wanted == "avx512") return has_avx512() ? &Avx512<Real>::kTable : nullptr;
  if (wanted == "avx2") return has_avx2() ? &Avx2<Real>::kTable : nullptr;
#endif
  return wanted == "portable" ? &Portable<Real>::kTable : nullptr;
}

template <class Real>
const Kernels<Real>& best_kernels() {
  static const Kernels<Real>& best = *named_kernels<Real>(best_kernels_name());
  return best;
}

template const Kernels<float>* named_kernels<float>(const char*);
template const Kernels<double>* named_kernels<double>(const char*);
template const Kernels<float>& best_kernels<float>();
template const Kernels<double>& best_kernels<double>();

}  // namespace cohlink::kernels
