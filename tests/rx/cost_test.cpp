// Operation counts against instrumented runs: each block's arithmetic done again, step by step, with a number
// type that counts; the values must come out as the block's own, so that it is the same computation.
#include "rx/cost.h"

#include <doctest/doctest.h>
#include <fftw3.h>

#include <cmath>
#include <vector>

#include "rx/blind_phase_search.h"
#include "rx/butterfly.h"
#include "rx/overlap_save.h"
#include "rx/resample.h"
#include "sim/signal/units.h"
#include "tests/rx/generator.h"

using namespace cohlink;

namespace {

struct Counts {
  std::size_t multiplications = 0, additions = 0;
};
Counts counts;

struct Real {
  float v = 0.0f;
  Real() = default;
  Real(float x) : v(x) {}
};
Real operator*(Real a, Real b) { return ++counts.multiplications, Real(a.v * b.v); }
Real operator+(Real a, Real b) { return ++counts.additions, Real(a.v + b.v); }
Real operator-(Real a, Real b) { return ++counts.additions, Real(a.v - b.v); }
bool operator<(Real a, Real b) { return ++counts.additions, a.v < b.v; }
Real magnitude(Real a) { return std::fabs(a.v); }  // a change of sign: free

struct Complex {
  Real re, im;
};
Complex operator+(Complex a, Complex b) { return {a.re + b.re, a.im + b.im}; }
Complex operator-(Complex a, Complex b) { return {a.re - b.re, a.im - b.im}; }
Complex operator*(Complex a, Complex b) { return {a.re * b.re - a.im * b.im, a.re * b.im + a.im * b.re}; }
Complex conj(Complex a) { return {a.re, -a.im.v}; }
Complex times_i(Complex a) { return {-a.im.v, a.re}; }

Complex complex_of(std::complex<double> z) {
  return {static_cast<float>(z.real()), static_cast<float>(z.imag())};
}

// Split radix, decimation in time: R. Yavne (1968), P. Duhamel and H. Hollmann, Electron. Lett. 20(1) 14
// (1984). Products with 1 are left out, those with exp(-i pi/4) done with two multiplications.
std::vector<Complex> split_radix(const std::vector<Complex>& x, std::size_t start, std::size_t stride,
                                 std::size_t n) {
  if (n == 1) return {x[start]};
  if (n == 2) return {x[start] + x[start + stride], x[start] - x[start + stride]};
  const auto even = split_radix(x, start, 2 * stride, n / 2);
  auto first = split_radix(x, start + stride, 4 * stride, n / 4);
  auto third = split_radix(x, start + 3 * stride, 4 * stride, n / 4);
  std::vector<Complex> out(n);
  const auto turned = [n](Complex z, std::size_t k) {
    const Real root(std::sqrt(0.5f));
    if (k == 0) return z;
    if (8 * k == n) return Complex{root * (z.re + z.im), root * (z.im - z.re)};
    if (8 * k == 3 * n) return Complex{root * (z.im - z.re), Real(-(root * (z.re + z.im)).v)};
    return z * complex_of(std::polar(1.0, -kTwoPi * static_cast<double>(k) / static_cast<double>(n)));
  };
  for (std::size_t k = 0; k < n / 4; ++k) {
    const Complex a = turned(first[k], k), b = turned(third[k], 3 * k);
    const Complex sum = a + b, difference = times_i(a - b);
    out[k] = even[k] + sum;
    out[k + n / 2] = even[k] - sum;
    out[k + n / 4] = even[k + n / 4] - difference;
    out[k + 3 * n / 4] = even[k + n / 4] + difference;
  }
  return out;
}

std::vector<Complex> random_row(std::size_t count, const char* name) {
  RandomStream stream = test::stream(name);
  std::vector<Complex> row;
  for (std::size_t n = 0; n < count; ++n) row.push_back(complex_of(stream.complex_normal()));
  return row;
}

void check_counts(const Operations& stated, double times, double tolerance = 1e-12) {
  CHECK(stated.multiplications * times ==
        doctest::Approx(static_cast<double>(counts.multiplications)).epsilon(tolerance));
  CHECK(stated.additions * times ==
        doctest::Approx(static_cast<double>(counts.additions)).epsilon(tolerance));
}

double largest_error(const std::vector<Complex>& a, const std::complex<float>* b) {
  double largest = 0.0;
  for (std::size_t n = 0; n < a.size(); ++n)
    largest =
        std::max(largest, static_cast<double>(std::abs(std::complex<float>(a[n].re.v, a[n].im.v) - b[n])));
  return largest;
}

}  // namespace

