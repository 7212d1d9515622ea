// Every instruction set's inner loops, in both precisions, against the standard library and FFTW.
#include "sim/signal/propagation/cpu/kernels.h"

#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>
#include <complex>

#include "sim/signal/field.h"
#include "sim/signal/random.h"
#include "sim/signal/units.h"
#include "tests/ffts.h"

using namespace cohlink;
using test::ffts;

namespace {

constexpr const char* kSets[] = {"portable", "avx2", "avx512"};
constexpr std::size_t kCount = 1000 + 7;  // no multiple of any vector
constexpr kernels::BinRun kBins{-300.0, 3.0};
constexpr kernels::PhasePolynomial kPhase{0.01, 1e-4, 1e-8};
using Complex = std::complex<double>;

template <class Real>
struct Pair {
  ComplexRow<Real> x = ComplexRow<Real>(kCount), y = ComplexRow<Real>(kCount);
};

template <class Real>
Pair<Real> noise_pair() {
  Pair<Real> pair;
  RandomStream(3).fill_noise(0, 1.0, std::span(pair.x));
  RandomStream(4).fill_noise(0, 1.0, std::span(pair.y));
  return pair;
}

double bin(std::size_t i) { return kBins.first + kBins.stride * static_cast<double>(i); }
double turns_at(double k) { return k * (kPhase.p1 + k * (kPhase.p2 + k * kPhase.p3)); }
Complex turned(double turns) { return std::polar(1.0, kTwoPi * turns); }

// Largest error of `work` against `expected`(i, x, y), which changes x and y in double precision.
template <class Real, class Work, class Expected>
double worst_error(const Work& work, const Expected& expected) {
  const Pair<Real> start = noise_pair<Real>();
  Pair<Real> made = start;
  work(made.x.data(), made.y.data());
  double worst = 0.0;
  for (std::size_t i = 0; i < kCount; ++i) {
    Complex x(start.x[i]), y(start.y[i]);
    expected(i, x, y);
    worst = std::max({worst, std::abs(x - Complex(made.x[i])), std::abs(y - Complex(made.y[i]))});
  }
  return worst;
}

// Single precision: some twenty roundings of values up to 4; phases are carried in 64 bits. Double precision:
// phases of up to 1000 turns are rounded to 1e-13 turns, by the loops and by the check.
template <class Real>
constexpr double kTolerance = sizeof(Real) == 4 ? 5e-6 : 1e-11;

template <class Real>
void check_samples(const kernels::Kernels<Real>& kernel) {
  CHECK(worst_error<Real>([&](auto* x, auto* y) { kernel.chirp(x, y, kCount, kBins, kPhase, 0.5); },
                          [](std::size_t i, Complex& x, Complex& y) {
                            const Complex h = 0.5 * turned(turns_at(bin(i)));
                            x *= h;
                            y *= h;
                          }) < kTolerance<Real>);
  CHECK(worst_error<Real>([&](auto* x, auto* y) { kernel.twiddle(x, y, kCount, 0.037); },
                          [](std::size_t i, Complex& x, Complex& y) {
                            const Complex h = turned(0.037 * static_cast<double>(i));
                            x *= h;
                            y *= h;
                          }) < kTolerance<Real>);
  const JonesMatrix m = stokes_rotation({0.6, 0.0, 0.8}, 1.1);
  CHECK(worst_error<Real>([&](auto* x, auto* y) { kernel.section(x, y, kCount, kBins, kPhase, 0.0123, m); },
                          [&](std::size_t i, Complex& x, Complex& y) {
                            const double k = bin(i);
                            const Complex a = turned(turns_at(k) - 0.0123 * k) * x,
                                          b = turned(turns_at(k) + 0.0123 * k) * y;
                            x = m.xx * a + m.xy * b;
                            y = m.yx * a + m.yy * b;
                          }) < kTolerance<Real>);
  // In single precision the power's own turns, up to 6, are rounded to 2e-7 twice: 9e-6 on a sample of
  // size 3.
  CHECK(worst_error<Real>([&](auto* x, auto* y) { kernel.kerr(x, y, kCount, 0.37); },
                          [](std::size_t, Complex& x, Complex& y) {
                            const Complex h = turned(0.37 * (std::norm(x) + std::norm(y)));
                            x *= h;
                            y *= h;
                          }) < 3.0 * kTolerance<Real>);
}

}  // namespace

TEST_CASE("every instruction set's work on samples is that of the standard library, in both precisions") {
  for (const char* name : kSets) {
    CAPTURE(name);
    if (kernels::named_kernels<float>(name) == nullptr) continue;  // this processor lacks it
    check_samples<float>(*kernels::named_kernels<float>(name));
    check_samples<double>(*kernels::named_kernels<double>(name));
  }
}

