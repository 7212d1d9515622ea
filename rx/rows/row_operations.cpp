#include "rx/rows/row_operations.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <limits>
#include <stdexcept>

#include "rx/rows/vectors.h"
#include "sim/signal/units.h"

namespace cohlink {
namespace {

using namespace vectors;

struct Sums {
  Floats re = {}, im = {}, of_y = {}, of_a = {};
};

COHLINK_VECTOR_INLINE void add(Sums& sums, const ComplexFloats& y, const ComplexFloats& a) {
  sums.re += y.re * a.re + y.im * a.im;
  sums.im += y.im * a.re - y.re * a.im;
  sums.of_y += y.re * y.re + y.im * y.im;
  sums.of_a += a.re * a.re + a.im * a.im;
}

// Symbols behind the end count as zeros.
COHLINK_VECTOR_CLONES
void correlate(const std::complex<float>* y, const std::complex<float>* a, std::size_t count,
               Correlation* runs) {
  for (std::size_t start = 0; start < count; start += Correlation::kRun) {
    Sums total;
    for (std::size_t k = start; k < std::min(count, start + Correlation::kRun); k += kWidth)
      add(total, load_complex(y + k, count - k), load_complex(a + k, count - k));
    const FourFloats of = sums(total.re, total.im, total.of_y, total.of_a);
    *runs++ = {{of[0], of[1]}, of[2], of[3]};
  }
}

constexpr std::size_t kLongRun = 64 * kWidth;  // summed in single precision: 64 terms a lane

COHLINK_VECTOR_CLONES
double sum_distances(const std::complex<float>* y, const std::complex<float>* a, std::size_t count,
                     std::complex<float> gain) {
  const ComplexFloats by = all(gain);
  double total = 0.0;
  for (std::size_t start = 0; start < count; start += kLongRun) {
    Floats sum = {};
    for (std::size_t k = start; k < std::min(count, start + kLongRun); k += kWidth) {
      const ComplexFloats away = load_complex(y + k, count - k) - load_complex(a + k, count - k) * by;
      sum += away.re * away.re + away.im * away.im;
    }
    const FourFloats of = fold(sum);
    total += static_cast<double>(of[0] + of[1]) + static_cast<double>(of[2] + of[3]);
  }
  return total;
}

// The nearest of equally spaced levels about zero, of either axis.
struct AxisNearest {
  explicit AxisNearest(const AxisLevels& axis)
      : spacing(static_cast<float>(axis.spacing)),
        per_spacing(1.0f / spacing),
        outermost(0.5f * static_cast<float>(axis.count() - 1)) {}
  COHLINK_VECTOR_INLINE Floats level(const Floats& u) const {
    constexpr float kRounder = 0x1.8p23f;  // leaves the nearest whole number
    const Floats whole = (u * per_spacing - 0.5f + kRounder) - kRounder;
    return spacing * lesser(greater(whole + 0.5f, all(-outermost)), all(outermost));
  }
  COHLINK_VECTOR_INLINE ComplexFloats operator()(const ComplexFloats& y) const {
    return {level(y.re), level(y.im)};
  }
  float spacing, per_spacing, outermost;
};

struct PointNearest {
  explicit PointNearest(const Constellation& c) : points(c.single()) {}
  COHLINK_VECTOR_INLINE ComplexFloats operator()(const ComplexFloats& y) const {
    ComplexFloats best = all(points[0]);
    Floats least = all(std::numeric_limits<float>::max());
    for (const std::complex<float>& point : points) {
      const ComplexFloats away = y - all(point);
      const Floats square = away.re * away.re + away.im * away.im;
      best = {choose(square < least, all(point.real()), best.re),
              choose(square < least, all(point.imag()), best.im)};
      least = lesser(square, least);
    }
    return best;
  }
  Row points;
};

template <class Nearest>
COHLINK_VECTOR_INLINE void decide(const Nearest& nearest, const std::complex<float>* row, std::size_t count,
                                  std::complex<float>* out) {
  for (std::size_t k = 0; k < count; k += kWidth)
    store_complex(out + k, nearest(load_complex(row + k, count - k)), count - k);
}
COHLINK_VECTOR_CLONES
void decide(const Constellation& c, const std::complex<float>* row, std::size_t count,
            std::complex<float>* out) {
  if (c.axis().count() > 0)
    decide(AxisNearest(c.axis()), row, count, out);
  else
    decide(PointNearest(c), row, count, out);
}

COHLINK_VECTOR_CLONES
void to_fourth(const std::complex<float>* row, std::size_t count, std::complex<float>* out) {
  for (std::size_t k = 0; k < count; k += kWidth) {
    const ComplexFloats y = load_complex(row + k, count - k), square = y * y;
    store_complex(out + k, square * square, count - k);
  }
}

COHLINK_VECTOR_CLONES
PowerSums sum_powers(const std::complex<float>* row, std::size_t count) {
  PowerSums total;
  for (std::size_t start = 0; start < count; start += kLongRun) {
    Floats second = {}, fourth = {};
    for (std::size_t k = start; k < std::min(count, start + kLongRun); k += kWidth) {
      const ComplexFloats y = load_complex(row + k, count - k);
      const Floats power = y.re * y.re + y.im * y.im;
      second += power;
      fourth += power * power;
    }
    const FourFloats of = sums(second, fourth, second, fourth);
    total.second += static_cast<double>(of[0]);
    total.fourth += static_cast<double>(of[1]);
  }
  return total;
}

COHLINK_VECTOR_CLONES
double sum_coherence(const std::complex<float>* row, std::size_t count, std::complex<float> expected) {
  double total = 0.0;
  for (std::size_t start = 0; start < count; start += kLongRun) {
    Floats sum = {};
    for (std::size_t k = start; k < std::min(count, start + kLongRun); k += kWidth) {
      const ComplexFloats y = load_complex(row + k, count - k), square = y * y, fourth = square * square;
      const Floats power = y.re * y.re + y.im * y.im, size = power * power;
      const Floats along = fourth.re * expected.real() + fourth.im * expected.imag();
      sum += size > 0.0f ? along / size : Floats{};
    }
    const FourFloats of = fold(sum);
    total += static_cast<double>(of[0] + of[1]) + static_cast<double>(of[2] + of[3]);
  }
  return total;
}

COHLINK_VECTOR_CLONES
void weigh(const std::complex<float>* row, const float* weight, std::size_t count, std::complex<float>* out) {
  const auto* x = reinterpret_cast<const float*>(row);
  auto* y = reinterpret_cast<float*>(out);
  std::size_t k = 0;
  for (; k + kWidth <= count; k += kWidth) {
    const Floats w = load(weight + k);
    store(y + 2 * k,
          load(x + 2 * k) * __builtin_shufflevector(w, w, 0, 0, 1, 1, 2, 2, 3, 3, 4, 4, 5, 5, 6, 6, 7, 7));
    store(y + 2 * k + kWidth,
          load(x + 2 * k + kWidth) *
              __builtin_shufflevector(w, w, 8, 8, 9, 9, 10, 10, 11, 11, 12, 12, 13, 13, 14, 14, 15, 15));
  }
  for (; k < count; ++k) out[k] = weight[k] * row[k];
}
COHLINK_VECTOR_CLONES
void narrow(const double* in, std::size_t count, float* out) {
  for (std::size_t k = 0; k < count; ++k) out[k] = static_cast<float>(in[k]);
}
COHLINK_VECTOR_CLONES
void add_powers(double* power, const std::complex<float>* row, std::size_t count) {
  for (std::size_t k = 0; k < count; ++k)
    power[k] += static_cast<double>(row[k].real() * row[k].real() + row[k].imag() * row[k].imag());
}
COHLINK_VECTOR_CLONES
void multiply(std::complex<float>* row, const std::complex<float>* other, std::size_t count) {
  for (std::size_t k = 0; k < count; k += kWidth)
    store_complex(row + k, load_complex(row + k, count - k) * load_complex(other + k, count - k), count - k);
}

// Quarter turns nearest to eight phases, and what is left of these.
struct Reduced {
  EightFloats rest;
  EightWords quarters;
};
COHLINK_VECTOR_INLINE Reduced reduce(const double* phase) {
  constexpr double kRounder = 0x1.8p52;  // leaves the nearest whole number in the low bits of the pattern
  const EightDoubles p = load<EightDoubles>(phase), shifted = p * (2.0 / kPi) + kRounder;
  return {__builtin_convertvector(p - (shifted - kRounder) * (0.5 * kPi), EightFloats),
          bits<EightWords>(shifted)};
}

COHLINK_VECTOR_INLINE ComplexFloats phasors_of(const double* phase) {
  const Reduced low = reduce(phase), high = reduce(phase + 8);
  const Floats r =
      __builtin_shufflevector(low.rest, high.rest, 0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15);
  typedef std::uint32_t HalfWords __attribute__((vector_size(32)));
  const Words quarters = __builtin_shufflevector(__builtin_convertvector(low.quarters, HalfWords),
                                                 __builtin_convertvector(high.quarters, HalfWords), 0, 1, 2,
                                                 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15);
  const Floats q = r * r;
  const Floats sine = r * (1.0f - q * (1.0f / 6 - q * (1.0f / 120 - q * (1.0f / 5040))));
  const Floats cosine = 1.0f - q * (0.5f - q * (1.0f / 24 - q * (1.0f / 720 - q * (1.0f / 40320))));
  // cos and -sin of the whole phase: exchanged by odd quarters, their signs in bit 1 of quarters + 1 and of
  // quarters, the sine's turned.
  const auto odd = (quarters & 1u) != 0u;
  const Words of_cosine = ((quarters + 1u) & 2u) << 30, of_sine = ((quarters + 2u) & 2u) << 30;
  return {bits<Floats>(bits<Words>(odd ? sine : cosine) ^ of_cosine),
          bits<Floats>(bits<Words>(odd ? cosine : sine) ^ of_sine)};
}
COHLINK_VECTOR_INLINE ComplexFloats phasors_of(const double* phase, std::size_t count) {
  if (count >= kWidth) return phasors_of(phase);
  alignas(64) double some[kWidth] = {};
  std::copy_n(phase, count, some);
  return phasors_of(some);
}

COHLINK_VECTOR_CLONES
void fill_phasors(const double* phase, std::size_t count, std::complex<float>* out) {
  for (std::size_t k = 0; k < count; k += kWidth)
    store_complex(out + k, phasors_of(phase + k, count - k), count - k);
}
COHLINK_VECTOR_CLONES
void multiply_phasors(const double* phase, std::size_t count, std::complex<float>* row) {
  for (std::size_t k = 0; k < count; k += kWidth)
    store_complex(row + k, load_complex(row + k, count - k) * phasors_of(phase + k, count - k), count - k);
}

COHLINK_VECTOR_CLONES
void multiply(std::complex<float>* row, std::size_t count, std::complex<float> factor) {
  const ComplexFloats by = all(factor);
  for (std::size_t k = 0; k < count; k += kWidth)
    store_complex(row + k, load_complex(row + k, count - k) * by, count - k);
}

COHLINK_VECTOR_CLONES
void multiply_steadily(std::complex<float>* row, const std::complex<float>* turns, std::size_t count,
                       std::complex<float> base) {
  const ComplexFloats by = all(base);
  for (std::size_t k = 0; k < count; k += kWidth)
    store_complex(row + k, load_complex(row + k, count - k) * (by * load_complex(turns + k)), count - k);
}

COHLINK_VECTOR_CLONES
void take_away(std::complex<float>* row, std::size_t count, std::complex<float> factor,
               const std::complex<float>* other) {
  const ComplexFloats by = all(factor);
  for (std::size_t k = 0; k < count; k += kWidth)
    store_complex(row + k, load_complex(row + k, count - k) - load_complex(other + k, count - k) * by,
                  count - k);
}

void check_lengths(std::size_t one, std::size_t other) {
  if (one != other) throw std::invalid_argument("rows of unequal lengths");
}

}  // namespace

Correlation& Correlation::operator+=(const Correlation& other) {
  cross += other.cross;
  of_y += other.of_y;
  of_a += other.of_a;
  return *this;
}

std::vector<Correlation> correlations(Row y, Row a) {
  check_lengths(y.size(), a.size());
  std::vector<Correlation> runs((y.size() + Correlation::kRun - 1) / Correlation::kRun);
  correlate(y.data(), a.data(), y.size(), runs.data());
  return runs;
}

Correlation correlation(Row y, Row a) {
  Correlation total;
  for (const Correlation& run : correlations(y, a)) total += run;
  return total;
}

double square_distance(Row y, Row a, std::complex<float> gain) {
  check_lengths(y.size(), a.size());
  return sum_distances(y.data(), a.data(), y.size(), gain);
}

ComplexRow<float> nearest_points(Row row, const Constellation& c) {
  ComplexRow<float> out(row.size());
  decide(c, row.data(), row.size(), out.data());
  return out;
}

ComplexRow<float> fourth_powers(Row row) {
  ComplexRow<float> out(row.size());
  to_fourth(row.data(), row.size(), out.data());
  return out;
}

double fourth_power_coherence(Row row, std::complex<float> expected) {
  return sum_coherence(row.data(), row.size(), expected);
}

void weigh(Row row, std::span<const float> weight, std::span<std::complex<float>> out) {
  check_lengths(row.size(), weight.size());
  check_lengths(row.size(), out.size());
  weigh(row.data(), weight.data(), row.size(), out.data());
}

void add_powers(std::span<double> power, Row row) {
  check_lengths(power.size(), row.size());
  add_powers(power.data(), row.data(), row.size());
}

void narrow(std::span<const std::complex<double>> in, std::span<std::complex<float>> out) {
  check_lengths(in.size(), out.size());
  narrow(reinterpret_cast<const double*>(in.data()), 2 * in.size(), reinterpret_cast<float*>(out.data()));
}

PowerSums power_sums(Row row) { return sum_powers(row.data(), row.size()); }

ComplexRow<float> phasors_back(std::span<const double> phase) {
  ComplexRow<float> out(phase.size());
  fill_phasors(phase.data(), phase.size(), out.data());
  return out;
}

void turn_back(std::span<std::complex<float>> row, std::span<const double> phase) {
  check_lengths(row.size(), phase.size());
  multiply_phasors(phase.data(), row.size(), row.data());
}

void turn_steadily(std::span<std::complex<float>> row, double cycles) {
  constexpr std::size_t kTurns = 256;
  std::array<double, kTurns> phase;
  for (std::size_t k = 0; k < kTurns; ++k) phase[k] = kTwoPi * cycles * static_cast<double>(k);
  const ComplexRow<float> turns = phasors_back(phase);
  for (std::size_t start = 0; start < row.size(); start += kTurns) {
    const std::span part = row.subspan(start, std::min(kTurns, row.size() - start));
    const std::complex<double> base =
        std::polar(1.0, -kTwoPi * std::fmod(cycles * static_cast<double>(start), 1.0));
    multiply_steadily(part.data(), turns.data(), part.size(), std::complex<float>(base));
  }
}

void multiply(std::span<std::complex<float>> row, Row other) {
  check_lengths(row.size(), other.size());
  multiply(row.data(), other.data(), row.size());
}

void scale(std::span<std::complex<float>> row, std::complex<float> factor) {
  multiply(row.data(), row.size(), factor);
}

void subtract(std::span<std::complex<float>> row, std::complex<float> factor, Row other) {
  check_lengths(row.size(), other.size());
  take_away(row.data(), row.size(), factor, other.data());
}

}  // namespace cohlink