TEST_CASE("An FFT's stated operations are those of a split-radix run, and FFTW's are not far") {
  for (const std::size_t n : {4u, 8u, 64u, 1024u, 4096u}) {
    const auto x = random_row(n, "fft");
    ComplexRow<float> row(n);
    for (std::size_t k = 0; k < n; ++k) row[k] = {x[k].re.v, x[k].im.v};
    counts = {};
    const auto y = split_radix(x, 0, 1, n);
    check_counts(fft_operations(n), 1.0);
    test::fft().get<float>(n).forward(row);
    CHECK(largest_error(y, row.data()) < 1e-5 * std::sqrt(static_cast<double>(n)) * std::log2(n));
    // Yavne's total, exactly.
    const double total = 4.0 * n * std::log2(n) - 6.0 * n + 8.0;
    CHECK(fft_operations(n).multiplications + fft_operations(n).additions == doctest::Approx(total));
  }
  for (const std::size_t n : {1024u, 4096u, 16384u}) {
    ComplexRow<float> row(n);
    auto* data = reinterpret_cast<fftwf_complex*>(row.data());
    const FftPlannerLock lock;
    const fftwf_plan plan =
        fftwf_plan_dft_1d(static_cast<int>(n), data, data, FFTW_FORWARD, FFTW_ESTIMATE | FFTW_NO_SIMD);
    // Without vector instructions, each of which FFTW would count as one operation.
    double additions = 0, multiplications = 0, fused = 0;
    fftwf_flops(plan, &additions, &multiplications, &fused);
    fftwf_destroy_plan(plan);
    const Operations stated = fft_operations(n);
    const double ours = stated.additions + stated.multiplications,
                 theirs = additions + multiplications + 2 * fused;
    MESSAGE("FFT of " << n << ": FFTW's operations over the stated ones " << theirs / ours);
    CHECK(theirs / ours > 0.99);  // split radix is near the least known
    CHECK(theirs / ours < 1.2);
  }
}

TEST_CASE("Overlap-save: the stated operations are those of a run, to the sample") {
  const auto response = [](double f) { return std::polar(1.0, 1e-20 * f * f); };
  const OverlapSaveFilter filter(response, 64e9, 40.0 / 64e9, test::fft());
  const std::size_t n = filter.block(), hop = n - 2 * filter.reach();
  // The first block: zeros before the row's start, then as much of the row as fits; `hop` whole outputs.
  Field<float> signal(n - filter.reach(), 64e9);
  auto x = random_row(n, "overlap");
  for (std::size_t k = 0; k < n; ++k) {
    if (k < filter.reach()) x[k] = {};
    if (k >= filter.reach()) signal.x[k - filter.reach()] = {x[k].re.v, x[k].im.v};
  }
  counts = {};
  auto spectrum = split_radix(x, 0, 1, n);
  for (std::size_t k = 0; k < n; ++k)
    spectrum[k] =
        conj(spectrum[k] * complex_of(response(bin_frequency(k, n, 64e9)) / static_cast<double>(n)));
  auto y = split_radix(spectrum, 0, 1, n);  // inverse by conjugates
  for (auto& value : y) value = conj(value);
  check_counts(filter.cost(), 0.5 * static_cast<double>(hop));  // one row of the two
  const Field<float> out = filter(signal);
  const auto reach = static_cast<std::ptrdiff_t>(filter.reach());
  CHECK(largest_error({y.begin() + reach, y.end() - reach}, out.x.data()) < 1e-4);
}

TEST_CASE("Equaliser: filters, constant-modulus error and gradient cost what is stated") {
  constexpr int taps = 15;
  constexpr std::size_t block = ButterflyBlock::kSize, k0 = 64;
  Field<float> signal(512, 64e9);
  for (std::size_t p = 0; p < 2; ++p) {
    const auto row = random_row(512, p == 0 ? "x" : "y");
    for (std::size_t n = 0; n < 512; ++n) (*signal.rows()[p])[n] = {row[n].re.v, row[n].im.v};
  }
  const ButterflyInput in(signal, taps, 0, 256);
  Butterfly filters(taps);
  std::vector<Complex> w(4 * taps);
  for (std::size_t i = 0; i < 2; ++i)
    for (std::size_t j = 0; j < 2; ++j)
      for (int t = 0; t < taps; ++t) {
        const Complex value =
            complex_of(std::polar(0.3 / (1.0 + t), 1.0 * t + static_cast<double>(i + 2 * j)));
        filters.set_tap(i, j, static_cast<std::size_t>(t), {value.re.v, value.im.v});
        w[(2 * i + j) * taps + static_cast<std::size_t>(t)] = value;
      }
  const auto x = [&](std::size_t j, std::size_t k, int t) {
    const int offset = t - taps / 2;
    return Complex{*in.re(j, k, offset), *in.im(j, k, offset)};
  };
  counts = {};
  std::vector<Complex> y(2 * block), e(2 * block), gradient(4 * taps);
  const Real modulus(1.0f), step(1e-3f);
  for (std::size_t i = 0; i < 2; ++i)
    for (std::size_t s = 0; s < block; ++s) {
      for (std::size_t j = 0; j < 2; ++j)
        for (int t = 0; t < taps; ++t)
          y[i * block + s] =
              y[i * block + s] + w[(2 * i + j) * taps + static_cast<std::size_t>(t)] * x(j, k0 + s, t);
      const Complex out = y[i * block + s];
      const Real g = modulus - (out.re * out.re + out.im * out.im);
      e[i * block + s] = {g * out.re, g * out.im};
      for (std::size_t j = 0; j < 2; ++j)
        for (int t = 0; t < taps; ++t) {
          auto& sum = gradient[(2 * i + j) * taps + static_cast<std::size_t>(t)];
          sum = sum + e[i * block + s] * conj(x(j, k0 + s, t));
        }
    }
  for (std::size_t n = 0; n < w.size(); ++n)
    w[n] = w[n] + Complex{step * gradient[n].re, step * gradient[n].im};
  check_counts(butterfly_operations(taps, 2, block) + modulus_error_operations(), block);

  ButterflyBlock out, error;
  filters.filter(in, k0, out);
  for (std::size_t i = 0; i < 2; ++i)
    for (std::size_t s = 0; s < block; ++s) {
      CHECK(std::abs(out.re[i][s] - y[i * block + s].re.v) < 1e-5);
      error.re[i][s] = e[i * block + s].re.v;
      error.im[i][s] = e[i * block + s].im.v;
    }
  filters.adapt(in, k0, error, 1e-3f, true);
  const EqualiserTaps moved = filters.taps();
  for (std::size_t i = 0; i < 2; ++i)
    for (std::size_t j = 0; j < 2; ++j)
      for (std::size_t t = 0; t < static_cast<std::size_t>(taps); ++t)
        CHECK(std::abs(moved[i][j][t].real() - w[(2 * i + j) * taps + t].re.v) < 1e-5);
}

