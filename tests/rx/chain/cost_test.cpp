// What blocks are said to cost. What depends on symbols is counted in the functions that the blocks run; here
// the counts are held against those of the published equations, done by hand: a complex product is 4
// multiplications and 2 additions, a squared size 2 and 1, a comparison an addition (rx/stage/cost.h).
// Transforms and filters, which no counting number runs through, are held against published formulas.
#include "rx/stage/cost.h"
#include "rx/blocks/operations.h"

#include <doctest/doctest.h>
#include <fftw3.h>

#include <cmath>
#include <complex>
#include <string>
#include <vector>

#include "rx/blocks/back_propagation.h"
#include "rx/blocks/clock_recovery.h"
#include "rx/blocks/clock_tone.h"
#include "rx/blocks/deskew.h"
#include "rx/blocks/equaliser.h"
#include "rx/blocks/interpolator.h"
#include "rx/blocks/overlap_save.h"
#include "rx/blocks/resample.h"
#include "rx/stage/counted.h"
#include "sim/signal/line/read_line.h"
#include "tests/rx/generator.h"

using namespace cohlink;

namespace {

void check_equal(const Operations& stated, const Operations& expected) {
  CHECK(stated.multiplications == doctest::Approx(expected.multiplications).epsilon(1e-12));
  CHECK(stated.additions == doctest::Approx(expected.additions).epsilon(1e-12));
  CHECK(stated.look_ups == doctest::Approx(expected.look_ups).epsilon(1e-12));
}

// A format's own part, by hand: squared distance of a symbol to the nearest point, and the decision.
struct ByHand {
  Modulation modulation;
  Operations distance, decision;
  double rings;
};

// QPSK: per axis | |u| - a | squared, a subtraction and a product, and the sum of both axes; its decision is
// two signs. 16QAM: per axis one fold more, and a comparison to decide. 8QAM: differences to eight points,
// two products and a sum each, and seven comparisons; the decision is among the same distances.
const std::vector<ByHand> kFormats = {{Modulation::kQpsk, {2, 3, 0}, {0, 0, 0}, 1},
                                      {Modulation::kQam16, {2, 5, 0}, {0, 2, 0}, 3},
                                      {modulation_named("8qam"), {16, 31, 0}, {16, 31, 0}, 2}};

// One symbol of a row under one test phase: turned, its distance, added to the sum.
Operations tested(const ByHand& format) { return Operations{4, 3, 0} + format.distance; }

// The smallest of so many sums and the parabola through it and its neighbours: (l - r) / (l - 2 c + r) / 2,
// the place added, the step multiplied on.
Operations least_of(int phases) { return {3.0, phases - 1.0 + 5.0, 0.0}; }

constexpr double kBlock = Equaliser::kBlock;

// Filters from `inputs` rows to two outputs and their gradient: a complex product and sum each, of every tap
// at every symbol; the step once a block. S. Haykin, Adaptive Filter Theory, ch. on LMS.
Operations adaptive_filters(double inputs, double taps) {
  return 2.0 * inputs * taps * Operations{8.0 + 2.0 / kBlock, 8.0 + 2.0 / kBlock, 0.0};
}

// Both inputs turned into one another, once a block: for every tap of either output two complex products and
// two imaginary parts of products summed, and a 2x2 matrix.
Operations turned_inputs(double taps) {
  const Operations seen{2.0 * 4 + 2.0 * 2, 2.0 * (2 + 2) + 2.0 * (1 + 1), 0}, mixed{16, 8 + 4, 0};
  return 2.0 * taps / kBlock * (seen + mixed);
}

Operations stated(const ByHand& format, EqualiserRule rule, bool widely_linear) {
  EqualiserParameters p;
  p.modulation = format.modulation;
  p.rule = rule;
  p.widely_linear = widely_linear;
  return Equaliser(p, test::fft()).cost();
}

// The running gain, g (1 + mu (a / p - 1)) within two bounds, and its inverse.
constexpr Operations kGain{4, 4, 0};

}  // namespace

