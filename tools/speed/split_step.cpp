// The split step beside its own FFTs.
//
// A machine is noisy and shared, so the two are timed in turns, in one process, by the thread's own processor
// time, and both the ratio of the smallest times and the median of the ratios of neighbours are printed. FFTs
// are FFTW's, measured, in place, one thread.
#include <algorithm>
#include <cstdio>
#include <cstdlib>
#include <cstring>
#include <vector>

#include "sim/fibre/line.h"
#include "sim/fibre/pmd.h"
#include "sim/signal/execution/fft.h"
#include "sim/signal/propagation/cpu/kernels.h"
#include "sim/signal/propagation/engine.h"
#include "sim/signal/units.h"
#include "tools/speed/clock.h"
#include "tools/speed/noise_field.h"
#include "tools/speed/speed.h"

namespace cohlink {
namespace {

double median(std::vector<double> values) {
  std::nth_element(values.begin(), values.begin() + static_cast<std::ptrdiff_t>(values.size() / 2),
                   values.end());
  return values[values.size() / 2];
}
double smallest(const std::vector<double>& values) { return *std::min_element(values.begin(), values.end()); }

// Steps of varied length, as the loss-matched law makes them, each with a PMD section behind it if asked.
PropagationPlan steps(int count, bool pmd) {
  const Span span;
  RandomStream random(1);
  PropagationPlan plan;
  for (int i = 0; i < count; ++i) {
    plan.elements.push_back(
        SplitStep{1000.0 + i, {span.beta2, span.beta3, span.loss, 8.0 / 9.0 * span.gamma}});
    if (pmd) plan.elements.push_back(PmdSection{random_unitary(random), 0.1e-12});
  }
  return plan;
}

struct Timing {
  double bare, step;                      // s, smallest
  double ratio, ratio_pmd;                // of the smallest
  double median_ratio, median_ratio_pmd;  // medians of neighbours' ratios
};

// Steps in one measurement: about as long at every length, and a few at least.
int steps_timed(std::size_t n) { return static_cast<int>(std::clamp<std::size_t>((1u << 20) / n, 4, 64)); }

// Time of one step as the difference of two plans' times, which leaves out what a call does once (checks,
// scratch, and the two-pass layout's way in and out).
template <class Real>
class StepClock {
 public:
  StepClock(const FftCache& ffts, std::size_t n, bool pmd)
      : engine_(ffts),
        field_(noise_field<Real>(n)),
        start_(field_),
        more_(steps_timed(n)),
        short_(steps(2, pmd)),
        long_(steps(2 + more_, pmd)) {}

  void round() {
    short_times_.push_back(time(short_));
    long_times_.push_back(time(long_));
  }
  double last() const { return (long_times_.back() - median(short_times_)) / more_; }
  double best() const { return (smallest(long_times_) - smallest(short_times_)) / more_; }

 private:
  double time(const PropagationPlan& plan) {
    field_ = start_;
    return processor_seconds([&] { engine_(field_, plan, RandomStreams(1)); });
  }

