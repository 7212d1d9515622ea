#include "sim/signal/phasors.h"

#include <algorithm>
#include <cstdint>
#include <numbers>
#include <stdexcept>
#include <string_view>
#include <utility>

#include "sim/signal/instruction_sets.h"
#include "sim/signal/sine_series.h"
#include "sim/signal/vectors.h"

namespace cohlink::phasors {
namespace {

using vectors::bits;
using vectors::load;
using vectors::store;

// Phase in turns = m/2 + r with |r| <= 1/4, and half a turn only changes both signs.
template <int kLanes>
COHLINK_VECTOR_INLINE void fill_vector(const double* phase, double* out) {
  using R = typename vectors::Doubles<kLanes>::R;
  using W = typename vectors::Doubles<kLanes>::W;
  constexpr double kRounder = 0x1.8p52;  // adding it leaves a rounded number in the low bits of the pattern
  constexpr std::make_integer_sequence<int, kLanes> lanes{};
  const R turns = load<R>(phase) * (0.5 * std::numbers::inv_pi);
  const R shifted = turns * 2.0 + kRounder;
  const R r = turns - 0.5 * (shifted - kRounder), u = r * r;
  const W sign = bits<W>(shifted) << 63;
  const R c = bits<R>(bits<W>(vectors::cosine_series(u, 0.0)) ^ sign);
  const R s = bits<R>(bits<W>(r * vectors::sine_series(u, 0.0)) ^ sign);
  store(out, vectors::interleave<1, 0>(c, s, lanes));
  store(out + kLanes, vectors::interleave<1, 1>(c, s, lanes));
}

template <int kLanes>
COHLINK_VECTOR_INLINE void fill(const double* phase, std::size_t count, std::complex<double>* out) {
  auto* flat = reinterpret_cast<double*>(out);  // as std::complex promises
  std::size_t k = 0;
  for (; k + kLanes <= count; k += kLanes) fill_vector<kLanes>(phase + k, flat + 2 * k);
  if (k == count) return;
  double rest[kLanes] = {}, pairs[2 * kLanes];
  std::copy(phase + k, phase + count, rest);
  fill_vector<kLanes>(rest, pairs);
  std::copy(pairs, pairs + 2 * (count - k), flat + 2 * k);
}

void fill_portable(const double* phase, std::size_t count, std::complex<double>* out) {
  fill<2>(phase, count, out);
}
#if COHLINK_X86
COHLINK_AVX2 void fill_avx2(const double* phase, std::size_t count, std::complex<double>* out) {
  fill<4>(phase, count, out);
}
COHLINK_AVX512 void fill_avx512(const double* phase, std::size_t count, std::complex<double>* out) {
  fill<8>(phase, count, out);
}
#endif

}  // namespace

Fill named_fill(const char* instruction_set) {
  const std::string_view wanted = instruction_set;
#if COHLINK_X86
  if (wanted == "avx512") return has_avx512() ? fill_avx512 : nullptr;
  if (wanted == "avx2") return has_avx2() ? fill_avx2 : nullptr;
#endif
  return wanted == "portable" ? fill_portable : nullptr;
}

}  // namespace cohlink::phasors

namespace cohlink {

void fill_phasors(std::span<const double> phase, std::span<std::complex<double>> out) {
  static const phasors::Fill best = phasors::named_fill(has_avx512() ? "avx512"
                                                        : has_avx2() ? "avx2"
                                                                     : "portable");
  if (phase.size() != out.size()) throw std::invalid_argument("as many phasors as phases");
  best(phase.data(), phase.size(), out.data());
}

}  // namespace cohlink