TEST_CASE("A counting number counts products, quotients, sums and comparisons, and no change of sign") {
  const Counted a = 3.0, b = -2.0;
  const std::complex<Counted> z(a, b);
  check_equal(Counted::count([&] { a* b; }), {1, 0, 0});
  check_equal(Counted::count([&] { a / b; }), {1, 0, 0});
  check_equal(Counted::count([&] { a + b - a; }), {0, 2, 0});
  check_equal(Counted::count([&] { CHECK(b < a); }), {0, 1, 0});
  check_equal(Counted::count([&] { copysign(magnitude(-b), a); }), {0, 0, 0});
  check_equal(Counted::count([&] { z* std::conj(z); }), kComplexProduct);
  check_equal(Counted::count([&] { z + z; }), kComplexSum);
  check_equal(Counted::count([&] { a* z; }), kRealTimesComplex);
  check_equal(Counted::count([&] { std::norm(z); }), kSquaredMagnitude);
  CHECK((a * b + a).value() == -3.0);
}

TEST_CASE("An FFT costs what split radix does, by its recursion and in all, and FFTW's are not far") {
  // One transform of half the length and two of a quarter, whose results meet in 6 complex sums for each of
  // N/4 quadruples; N/2 - 4 of the turns between are full products, two are by an eighth of a turn (2 + 2),
  // two are none. P. Duhamel and H. Hollmann, Electron. Lett. 20(1) 14 (1984).
  for (const double n : {8.0, 16.0, 64.0, 1024.0, 4096.0}) {
    const auto of = [](double size) { return fft_operations(static_cast<std::size_t>(size)); };
    check_equal(of(n), of(n / 2) + 2.0 * of(n / 4) + (n / 2 - 4) * kComplexProduct + Operations{4, 4, 0} +
                           1.5 * n * kComplexSum);
    CHECK(of(n).multiplications + of(n).additions ==
          doctest::Approx(4.0 * n * std::log2(n) - 6.0 * n +
                          8.0));  // R. Yavne, Proc. AFIPS FJCC 33, 115 (1968)
  }
  check_equal(fft_operations(4), {0, 16, 0});
  for (const int n : {1024, 4096, 16384}) {
    ComplexRow<float> row(static_cast<std::size_t>(n));
    auto* data = reinterpret_cast<fftwf_complex*>(row.data());
    const FftPlannerLock lock;
    const fftwf_plan plan = fftwf_plan_dft_1d(n, data, data, FFTW_FORWARD, FFTW_ESTIMATE | FFTW_NO_SIMD);
    // Without vector instructions, each of which FFTW would count as one operation.
    double additions = 0, multiplications = 0, fused = 0;
    fftwf_flops(plan, &additions, &multiplications, &fused);
    fftwf_destroy_plan(plan);
    const Operations stated = fft_operations(static_cast<std::size_t>(n));
    const double ratio =
        (additions + multiplications + 2 * fused) / (stated.additions + stated.multiplications);
    MESSAGE("FFT of " << n << ": FFTW's operations over the stated ones " << ratio);
    CHECK(ratio > 0.99);  // split radix is near the least known
    CHECK(ratio < 1.2);
  }
}

