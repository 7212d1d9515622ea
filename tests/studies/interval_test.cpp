// Are the error bars honest? Many short sweeps of the ideal chain, whose exact BER is known.
#include <doctest/doctest.h>

#include "sim/link.h"
#include "sim/signal/constellation.h"
#include "tests/validation.h"
#include "tools/study/executor.h"
#include "tools/study/frame.h"
#include "tools/study/theory.h"

using namespace cohlink;

namespace {

constexpr int kSweeps = 200;

Scenario short_sweep() {
  Scenario scenario;
  scenario.read_text(
      "[signal]\nsymbols = 1024\n[run]\nsamples_per_symbol = 2\n[adc]\nbits = 12\nloading_db = -14\n"
      "[dsp]\nchain = resample,matched-filter,decimate,phase\nphase_recovery = genie\n",
      "test");
  return scenario;
}

// How many of the intervals of all sweeps hold the exact BER: two OSNRs a sweep, each with its own noise.
double coverage(const StopRule& rule) {
  static FftCache fft(FftPlanning::kEstimate);
  int held = 0, points = 0;
  for (int sweep = 0; sweep < kSweeps; ++sweep) {
    std::uint64_t address = 0;
    for (const char* osnr : {"8.5", "11"}) {
      Scenario scenario = short_sweep();
      scenario.set("run.seed", std::to_string(sweep), "test");
      scenario.set("channel.osnr_db", osnr, "test");
      const Link link(scenario, fft);
      const Receiver receiver(scenario, fft);
      Tally tally(rule);
      for (std::uint64_t frame = 0; !tally.done(); ++frame)
        tally.add(frame, run_frame(link, receiver, frame, address));
      const ErrorCount& count = tally.total().count;
      const Interval interval = clopper_pearson(count.errors, count.bits);
      const double exact = *theory_ber(scenario);
      held += interval.low <= exact && exact <= interval.high;
      ++points;
      ++address;
    }
  }
  return static_cast<double>(held) / points;
}

}  // namespace

TEST_CASE("over 200 short sweeps the 95 % interval holds the exact BER 91 to 98 % of the time") {
  const double fixed = coverage({0, 2});
  MESSAGE("fixed number of frames: " << 100.0 * fixed << " %");
  validation::record(
      "share of 95 % intervals that hold the exact BER, 200 sweeps of two points, frames fixed",
      "Clopper and Pearson, Biometrika 26, 404 (1934)", 95.0, 100.0 * fixed, 4.0, "%");
  CHECK(fixed >= 0.91);
  CHECK(fixed <= 0.98);
}

TEST_CASE("the same with early stopping at 30 errors") {
  const double stopped = coverage({30, 12});
  MESSAGE("stopped at 30 errors: " << 100.0 * stopped << " %");
  validation::record(
      "share of 95 % intervals that hold the exact BER, 200 sweeps of two points, stopped at 30 errors",
      "Clopper and Pearson, Biometrika 26, 404 (1934)", 95.0, 100.0 * stopped, 4.0, "%");
  CHECK(stopped >= 0.91);
  CHECK(stopped <= 0.98);
}