  FastEngine<Real> engine_;
  Field<Real> field_, start_;
  int more_;
  PropagationPlan short_, long_;
  std::vector<double> short_times_, long_times_;
};

// Time of one set of four bare FFTs, over as many sets as the step's clock takes steps, so that both see the
// same stretch of a busy machine. On zeros, which are as fast as any numbers and cannot overflow.
template <class Real>
double bare_ffts(const Fft<Real>& fft, Field<Real>& zeros, int sets) {
  const double time = processor_seconds([&] {
    for (int i = 0; i < sets; ++i) {
      fft.forward(zeros.x);
      fft.forward(zeros.y);
      fft.inverse(zeros.x);
      fft.inverse(zeros.y);
    }
  });
  return time / sets;
}

template <class Real>
Timing measure(const FftCache& ffts, std::size_t n, int rounds) {
  const Fft<Real>& fft = ffts.get<Real>(n);
  Field<Real> zeros(n, 64e9);
  StepClock<Real> plain(ffts, n, false), pmd(ffts, n, true);
  plain.round();
  pmd.round();
  std::vector<double> bare, ratio, ratio_pmd;
  for (int round = 0; round < rounds; ++round) {
    bare.push_back(bare_ffts(fft, zeros, steps_timed(n)));
    plain.round();
    pmd.round();
    ratio.push_back(plain.last() / bare.back());
    ratio_pmd.push_back(pmd.last() / bare.back());
  }
  const double base = smallest(bare), step = plain.best();
  return {base, step, step / base, pmd.best() / base, median(ratio), median(ratio_pmd)};
}

template <class Real>
void ratio_table(const FftCache& ffts, int from, int to, int rounds, const char* precision) {
  for (int log2n = from; log2n <= to; ++log2n) {
    const std::size_t n = std::size_t{1} << log2n;
    const Timing t = measure<Real>(ffts, n, rounds);
    std::printf("%-7s 2^%-3d %12.3f %12.3f %9.3f %9.3f %9.3f %9.3f %12.2f\n", precision, log2n, t.bare * 1e3,
                t.step * 1e3, t.ratio, t.median_ratio, t.ratio_pmd, t.median_ratio_pmd,
                t.step * 1e9 / static_cast<double>(n));
    std::fflush(stdout);
  }
}

template <class Real>
void batch_table(const FftCache& ffts) {
  constexpr std::size_t kLength = std::size_t{1} << 14;
  const PropagationPlan plan = steps(20, false);
  for (std::size_t count = 1; count <= 32; count *= 2) {
    std::vector<Field<Real>> batch(count, noise_field<Real>(kLength));
    const std::vector<RandomStreams> streams(count, RandomStreams(1));
    const FastEngine<Real> engine(ffts);
    std::vector<double> times;
    for (int round = 0; round < 7; ++round)
      times.push_back(processor_seconds([&] { engine(batch, plan, streams); }));
    std::printf("%-7zu %14.3f %20.3f\n", count, smallest(times) * 1e3,
                smallest(times) * 1e3 / static_cast<double>(count));
  }
}

// One channel at two samples a symbol over standard spans cut by the default law.
template <class Real>
void throughput(const FftCache& ffts, const char* precision) {
  constexpr std::size_t kSamples = std::size_t{1} << 16;
  LineParameters line;
  line.bandwidth = 35e9;
  line.sections.resize(1);
  const PropagationPlan plan = plan_line(line, RandomStreams(1));
  Field<Real> field = noise_field<Real>(kSamples);
  const FastEngine<Real> engine(ffts);
  std::vector<double> times;
  for (int round = 0; round < 5; ++round)
    times.push_back(processor_seconds([&] { engine(field, plan, RandomStreams(1)); }));
  const double km = line.sections[0].span.length / 1e3, symbols = static_cast<double>(kSamples) / 2.0;
  std::printf(
      "%s: %.3g symbols x km x channels per second (one dual-polarisation channel, 2 samples a symbol, %zu "
      "steps in %.0f km, ASE drawn)\n",
      precision, symbols * km / smallest(times), totals(plan).split_steps, km);
}

}  // namespace

int speed_of_split_step(int argc, char** argv) {
  bool quick = false;
  int from = 12, to = 22;
  for (int i = 1; i < argc; ++i) {
    quick = quick || std::strcmp(argv[i], "--quick") == 0;
    if (std::strcmp(argv[i], "--from") == 0 && i + 1 < argc) from = std::atoi(argv[i + 1]);
    if (std::strcmp(argv[i], "--to") == 0 && i + 1 < argc) to = std::atoi(argv[i + 1]);
  }
  if (quick) to = std::min(to, 16);
  FftCache ffts;
  std::printf("kernels: %s\n\n", kernels::best_kernels_name());
  std::printf("One step (both polarisations: linear, Kerr, loss) over its four bare FFTs\n");
  std::printf("%-7s %-5s %12s %12s %9s %9s %9s %9s %12s\n", "", "length", "4 FFTs, ms", "step, ms", "ratio",
              "median", "with PMD", "median", "ns/sample");
  ratio_table<float>(ffts, from, to, quick ? 7 : 15, "single");
  ratio_table<double>(ffts, from, to, quick ? 7 : 15, "double");
  std::printf("\nA batch of fields, 2^14 samples, 20 steps, single precision\n%-7s %14s %20s\n", "fields",
              "time, ms", "time per field, ms");
  batch_table<float>(ffts);
  std::printf("\n");
  throughput<float>(ffts, "single");
  throughput<double>(ffts, "double");
  return 0;
}

}  // namespace cohlink