TEST_CASE(
    "Overlap-save filters use the block of the fewest published products, and split radix needs fewer") {
  // N (log2 N + 1) / (N - M + 1) complex products a sample and row by radix 2, M the impulse response (P.
  // Poggiolini et al., Opt. Express 17(3) 1385, 2009).
  const auto published = [](std::size_t block, std::size_t overlap) {
    const auto n = static_cast<double>(block);
    return n * (std::log2(n) + 1.0) / (n - static_cast<double>(overlap));
  };
  for (const double reach : {40.0, 300.0, 600.0}) {
    CAPTURE(reach);
    const OverlapSaveFilter filter([](double) { return 1.0; }, 64e9, reach / 64e9, test::fft());
    const std::size_t n = filter.block(), overlap = 2 * filter.reach();
    for (const std::size_t other : {n / 2, 2 * n})
      if (other > overlap) CHECK(published(other, overlap) >= published(n, overlap));
    // Split radix multiplies 8/3 log2 N times where radix 2 does 4 log2 N times, and less for short ones.
    CHECK(filter.cost().multiplications < 2.0 / 3.0 * 2.0 * 4.0 * published(n, overlap));
    // Two transforms and a product for every row and hop.
    check_equal(0.5 * static_cast<double>(n - overlap) * filter.cost(),
                2.0 * fft_operations(n) + static_cast<double>(n) * kComplexProduct);
  }
}

TEST_CASE(
    "Interpolation costs one real filter for each part of each row, of as many taps as an impulse meets") {
  // A filter of n taps: n products and n - 1 sums.
  const Resampler resampler({64e9, 17.6e9, 4e9});
  check_equal(resampler.cost(64e9), {});
  const double taps = std::round(2.0 * resampler.edge(80e9) * 80e9);
  check_equal(resampler.cost(80e9), 4.0 * Operations{taps, taps - 1.0, 0});

  DeskewParameters p;
  p.skew = {0, 0.4 / 80e9, 0, 0};
  const Deskew deskew(p);
  Field<float> impulse(256, 80e9);
  impulse.x[128] = {1.0f, 1.0f};
  const Field<float> moved = deskew(impulse);
  std::size_t met = 0;
  for (const auto& a : moved.x) met += a.imag() != 0.0f;
  CHECK(met == deskew.taps(80e9));
  CHECK(moved.x[128].real() == 1.0f);  // a lane without skew passes as it came
}

TEST_CASE("Clock recovery costs two windowed transforms and its band edges a block, and an interpolation") {
  const PulseShape pulse{Pulse::kRrc, 0.1, test::kRate};
  const ClockRecovery clock({pulse, 8192}, test::fft());
  constexpr std::size_t block = 2 * ClockRecovery::kBlock;
  const auto bins = static_cast<double>(ClockTone(pulse, block, test::fft()).bins());
  // The band edges are the roll-off's share of the symbol rate: of `block` bins at twice that rate, half.
  CHECK(bins == doctest::Approx(0.1 * block / 2.0).epsilon(2.0 / (0.1 * block / 2.0)));
  const auto taps = static_cast<double>(Interpolator(17.6 / 64.0).taps());
  // Upper times conjugate lower edge, weighted and summed, for all four pairs of rows.
  const Operations edges = 4.0 * bins * Operations{6, 4, 0};
  const Operations whole = 2.0 * (block * kRealTimesComplex) + 2.0 * fft_operations(block) + edges;
  check_equal(clock.cost(), 2.0 / block * whole + 4.0 * Operations{taps, taps - 1.0, 0});
}

TEST_CASE("I/Q corrections cost their moments and their lower triangular matrix") {
  // Gram-Schmidt (I. Fatadin, S. J. Savory and D. Ives, IEEE Photon. Technol. Lett. 20(20) 1733, 2008): II,
  // QQ and IQ summed; I scaled, its projection taken off Q, Q scaled. Both rows.
  check_equal(orthonormalise_operations(), 2.0 * Operations{3 + 3, 3 + 1, 0});
  // The ellipse: power before and after, scaled in and out; x^2, 2xy, y^2; 15 products and 20 sums of the
  // five terms' normal equations; centre, shear and gains.
  check_equal(circular_fit_operations(), 2.0 * Operations{4 + 4 + 3 + 15 + 3, 4 + 1 + 20 + 3, 0});
  check_equal(rotation_operations(), {12, 6, 0});
}

