// Operation counts against instrumented runs: each block's arithmetic done again, step by step, with a number
// type that counts; the values must come out as the block's own, so that it is the same computation.
#include "rx/stage/cost.h"
#include "rx/blocks/operations.h"

#include <doctest/doctest.h>
#include <fftw3.h>

#include <algorithm>
#include <cmath>
#include <vector>

#include "rx/blocks/back_propagation.h"
#include "rx/blocks/blind_phase_search.h"
#include "rx/blocks/butterfly.h"
#include "rx/blocks/clock_recovery.h"
#include "rx/blocks/clock_tone.h"
#include "rx/blocks/coarse_frequency.h"
#include "rx/blocks/decision.h"
#include "rx/blocks/decision_phase.h"
#include "rx/blocks/deskew.h"
#include "rx/blocks/equaliser.h"
#include "rx/blocks/fourth_power_phase.h"
#include "rx/blocks/frequency.h"
#include "rx/blocks/interpolator.h"
#include "rx/blocks/lanes.h"
#include "rx/blocks/overlap_save.h"
#include "rx/blocks/resample.h"
#include "rx/blocks/widely_linear.h"
#include "sim/signal/line/read_line.h"
#include "sim/signal/propagation/engine.h"
#include "sim/signal/units.h"
#include "tests/rx/generator.h"

using namespace cohlink;

namespace {

struct Counts {
  std::size_t multiplications = 0, additions = 0, look_ups = 0;
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
Real operator/(Real a, Real b) { return ++counts.multiplications, Real(a.v / b.v); }
Real doubled(Real a) { return ++counts.additions, Real(a.v + a.v); }
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
  CHECK(stated.look_ups * times == doctest::Approx(static_cast<double>(counts.look_ups)).epsilon(tolerance));
}

Real with_sign(float size, Real of) { return std::copysign(size, of.v); }  // a change of sign: free
Complex operator*(Real a, Complex b) { return {a * b.re, a * b.im}; }
Complex phasor(double phase) { return ++counts.look_ups, complex_of(std::polar(1.0, phase)); }
Real squared(Complex a) { return a.re * a.re + a.im * a.im; }
// (a + ib)^2 with three multiplications: 2 ab is a sum.
Complex square(Complex a) { return {a.re * a.re - a.im * a.im, doubled(a.re * a.im)}; }
double angle(Complex a) { return ++counts.look_ups, std::atan2(a.im.v, a.re.v); }
Complex complex_of(std::complex<float> z) { return {z.real(), z.imag()}; }

Complex decided(Modulation modulation, Complex z) {
  if (modulation == Modulation::kQpsk) return {with_sign(0.70710678f, z.re), with_sign(0.70710678f, z.im)};
  const auto level = [](Real u) {
    return with_sign(Real(0.63245553f) < magnitude(u) ? 0.94868330f : 0.31622777f, u);
  };
  return {level(z.re), level(z.im)};
}

// Distance to the nearest level, squared.
Real axis_distance(Modulation modulation, Real u) {
  const Real d = modulation == Modulation::kQpsk
                     ? magnitude(u) - Real(0.70710678f)
                     : magnitude(magnitude(u) - Real(0.63245553f)) - Real(0.31622777f);
  return d * d;
}

// Noisy symbols of both rows, turned.
Field<float> noisy_symbols(Modulation modulation, std::size_t count, double phase, double noise) {
  Field<float> field = test::at_symbol_rate(test::random_symbols(modulation, count).symbols);
  test::add_noise(field, noise);
  for (auto* row : field.rows())
    for (auto& y : *row) y *= std::complex<float>(std::polar(1.0, phase));
  return field;
}

constexpr Modulation kFormats[] = {Modulation::kQpsk, Modulation::kQam16};

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
          distance[k][b] =
              distance[k][b] + (axis_distance(modulation, turned.re) + axis_distance(modulation, turned.im));
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
    // The ends do without some sums: 5 % at most; the parabola (8 operations) is left out of the run.
    check_counts(phase_search_operations(modulation, phases, 2), count, 0.05);
    const std::complex<float>* rows[] = {field.x.data(), field.y.data()};
    const auto found = BlindPhaseSearch({modulation, window, phases})(rows, count);
    const double grid = 0.5 * kPi / phases;
    for (std::size_t k = half; k < count - half; ++k)
      CHECK(std::abs(std::remainder(found[k] - (static_cast<double>(best[k]) * grid - 0.25 * kPi),
                                    0.5 * kPi)) <= 0.5 * grid + 1e-6);
  }
}