TEST_CASE("Blind phase search: the stated operations are those of a run over its window") {
  for (const auto modulation : {Modulation::kQpsk, Modulation::kQam16}) {
    constexpr int phases = 32, window = 16;
    constexpr std::size_t count = 400, half = window / 2;
    const auto sent = test::random_symbols(modulation, count);
    Field<float> field = test::at_symbol_rate(sent.symbols);
    test::add_noise(field, 0.02);
    for (std::size_t k = 0; k < count; ++k)
      field.x[k] *= std::polar(1.0f, 0.2f), field.y[k] *= std::polar(1.0f, 0.2f);
    const auto axis = [&](Real u) {
      if (modulation == Modulation::kQpsk) {
        const Real d = magnitude(u) - Real(0.70710678f);
        return d * d;
      }
      const Real d = magnitude(magnitude(u) - Real(0.63245553f)) - Real(0.31622777f);
      return d * d;
    };
    std::vector<std::vector<Real>> distance(count, std::vector<Real>(phases));
    std::vector<Real> sums(phases);
    std::vector<std::size_t> best(count);
    counts = {};
    for (std::size_t k = 0; k < count; ++k)
      for (const auto* row : field.rows())
        for (std::size_t b = 0; b < phases; ++b) {
          const double phase = (static_cast<double>(b) / phases - 0.5) * 0.5 * kPi;
          const Complex turned =
              Complex{(*row)[k].real(), (*row)[k].imag()} * complex_of(std::polar(1.0, -phase));
          distance[k][b] = distance[k][b] + (axis(turned.re) + axis(turned.im));
        }
    for (std::size_t k = 0; k < count; ++k) {
      for (std::size_t b = 0; b < phases; ++b) {
        if (k < count - half) sums[b] = sums[b] + distance[k + half][b];
        if (k > half) sums[b] = sums[b] - distance[k - half - 1][b];
      }
      if (k == 0)
        for (std::size_t j = 0; j < half; ++j)
          for (std::size_t b = 0; b < phases; ++b) sums[b] = sums[b] + distance[j][b];
      for (std::size_t b = 1; b < phases; ++b)
        if (sums[b] < sums[best[k]]) best[k] = b;
    }
    // The ends do without some sums and one comparison fewer is needed than there are phases: 5 % at most;
    // the parabola (8 operations) is left out of the run.
    check_counts(phase_search_operations(modulation, phases, 2), count, 0.05);
    const std::complex<float>* rows[] = {field.x.data(), field.y.data()};
    const auto found = BlindPhaseSearch({modulation, window, phases})(rows, count);
    const double grid = 0.5 * kPi / phases;
    for (std::size_t k = half; k < count - half; ++k)
      CHECK(std::abs(std::remainder(found[k] - (static_cast<double>(best[k]) * grid - 0.25 * kPi),
                                    0.5 * kPi)) <= 0.5 * grid + 1e-6);
  }
}

TEST_CASE("Resampler: two real filters a sample, and nothing where the rates agree") {
  const Resampler resampler({64e9, 17.6e9, 4e9});
  CHECK(resampler.cost(64e9).multiplications == 0.0);
  Field<float> signal(600, 80e9);
  for (auto& a : signal.x) a = 1.0f;
  const auto taps = static_cast<std::size_t>(std::lround(2.0 * resampler.edge(80e9) * 80e9));
  // One output sample of both rows as the filter makes it: coefficients on real and imaginary parts.
  counts = {};
  for (int part = 0; part < 4; ++part) {
    Real sum = Real(0.1f) * Real(1.0f);
    for (std::size_t n = 1; n < taps; ++n) sum = sum + Real(0.1f) * Real(1.0f);
  }
  check_counts(resampler.cost(80e9), 1.0);
}