TEST_CASE("Back-propagation costs two transforms a row and a turn by the power at every step") {
  Scenario s;
  s.set("fibre.spans=3");
  const NominalLine line = nominal_line(read_line(s), 2);
  const BackPropagation block({line.path, line.output_power, 64e9, 17.6e9}, test::fft());
  CHECK(block.steps() == 6);
  const auto n = static_cast<double>(block.block());
  // E. Ip and J. M. Kahn, J. Lightwave Technol. 26(20) 3416 (2008): per sample |x|^2 + |y|^2, times gamma L,
  // its phasor looked up, both rows turned. One linear step more than Kerr steps: halves at both ends.
  const Operations linear = 4.0 * fft_operations(block.block()) + 2.0 * n * kComplexProduct;
  const Operations kerr = n * Operations{2 * 2 + 1 + 2 * 4, 2 * 1 + 1 + 2 * 2, 1};
  check_equal(static_cast<double>(block.hop()) * block.steps_cost(), 7.0 * linear + 6.0 * kerr);
}

TEST_CASE("Equaliser: filters, gradient and the error of each rule cost what their equations say") {
  constexpr double kTaps = 15;
  constexpr int kPhases = 32;
  for (const ByHand& format : kFormats) {
    CAPTURE(std::string(modulation_name(format.modulation)));
    const Operations filters = adaptive_filters(2, kTaps) + turned_inputs(kTaps);
    // (R - y_I^2 - y_Q^2) y (D. N. Godard, IEEE Trans. Commun. 28(11) 1867, 1980).
    check_equal(stated(format, EqualiserRule::kConstantModulus, false), filters + 2.0 * Operations{4, 2, 0});
    // The same with the nearest of the rings (M. J. Ready and R. P. Gooch, Proc. ICASSP, 1699, 1990).
    check_equal(stated(format, EqualiserRule::kRadiusDirected, false),
                filters + 2.0 * Operations{4, 2 + format.rings - 1, 0});
    // Scaled and the offset taken off; tested under every phase; the phase taken off and decided; the gain's
    // two sums; carrier and offset put back on the decision, less y. Once a block the phase, its phasor, the
    // gain.
    const Operations every = Operations{2 + 4, 2, 0} + kPhases * tested(format) + kComplexProduct +
                             format.decision + Operations{4, 4, 0} + Operations{8, 4 + 2, 0};
    const Operations once = least_of(kPhases) + kGain + Operations{0, 0, 1};
    check_equal(stated(format, EqualiserRule::kDecisionDirected, false),
                filters + 2.0 * every + 2.0 / kBlock * once + kComplexProduct);
  }
}

TEST_CASE("An equaliser that a frame guides searches no phase, and errors at known symbols alone are few") {
  constexpr double kTaps = 15, kShare = 1.0 / 32.0;
  const ByHand& format = kFormats[1];
  EqualiserParameters p;
  p.modulation = format.modulation;
  p.rule = EqualiserRule::kDecisionDirected;
  p.known_share = kShare;
  // Of a known symbol: y conj(s), off the phase so far, its angle; gains of both ways and the steps' sums.
  const Operations shown = 2.0 * kComplexProduct + Operations{2, 4, 1};
  // Scaled, the phase taken off and decided; the gain's two sums; the carrier put back, less y; the phase
  // goes on in equal steps between known symbols, and its phasor.
  const Operations every = Operations{2, 0, 0} + kComplexProduct + format.decision + Operations{4, 4, 0} +
                           kComplexProduct + kComplexSum + Operations{0, 1, 1};
  check_equal(Equaliser(p, test::fft()).cost(), adaptive_filters(2, kTaps) + turned_inputs(kTaps) +
                                                    2.0 * (every + kShare * shown + 1.0 / kBlock * kGain));
  p.at_known_alone = true;
  const Operations gradient = 2.0 * 2.0 * kTaps * (kComplexProduct + kComplexSum),
                   error = kComplexProduct + kComplexSum + Operations{0, 0, 1};
  check_equal(Equaliser(p, test::fft()).cost() + (1.0 - kShare) * gradient,
              adaptive_filters(2, kTaps) + turned_inputs(kTaps) + 2.0 * kShare * (error + shown));
}