TEST_CASE("Decision-directed error: the stated operations are those of a run, and its phase the search's") {
  for (const auto modulation : kFormats) {
    constexpr int phases = 32;
    constexpr std::size_t block = ButterflyBlock::kSize;
    const Field<float> y = noisy_symbols(modulation, block, 0.3, 0.01);
    const Complex base = complex_of(std::polar(1.0, -0.5));
    counts = {};
    std::vector<Complex> offset(block);
    for (std::size_t s = 0; s < block; ++s)
      offset[s] = base * complex_of(std::polar(1.0, -0.01 * static_cast<double>(s)));
    for (const auto* row : y.rows()) {
      Real gain(1.0f);
      const Real scale = Real(1.0f) / gain;
      std::vector<Complex> turned(block);
      std::vector<Real> sums(phases);
      for (std::size_t s = 0; s < block; ++s) turned[s] = (scale * complex_of((*row)[s])) * offset[s];
      for (std::size_t s = 0; s < block; ++s)
        for (std::size_t b = 0; b < phases; ++b) {
          const double test_phase = (static_cast<double>(b) / phases - 0.5) * 0.5 * kPi;
          const Complex z = turned[s] * complex_of(std::polar(1.0, -test_phase));
          sums[b] = sums[b] + (axis_distance(modulation, z.re) + axis_distance(modulation, z.im));
        }
      std::size_t best = 0;
      for (std::size_t b = 1; b < phases; ++b)
        if (sums[b] < sums[best]) best = b;
      const Real left = sums[(best + phases - 1) % phases], right = sums[(best + 1) % phases];
      const Real shift = Real(0.5f) * ((left - right) / ((left - doubled(sums[best])) + right));
      const Real place = Real(static_cast<float>(best)) + shift;
      const Real phase =
          Real(static_cast<float>(0.5 * kPi / phases)) * place;  // and a constant, of the table
      std::vector<std::complex<float>> seen;
      for (const Complex& z : turned) seen.push_back({z.re.v, z.im.v});
      CHECK(phase.v - 0.25 * kPi ==
            doctest::Approx(BlindPhaseSearch({modulation, static_cast<int>(block), phases}).block_phase(seen))
                .epsilon(1e-4));
      const Complex carrier = phasor(phase.v - 0.25 * kPi);
      Real aligned, power;
      for (std::size_t s = 0; s < block; ++s) {
        const Complex z = turned[s] * conj(carrier), d = decided(modulation, z);
        aligned = aligned + (z.re * d.re + z.im * d.im);
        power = power + squared(d);
        const Complex error = d * carrier * conj(offset[s]) - complex_of((*row)[s]);
        CHECK(std::hypot(error.re.v, error.im.v) < 0.5f);
      }
      gain = gain * (Real(1.0f) + Real(0.02f) * (aligned / power - Real(1.0f)));
      CHECK(!(gain < Real(0.5f)));
      CHECK(!(Real(1.5f) < gain));
    }
    check_counts(decision_error_operations(modulation, phases, block), block);
  }
}