namespace {

template <class Real>
void check_columns(const kernels::Kernels<Real>& kernel, std::size_t rows, double tolerance) {
  constexpr std::size_t kColumns = 32, kStride = 48;
  ComplexRow<Real> x(rows * kStride);
  RandomStream random(5);
  for (auto& a : x) a = std::complex<Real>(random.complex_normal());
  const ComplexRow<Real> start = x;
  kernel.columns(x.data(), rows, kStride, kColumns, false);
  double worst = 0.0;
  for (std::size_t j = 0; j < kColumns; ++j) {
    ComplexRow<double> column(rows);
    for (std::size_t a = 0; a < rows; ++a) column[a] = std::complex<double>(start[a * kStride + j]);
    ffts().get<double>(rows).forward(column);
    for (std::size_t r = 0; r < rows; ++r) {
      const std::size_t c = r / 16 + rows / 16 * (r % 16);
      worst = std::max(worst, std::abs(std::complex<double>(x[r * kStride + j]) - column[c]));
    }
  }
  CHECK(worst < tolerance * std::sqrt(static_cast<double>(rows)));
  kernel.columns(x.data(), rows, kStride, kColumns, true);
  worst = 0.0;
  for (std::size_t i = 0; i < x.size(); ++i) {  // and the columns beside them are untouched
    const std::complex<Real> back = i % kStride < kColumns ? x[i] / static_cast<Real>(rows) : x[i];
    worst = std::max(worst, static_cast<double>(std::abs(back - start[i])));
  }
  CHECK(worst < tolerance);
}

}  // namespace

TEST_CASE("every instruction set's column transforms are DFTs and undo each other") {
  for (const char* name : {"portable", "avx2", "avx512"}) {
    const auto* single = kernels::named_kernels<float>(name);
    if (single == nullptr) continue;
    for (const std::size_t rows : {16u, 64u, 256u, 1024u}) {
      check_columns<float>(*single, rows, 3e-6);  // about 50 and 13 roundings of values up to 4
      check_columns<double>(*kernels::named_kernels<double>(name), rows, 3e-15);
    }
  }
}

namespace {

// One Kerr rotation between column transforms, against the same in three steps.
template <class Real>
void check_kerr_columns(const kernels::Kernels<Real>& kernel, std::size_t rows, double tolerance) {
  constexpr std::size_t kColumns = 32, kStride = 48;
  ComplexRow<Real> x(rows * kStride), y(rows * kStride);
  RandomStream(5).fill_noise(0, 0.3, std::span(x));
  RandomStream(6).fill_noise(0, 0.3, std::span(y));
  ComplexRow<Real> expected_x = x, expected_y = y;
  const auto both = [&](bool inverse) {
    kernel.columns(expected_x.data(), rows, kStride, kColumns, inverse);
    kernel.columns(expected_y.data(), rows, kStride, kColumns, inverse);
  };
  const double turns_per_watt = 0.1 / static_cast<double>(rows);  // the inverse does not scale
  both(true);
  for (std::size_t i = 0; i < x.size(); ++i) {
    if (i % kStride >= kColumns) continue;
    const Complex a(expected_x[i]), b(expected_y[i]);
    const Complex h = turned(turns_per_watt * (std::norm(a) + std::norm(b)));
    expected_x[i] = std::complex<Real>(h * a);
    expected_y[i] = std::complex<Real>(h * b);
  }
  both(false);
  kernel.kerr_columns(x.data(), y.data(), rows, kStride, kColumns, turns_per_watt);
  double worst = 0.0;
  for (std::size_t i = 0; i < x.size(); ++i)
    worst = std::max({worst, static_cast<double>(std::abs(x[i] - expected_x[i])),
                      static_cast<double>(std::abs(y[i] - expected_y[i]))});
  CHECK(worst < tolerance * static_cast<double>(rows));
}

}  // namespace

TEST_CASE("every instruction set's Kerr rotation in columns is transform, rotation, transform") {
  for (const char* name : kSets) {
    CAPTURE(name);
    if (kernels::named_kernels<float>(name) == nullptr) continue;
    for (const std::size_t rows : {16u, 64u, 256u, 1024u}) {
      check_kerr_columns<float>(*kernels::named_kernels<float>(name), rows, 3e-6);  // as the transforms alone
      check_kerr_columns<double>(*kernels::named_kernels<double>(name), rows, 3e-15);
    }
  }
}