TEST_CASE("Widely linear form: carriers, one search, six inputs' filters and gradients cost what they say") {
  constexpr double kTaps = 15;
  constexpr int kPhases = 32;
  for (const ByHand& format : kFormats) {
    CAPTURE(std::string(modulation_name(format.modulation)));
    // Off every sample that the taps of a block reach: two phasors go on, each row meets both.
    const Operations off = (2.0 * kBlock + kTaps - 1.0) / kBlock * (6.0 * kComplexProduct);
    // Scaled, tested under every phase, turned and decided; sums of z conj(decision) and of the decision's
    // power; at the decisions' scale, and the error's carrier put back.
    const Operations every = Operations{2, 0, 0} + kPhases * tested(format) + kComplexProduct +
                             format.decision + Operations{4 + 2, 2 + 2 + 1 + 1, 0} + Operations{2, 0, 0} +
                             kComplexProduct;
    // The phase, the gain of both outputs' sums, phases that go on; four phasors.
    const Operations once = least_of(kPhases) + kGain + Operations{0, 2 + 4, 4};
    const Operations shared =
        adaptive_filters(6, kTaps) + off + 2.0 * every + 3.0 * kComplexProduct + 1.0 / kBlock * once;
    // (R - y_I^2) y_I of each axis; a - y.
    check_equal(stated(format, EqualiserRule::kConstantModulus, true), shared + 2.0 * Operations{4, 2, 0});
    check_equal(stated(format, EqualiserRule::kDecisionDirected, true), shared + 2.0 * kComplexSum);
    if (format.rings == 1) continue;
    // Rings leave each output an angle of its own: turned symbol by symbol, found and put on once a block.
    const Operations own =
        2.0 * kComplexProduct + 2.0 / kBlock * (2.0 * kComplexProduct + Operations{1, 0, 2});
    check_equal(stated(format, EqualiserRule::kRadiusDirected, true),
                shared + 2.0 * Operations{4, 2 + format.rings - 1, 0} + own);
  }
}

TEST_CASE("Phase estimators cost what their equations say") {
  constexpr int kPhases = 32;
  for (const ByHand& format : kFormats)
    for (const int rows : {1, 2}) {
      CAPTURE(std::string(modulation_name(format.modulation)));
      CAPTURE(rows);
      // Every symbol under every phase, sums that run along with the window, the least of them (T. Pfau, S.
      // Hoffmann and R. Noe, J. Lightwave Technol. 27(8) 989, 2009).
      check_equal(phase_search_operations(format.modulation, kPhases, rows),
                  rows * kPhases * tested(format) + kPhases * kComplexSum + least_of(kPhases));
      // y conj(decision), the sum; back to the symbols as they came, a window that slides, its angle.
      check_equal(decision_phase_operations(format.modulation, rows),
                  rows * (format.decision + kComplexProduct + kComplexSum) + 2.0 * kComplexProduct +
                      2.0 * kComplexSum + Operations{0, 0, 2});
      // y^4 by two squarings of (a^2 - b^2, 2 ab), 2 ab a sum; over |y|^2 (A. J. Viterbi and A. M. Viterbi,
      // IEEE Trans. Inf. Theory 29(4) 543, 1983), or |y|^4 behind a choice of rings (I. Fatadin, D. Ives and
      // S. J. Savory, IEEE Photon. Technol. Lett. 22(9) 631, 2010).
      const double choice = format.rings > 1 ? 1.0 : 0.0;
      check_equal(fourth_power_operations(format.modulation, rows),
                  rows * Operations{2 * 3 + 2 + 2 + choice, 2 * 2 + 1 + 2 + format.rings - 1, 0} +
                      2.0 * kComplexSum + Operations{0, 0, 1});
    }
}