TEST_CASE("Fourth power: the stated operations are those of a run over its window") {
  for (const auto modulation : kFormats) {
    constexpr int window = 20;
    constexpr std::size_t count = 2000, half = window / 2;
    const Field<float> field = noisy_symbols(modulation, count, 0.2, 0.01);
    std::vector<Complex> terms(count);
    std::vector<double> found(count);
    Complex sum;
    counts = {};
    for (std::size_t k = 0; k < count; ++k)
      for (const auto* row : field.rows()) {
        const Complex y = complex_of((*row)[k]);
        const Real power = squared(y);
        const Complex fourth = square(square(y));
        if (modulation == Modulation::kQpsk) {
          terms[k] = terms[k] - Complex{fourth.re / power, fourth.im / power};
        } else {
          const bool inner = power < Real(0.5236068f), outer = Real(1.3708204f) < power;
          const Real weight = power * power;
          const Complex term{fourth.re / weight, fourth.im / weight};
          terms[k] = terms[k] - (inner || outer ? term : Complex{});
        }
      }
    for (std::size_t k = 0; k < half; ++k) sum = sum + terms[k];
    for (std::size_t k = 0; k < count; ++k) {
      if (k + half < count) sum = sum + terms[k + half];
      if (k > half) sum = sum - terms[k - half - 1];
      found[k] = 0.25 * angle(sum);
    }
    // The window's ends do without some sums.
    check_counts(fourth_power_operations(modulation, 2), count, 0.001);
    const std::complex<float>* rows[] = {field.x.data(), field.y.data()};
    const auto phase = FourthPowerPhase({modulation, window})(rows, count);
    for (std::size_t k = 0; k < count; ++k)
      CHECK(std::abs(std::remainder(phase[k] - found[k], 0.5 * kPi)) < 1e-3);
  }
}

TEST_CASE("Second phase stage: the stated operations are those of a run over its window") {
  for (const auto modulation : kFormats) {
    constexpr int window = 20;
    constexpr std::size_t count = 2000, half = window / 2;
    const Field<float> field = noisy_symbols(modulation, count, 0.05, 0.01);
    const std::vector<double> removed(count, 0.7);
    std::vector<Complex> terms(count), turn(count);
    std::vector<double> found(count);
    Complex sum;
    counts = {};
    for (std::size_t k = 0; k < count; ++k) {
      for (const auto* row : field.rows()) {
        const Complex y = complex_of((*row)[k]);
        terms[k] = terms[k] + y * conj(decided(modulation, y));
      }
      turn[k] = phasor(removed[k]);
      terms[k] = terms[k] * turn[k];
    }
    for (std::size_t k = 0; k < half; ++k) sum = sum + terms[k];
    for (std::size_t k = 0; k < count; ++k) {
      if (k + half < count) sum = sum + terms[k + half];
      if (k > half) sum = sum - terms[k - half - 1];
      found[k] = angle(sum * conj(turn[k]));
    }
    check_counts(decision_phase_operations(modulation, 2), count, 0.001);  // the ends, again
    const std::complex<float>* rows[] = {field.x.data(), field.y.data()};
    const auto phase = DecisionPhase({modulation, window})(rows, removed);
    for (std::size_t k = 0; k < count; ++k) CHECK(std::abs(phase[k] - found[k]) < 1e-4);
  }
}

