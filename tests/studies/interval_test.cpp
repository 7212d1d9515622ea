// Are the error bars honest? Many short sweeps of the ideal chain, whose exact BER is known.
#include <doctest/doctest.h>

#include <array>

#include "sim/link.h"
#include "sim/signal/constellation.h"
#include "tests/validation.h"
#include "tools/study/plan/theory.h"
#include "tools/study/run/executor.h"
#include "tools/study/run/frame.h"

using namespace cohlink;

namespace {

constexpr int kSweeps = 200;

struct Format {
  const char* modulation;
  const char* differential;
  const char* symbols;
  std::array<const char*, 2> osnr_db;
};
constexpr Format kPlain = {"qpsk", "false", "1024", {"8.5", "11"}};

Scenario short_sweep(const Format& format) {
  Scenario scenario;
  scenario.read_text(
      "[run]\nsamples_per_symbol = 2\n[adc]\nbits = 12\nloading_db = -14\n"
      "[dsp]\nchain = resample,matched-filter,decimate,phase\nphase_recovery = genie\n",
      "test");
  scenario.set("signal.modulation", format.modulation, "test");
  scenario.set("signal.differential", format.differential, "test");
  scenario.set("signal.symbols", format.symbols, "test");
  return scenario;
}

// How many of the intervals of all sweeps hold the exact BER: two OSNRs a sweep, each with its own noise.
double coverage(const StopRule& rule, const Format& format = kPlain) {
  static FftCache fft(FftPlanning::kEstimate);
  int held = 0, points = 0;
  for (int sweep = 0; sweep < kSweeps; ++sweep) {
    std::uint64_t address = 0;
    for (const char* osnr : format.osnr_db) {
      Scenario scenario = short_sweep(format);
      scenario.set("run.seed", std::to_string(sweep), "test");
      scenario.set("channel.osnr_db", osnr, "test");
      const Link link(scenario, fft);
      const Receiver receiver(scenario, fft);
      Tally tally(rule);
      for (std::uint64_t frame = 0; !tally.done(); ++frame)
        tally.add(frame, run_frame(link, receiver, frame, address));
      const Interval interval = tally.total().ber_interval();
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

TEST_CASE("with differential coding, whose errors come in groups, the interval is as honest") {
  // Two with few frames, which leave it to what is known of the coding, one with enough of them to be seen. A
  // short frame of 16QAM is no ideal chain: its gain follows the power of the data, and 1,024 symbols cost 5
  // % of the BER.
  struct Case {
    const char* name;
    Format format;
    StopRule rule;
  };
  for (const Case& c : {Case{"QPSK", {"qpsk", "true", "1024", {"9", "12"}}, {60, 7}},
                        Case{"16QAM", {"16qam", "true", "16384", {"20.5", "21.5"}}, {60, 4}},
                        Case{"QPSK, more frames", {"qpsk", "true", "1024", {"11", "12"}}, {1000, 12}}}) {
    const double held = coverage(c.rule, c.format);
    MESSAGE(std::string(c.name) << ": " << 100.0 * held << " %");
    validation::record(
        std::string("share of 95 % intervals that hold the exact BER, differential ") + c.name +
            ", 200 sweeps of two points, stopped early",
        "Clopper and Pearson, Biometrika 26, 404 (1934); Korn and Graubard, Survey Methodology "
        "24(2), 193 (1998)",
        95.0, 100.0 * held, 4.0, "%");
    CHECK(held >= 0.91);
    CHECK(held <= 0.98);
  }
}

TEST_CASE("the receiver's own interval is that of a sweep of one frame") {
  FftCache fft(FftPlanning::kEstimate);
  Scenario scenario = short_sweep({"16qam", "true", "1024", {}});
  scenario.set("channel.osnr_db=17");
  const Receiver receiver(scenario, fft);
  const Capture capture = Link(scenario, fft)(0, 0);
  const Interval own = receiver(capture).score.value().interval;
  Tally tally({0, 1});
  tally.add(0, count_frame(capture, receiver));
  CHECK(own.low == tally.total().ber_interval().low);
  CHECK(own.high == tally.total().ber_interval().high);
  const ErrorCount& count = tally.total().count;
  CHECK(own.high - own.low > 1.3 * (clopper_pearson(count.errors, count.bits).high -
                                    clopper_pearson(count.errors, count.bits).low));
}