TEST_CASE("Clock recovery: the stated operations are those of a run within 5 %") {
  // Averaging matrices over the window, once a block, is left out of what is stated.
  constexpr std::size_t block = 2 * ClockRecovery::kBlock, hop = block / 2, window = 8192;
  const PulseShape pulse{Pulse::kRrc, 0.1, test::kRate};
  const Field<float> field = test::shaped(test::random_symbols(Modulation::kQpsk, 2048).symbols, 2);
  ClockTone tone(pulse, block, test::fft());
  counts = {};
  // One block's hop of samples: the matrix...
  std::vector<std::vector<Complex>> spectrum;
  for (const auto* row : field.rows()) {
    std::vector<Complex> x(block);
    for (std::size_t n = 0; n < block; ++n) {
      const double w = 0.5 - 0.5 * std::cos(kTwoPi * (static_cast<double>(n) + 0.5) / block);
      x[n] = Real(static_cast<float>(w)) * complex_of((*row)[512 + n]);
    }
    spectrum.push_back(split_radix(x, 0, 1, block));
  }
  Complex matrix[2][2];
  for (std::size_t i = 0; i < 2; ++i)
    for (std::size_t j = 0; j < 2; ++j)
      for (std::size_t k = 0; k < tone.bins(); ++k) {
        const double f = bin_frequency(tone.first_bin() + k, block, 64e9);
        const auto weight =
            static_cast<float>(pulse_spectrum(pulse, f) * pulse_spectrum(pulse, f - test::kRate));
        const Complex upper = spectrum[i][tone.first_bin() + k],
                      lower = spectrum[j][tone.first_bin() + hop + k];
        matrix[i][j] = matrix[i][j] + Real(weight) * (upper * conj(lower));
      }
  // ... averaged with its neighbours, its determinant ...
  Complex mean[2][2];
  const Complex weight = complex_of(std::polar(0.7, 0.1));
  for (std::size_t b = 0; b <= window / ClockRecovery::kHop; ++b)
    for (auto& row : mean)
      for (auto& value : row) value = value + weight * matrix[0][0];
  const Complex determinant = mean[0][0] * mean[1][1] - mean[0][1] * mean[1][0];
  CHECK(std::isfinite(determinant.re.v));
  // ... and the samples, each from a filter of the interpolator's table.
  const Interpolator interpolator(17.6 / 64.0);
  for (std::size_t n = 0; n < hop; ++n)
    for (int part = 0; part < 4; ++part) {
      Real sum = Real(0.1f) * Real(1.0f);
      for (std::size_t t = 1; t < interpolator.taps(); ++t) sum = sum + Real(0.1f) * Real(1.0f);
    }
  const std::size_t saved = counts.look_ups;
  CHECK(saved == 0);
  check_counts(ClockRecovery({pulse, window}, test::fft()).cost(), hop, 0.05);
  ClockTone::CrossSpectra cross;
  tone(field, 512, cross);
  const Jones expected = clock_matrix(cross);
  for (std::size_t i = 0; i < 2; ++i)
    for (std::size_t j = 0; j < 2; ++j)
      CHECK(std::abs(std::complex<double>(matrix[i][j].re.v, matrix[i][j].im.v) - expected[i][j]) <
            1e-4 * std::abs(expected[0][0]));
}

TEST_CASE("Deskew: a moved lane costs one real filter a sample") {
  constexpr double rate = 80e9, skew = 0.4 / rate;  // a whole number of the table's steps, 205 of 512, nearly
  DeskewParameters p;
  p.skew = {0, skew, 0, 0};
  const Deskew deskew(p);
  const std::size_t taps = deskew.taps(rate);
  Field<float> field(256, rate);
  const auto row = random_row(256, "deskew");
  for (std::size_t n = 0; n < 256; ++n) field.x[n] = {row[n].re.v, row[n].im.v};
  // The filter's coefficients: what the block makes of single impulses.
  std::vector<Real> h(taps);
  for (std::size_t t = 0; t < taps; ++t) {
    Field<float> impulse(256, rate);
    impulse.x[128 - taps / 2 + 1 + t] = {0.0f, 1.0f};
    h[t] = deskew(impulse).x[128].imag();
  }
  counts = {};
  Real sum = h[0] * row[128 - taps / 2 + 1].im;
  for (std::size_t t = 1; t < taps; ++t) sum = sum + h[t] * row[128 - taps / 2 + 1 + t].im;
  check_counts({static_cast<double>(taps), taps - 1.0, 0}, 1.0);
  CHECK(std::abs(deskew(field).x[128].imag() - sum.v) < 1e-5);
}

TEST_CASE("I/Q correction: Gram-Schmidt and the circular fit cost what is stated") {
  constexpr std::size_t count = 2000;
  Field<float> field(count, 64e9);
  const auto row = random_row(count, "ellipse");
  for (std::size_t n = 0; n < count; ++n)
    field.x[n] = field.y[n] = {row[n].re.v + 0.1f, 0.8f * row[n].im.v + 0.2f * row[n].re.v};
  counts = {};
  for (const auto* samples : field.rows()) {
    Real ii, qq, iq;
    std::vector<Complex> out(count);
    for (const auto& s : *samples) {
      const Complex z = complex_of(s);
      ii = ii + z.re * z.re;
      qq = qq + z.im * z.im;
      iq = iq + z.re * z.im;
    }
    const double left = qq.v - iq.v * iq.v / ii.v, half = 0.5 * (ii.v + qq.v);
    const Real gain_i(static_cast<float>(std::sqrt(half / ii.v))),
        gain_q(static_cast<float>(std::sqrt(half / left))), projection(iq.v / ii.v);
    for (std::size_t n = 0; n < count; ++n) {
      const Complex z = complex_of((*samples)[n]);
      out[n] = {gain_i * z.re, gain_q * (z.im - projection * z.re)};
    }
    CHECK(largest_error(out, orthonormalise(field).x.data()) < 1e-3);
  }
  check_counts(orthonormalise_operations(), count);

  counts = {};
  for (const auto* samples : field.rows()) {
    Real power;
    for (const auto& s : *samples) power = power + squared(complex_of(s));
    const Real scale(static_cast<float>(1.0 / std::sqrt(power.v / count)));
    Real normal[5][5], right[5];
    for (const auto& s : *samples) {
      const Real x = scale * Real(s.real()), y = scale * Real(s.imag());
      const Real terms[5] = {x * x, doubled(x * y), y * y, x, y};
      for (std::size_t i = 0; i < 5; ++i) {
        for (std::size_t j = 0; j <= i; ++j) normal[i][j] = normal[i][j] + terms[i] * terms[j];
        right[i] = right[i] + terms[i];
      }
    }
    CHECK(std::isfinite(normal[4][0].v + right[4].v));
    // The corrected samples, by an ellipse near the true one, and their power restored.
    Real after;
    const Real centre_x(0.1f), centre_y(0.0f), a(1.0f), b(-0.2f), c(1.2f), keep(1.1f);
    std::vector<Complex> out;
    for (const auto& s : *samples) {
      const Real x = Real(s.real()) - centre_x, y = Real(s.imag()) - centre_y;
      out.push_back({a * x, b * x + c * y});
      after = after + squared(out.back());
    }
    for (auto& z : out) z = keep * z;
  }
  check_counts(circular_fit_operations(), count);
}

TEST_CASE("Back-propagation: the stated operations are those of a run, to the sample") {
  Scenario s;
  s.set("fibre.spans=3");
  const NominalLine line = nominal_line(read_line(s), 2);
  const BackPropagation block({line.path, line.output_power, 64e9, 17.6e9}, test::fft());
  const std::size_t n = block.block(), steps = block.steps();
  CHECK(steps == 6);
  // One block of 2 mW: its field through the transforms at every linear step, turned by its power between.
  std::vector<std::vector<Complex>> rows = {random_row(n, "x"), random_row(n, "y")};
  Field<float> field(n, 64e9);
  for (std::size_t p = 0; p < 2; ++p)
    for (std::size_t k = 0; k < n; ++k) {
      Complex& z = rows[p][k];
      z = {z.re.v * 0.0316f, z.im.v * 0.0316f};
      (*field.rows()[p])[k] = {z.re.v, z.im.v};
    }
  const PropagationPlan back = inverse(line.path);
  counts = {};
  double beta2 = 0.0, beta3 = 0.0, amplitude = 1.0;  // linear steps not yet done
  const auto linear = [&] {
    for (auto& row : rows) {
      auto spectrum = split_radix(row, 0, 1, n);
      for (std::size_t k = 0; k < n; ++k)
        spectrum[k] =
            conj(spectrum[k] * complex_of(amplitude / static_cast<double>(n) *
                                          dispersion_response(beta2, beta3, bin_frequency(k, n, 64e9))));
      row = split_radix(spectrum, 0, 1, n);  // inverse by conjugates
      for (auto& z : row) z = conj(z);
    }
    beta2 = beta3 = 0.0, amplitude = 1.0;
  };
  const auto half = [&](const SplitStep& e) {
    beta2 += 0.5 * e.fibre.beta2 * e.length;
    beta3 += 0.5 * e.fibre.beta3 * e.length;
    amplitude *= std::exp(-0.25 * e.fibre.loss * e.length);
  };
  for (const auto& element : back.elements) {
    if (const auto* gain = std::get_if<LumpedGain>(&element)) amplitude *= std::sqrt(gain->power_gain);
    const auto* step = std::get_if<SplitStep>(&element);
    if (step == nullptr) continue;
    half(*step);
    linear();
    const double loss = step->fibre.loss, length = 2.0 * std::sinh(0.5 * loss * step->length) / loss;
    const Real kerr(static_cast<float>(step->fibre.kerr * length));
    for (std::size_t k = 0; k < n; ++k) {
      const Real phase = kerr * (squared(rows[0][k]) + squared(rows[1][k]));
      const Complex turn = phasor(phase.v);
      for (auto& row : rows) row[k] = turn * row[k];
    }
    half(*step);
  }
  linear();
  // Without the band filter before it, an overlap-save filter as above; `hop` samples come out of a block.
  check_counts(block.steps_cost(), static_cast<double>(block.hop()));
  FastEngine<float>(test::fft())(field, back, RandomStreams(1));
  for (std::size_t p = 0; p < 2; ++p) CHECK(largest_error(rows[p], field.rows()[p]->data()) < 1e-3 * 0.0316);
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

namespace {

// An equaliser rule's error of an output on the constellation's axes.
Complex wrong_by(EqualiserRule rule, Modulation modulation, Complex z) {
  if (rule == EqualiserRule::kDecisionDirected) return {};
  if (rule == EqualiserRule::kConstantModulus || modulation == Modulation::kQpsk) {
    const Real level(modulation == Modulation::kQpsk ? 0.5f : 0.82f);
    return {(level - z.re * z.re) * z.re, (level - z.im * z.im) * z.im};
  }
  const Real power = squared(z);
  const bool above = Real(0.5236068f) < power, beyond = Real(1.3708204f) < power;
  const Real ring(beyond ? 1.8f : above ? 1.0f : 0.2f);
  return (ring - power) * z;
}

// One block through the widely linear form, each step counted.
struct CountedForm {
  EqualiserRule rule;
  Modulation modulation;
  int taps;
  std::vector<Complex> w;  // [output][input of 6][tap]
  Complex angle[2] = {{1.0f, 0.0f}, {1.0f, 0.0f}};
  Real gain{1.0f};
  Real scale{1.0f};

  bool rings() const { return rule == EqualiserRule::kRadiusDirected && modulation == Modulation::kQam16; }
  std::size_t at(std::size_t i, std::size_t j, int t) const {
    return (6 * i + j) * static_cast<std::size_t>(taps) + static_cast<std::size_t>(t);
  }

  // Phase of both rows together.
  Real search(const std::vector<Complex>& rows) const {
    constexpr std::size_t phases = 32;
    std::vector<Real> sums(phases);
    for (const Complex& y : rows)
      for (std::size_t b = 0; b < phases; ++b) {
        const double test_phase = (static_cast<double>(b) / phases - 0.5) * 0.5 * kPi;
        const Complex z = y * complex_of(std::polar(1.0, -test_phase));
        sums[b] = sums[b] + (axis_distance(modulation, z.re) + axis_distance(modulation, z.im));
      }
    std::size_t best = 0;
    for (std::size_t b = 1; b < phases; ++b)
      if (sums[b] < sums[best]) best = b;
    const Real left = sums[(best + phases - 1) % phases], right = sums[(best + 1) % phases];
    const Real shift = Real(0.5f) * ((left - right) / ((left - doubled(sums[best])) + right));
    const Real phase =
        Real(static_cast<float>(0.5 * kPi / phases)) * (Real(static_cast<float>(best)) + shift);
    return phase.v - static_cast<float>(0.25 * kPi);  // a constant, of the table
  }

  // Outputs of the block at symbol k, carrier back on; the taps are moved on.
  std::vector<Complex> operator()(const ButterflyInput& in, std::size_t k, float cycles, Real& phase,
                                  Real& image_phase, float step) {
    constexpr std::size_t block = ButterflyBlock::kSize;
    const std::size_t reached = 2 * block + static_cast<std::size_t>(taps) - 1;
    const auto turn = [&](std::size_t t) {  // from a table
      return complex_of(std::polar(1.0, -kPi * cycles * (static_cast<double>(t) - taps / 2)));
    };
    std::vector<Complex> local(6 * reached);
    const Complex base = phasor(-phase.v), image_base = phasor(-(phase + image_phase).v);
    for (std::size_t t = 0; t < reached; ++t) {
      const Complex back = base * turn(t), image_back = image_base * turn(t);
      for (std::size_t j = 0; j < 2; ++j) {
        const int n = static_cast<int>(t) - taps / 2;
        const Complex x{*in.re(j, k, n), *in.im(j, k, n)}, turned = x * back;
        local[j * reached + t] = turned;
        local[(2 + j) * reached + t] = conj(turned);
        local[(4 + j) * reached + t] = conj(x) * image_back;
      }
    }
    const auto input = [&](std::size_t j, std::size_t s, int t) {
      return local[j * reached + 2 * s + static_cast<std::size_t>(t)];
    };
    std::vector<Complex> y(2 * block), both(2 * block), wrong(2 * block), gradient(w.size());
    for (std::size_t n = 0; n < 2 * block; ++n)
      for (std::size_t j = 0; j < 6; ++j)
        for (int t = 0; t < taps; ++t) y[n] = y[n] + w[at(n / block, j, t)] * input(j, n % block, t);
    for (std::size_t n = 0; n < 2 * block; ++n) {
      both[n] = scale * y[n];
      if (rings()) both[n] = both[n] * conj(angle[n / block]);
    }
    const Real left = search(both);
    const Complex carrier = phasor(left.v);
    Real aligned, power;
    for (std::size_t i = 0; i < 2; ++i) {
      const Complex forth = rings() ? carrier * angle[i] : carrier;
      Complex sum;
      for (std::size_t s = 0; s < block; ++s) {
        const Complex z = both[i * block + s] * conj(carrier), decision = decided(modulation, z);
        sum = sum + z * conj(decision);
        power = power + squared(decision);
        const Complex full = gain * z;
        const Complex error =
            rule == EqualiserRule::kDecisionDirected ? decision - full : wrong_by(rule, modulation, full);
        wrong[i * block + s] = error * forth;
      }
      aligned = aligned + sum.re;
      if (rings()) angle[i] = angle[i] * phasor((Real(0.05f) * Real(static_cast<float>(angle_of(sum)))).v);
    }
    const Real moved = gain * (Real(1.0f) + Real(0.02f) * (aligned / power - Real(1.0f)));
    gain = moved < Real(0.5f) ? Real(0.5f) : moved;
    if (Real(1.5f) < gain) gain = Real(1.5f);
    scale = Real(1.0f) / gain;
    for (std::size_t n = 0; n < 2 * block; ++n)
      for (std::size_t j = 0; j < 6; ++j)
        for (int t = 0; t < taps; ++t) {
          auto& of = gradient[at(n / block, j, t)];
          of = of + wrong[n] * conj(input(j, n % block, t));
        }
    for (std::size_t n = 0; n < w.size(); ++n) w[n] = w[n] + Real(step) * gradient[n];
    const Complex on = phasor(phase.v);
    for (std::size_t s = 0; s < block; ++s) {
      const Complex forth = on * conj(turn(2 * s + static_cast<std::size_t>(taps) / 2));
      y[s] = y[s] * forth;
      y[block + s] = y[block + s] * forth;
    }
    phase = phase + left + Real(static_cast<float>(kTwoPi * cycles * block));
    image_phase = image_phase + Real(0.0f);
    return y;
  }
  static double angle_of(Complex z) { return ::angle(z); }
};

}  // namespace

TEST_CASE("Widely linear form: carriers, search, gradients and six inputs' filters cost what is stated") {
  constexpr int taps = 15;
  constexpr std::size_t block = ButterflyBlock::kSize, symbols = 4 * block;
  constexpr float cycles = 0.002f, step = 1e-3f;
  for (const auto& [modulation, rule] : {std::pair{Modulation::kQpsk, EqualiserRule::kConstantModulus},
                                         {Modulation::kQam16, EqualiserRule::kConstantModulus},
                                         {Modulation::kQam16, EqualiserRule::kRadiusDirected},
                                         {Modulation::kQpsk, EqualiserRule::kDecisionDirected},
                                         {Modulation::kQam16, EqualiserRule::kDecisionDirected}}) {
    CAPTURE(std::string(modulation_name(modulation)));
    CAPTURE(static_cast<int>(rule));
    const Field<float> sent = noisy_symbols(modulation, symbols, 0.1, 0.005);
    Field<float> signal(2 * symbols, 64e9);
    for (std::size_t p = 0; p < 2; ++p)
      for (std::size_t k = 0; k < symbols; ++k) {
        const std::complex<float> y =
            (*sent.rows()[p])[k] *
            std::complex<float>(std::polar(1.0, kTwoPi * cycles * static_cast<double>(k)));
        (*signal.rows()[p])[2 * k] = y;
        (*signal.rows()[p])[2 * k + 1] = 0.3f * y;
      }
    EqualiserParameters p;
    p.modulation = modulation;
    p.rule = rule;
    p.taps = taps;
    p.step = step;
    p.widely_linear = true;
    const ButterflyInput in(signal, taps, 0, symbols);
    Butterfly start(taps);
    start.set_centre(0, 0.7f, 0.0f);
    start.set_centre(1, 0.0f, 0.7f);
    WidelyLinear form(p, in, start, cycles, 0, symbols);
    CountedForm counted{rule, modulation, taps, std::vector<Complex>(12 * taps)};
    const EqualiserTaps first = form.taps();
    for (std::size_t i = 0; i < 2; ++i)
      for (std::size_t j = 0; j < 2; ++j)
        for (int t = 0; t < taps; ++t)
          counted.w[counted.at(i, j, t)] = complex_of(first[i][j][static_cast<std::size_t>(t)]);
    const Field<float> out = form.equalise(32e9);
    Real phase, image_phase;
    counts = {};
    for (std::size_t k = 0; k < symbols; k += block) {
      const auto y = counted(in, k, cycles, phase, image_phase, step);
      for (std::size_t s = 0; s < block; ++s) {
        CHECK(std::abs(std::complex<float>(y[s].re.v, y[s].im.v) - out.x[k + s]) < 1e-3f);
        CHECK(std::abs(std::complex<float>(y[block + s].re.v, y[block + s].im.v) - out.y[k + s]) < 1e-3f);
      }
    }
    check_counts(Equaliser(p, test::fft()).cost(), symbols);
  }
}

TEST_CASE("Radius-directed error: the stated operations are those of a run, and its rings the equaliser's") {
  for (const auto modulation : kFormats) {
    constexpr std::size_t count = 256;
    const Field<float> y = noisy_symbols(modulation, count, 0.3, 0.05);
    counts = {};
    for (const auto* row : y.rows())
      for (const auto& symbol : *row) {
        const Complex z = complex_of(symbol);
        const Real power = squared(z);
        Real ring(1.0f);
        if (modulation == Modulation::kQam16) {
          const bool above = Real(0.5236068f) < power, beyond = Real(1.3708204f) < power;
          ring = beyond ? 1.8f : above ? 1.0f : 0.2f;
        }
        const Complex error = (ring - power) * z;
        CHECK(ring.v == nearest_ring(power.v, constellation(modulation)));
        CHECK(std::isfinite(error.re.v));
      }
    EqualiserParameters p;
    p.modulation = modulation;
    p.rule = EqualiserRule::kRadiusDirected;
    const Operations stated = Equaliser(p, test::fft()).cost();
    const Operations filters = butterfly_operations(p.taps, 2, Equaliser::kBlock);
    check_counts({stated.multiplications - filters.multiplications, stated.additions - filters.additions, 0},
                 count, 1e-9);
  }
}
