// What reuse and threads save: ratios of sweeps timed in one run.
#include <algorithm>
#include <chrono>
#include <cstdio>
#include <cstring>
#include <functional>
#include <utility>

#include "rx/receiver.h"
#include "sim/link.h"
#include "tools/speed/speed.h"
#include "tools/study/budget.h"
#include "tools/study/run/record.h"
#include "tools/study/run/sweep_run.h"

namespace cohlink {
namespace {

using Clock = std::chrono::steady_clock;

double seconds_of(const std::function<void()>& work) {
  const auto start = Clock::now();
  work();
  return std::chrono::duration<double>(Clock::now() - start).count();
}

Scenario scenario_of(std::initializer_list<const char*> settings) {
  Scenario scenario;
  for (const char* setting : settings) scenario.set(setting);
  return scenario;
}

double sweep_seconds(const Scenario& scenario, const char* vary, unsigned threads, const FftCache& fft) {
  SweepOrder order;
  order.plan = make_plan(scenario, parse_vary({vary}), false);
  SweepRunOptions options;
  options.threads = threads;
  return seconds_of([&] { run_sweep(order, options, fft); });
}

/// The shortest times of both over three rounds, taken in turn: what other programs do to the machine only
/// adds.
std::pair<double, double> shortest(const std::function<double()>& work,
                                   const std::function<double()>& reference) {
  std::pair<double, double> best{work(), reference()};
  for (int round = 1; round < 3; ++round)
    best = {std::min(best.first, work()), std::min(best.second, reference())};
  return best;
}

void row(const char* what, const std::pair<double, double>& both, const char* bound) {
  const auto& [seconds, reference] = both;
  std::printf("  %-58s %8.2f s  %8.2f s  %6.2f  %s\n", what, seconds, reference, seconds / reference, bound);
  std::fflush(stdout);
}

/// What it costs the leading process to hand out a frame and to count its result, with so many points open at
/// once: it bounds how many ranks one sweep can feed.
void dispatch_row(std::size_t points) {
  constexpr std::uint64_t kFrames = 20;
  ExecutorHooks hooks;
  std::uint64_t shown = 0;
  hooks.progress = [&](const SweepProgress& now, std::size_t, const Tally&) { shown = now.frames_run; };
  hooks.by_frame = true;
  std::vector<std::vector<std::size_t>> units;
  for (std::size_t i = 0; i < points; ++i) units.push_back({i});
  Dispatcher dispatcher(std::vector<StopRule>(points, StopRule{0, kFrames}), std::move(units), hooks);
  FrameResult result;
  result.count = {12, 100'000};
  const std::string record = to_line(result);
  std::uint64_t handed = 0;
  const double seconds = seconds_of([&] {
    for (Assignment work; dispatcher.offer(work) == Dispatcher::Answer::kWork; ++handed) {
      dispatcher.count(work.points.front(), work.frame, frame_result_from(record));
      dispatcher.finish(work);
      if (handed == 20'000) break;
    }
  });
  std::printf("  %-58s %8.1f us\n",
              ("a frame handed out and counted, of " + std::to_string(points) + " points").c_str(),
              1e6 * seconds / static_cast<double>(handed));
}

/// A budget is to be there at once: the shortest of three.
void budget_row(const char* what, std::initializer_list<const char*> line) {
  Scenario scenario = scenario_of(line);
  scenario.set("signal.modulation=16qam");
  scenario.set("channel.count=9");
  double best = 1e9;
  for (int round = 0; round < 3; ++round) best = std::min(best, seconds_of([&] { make_budget(scenario); }));
  std::printf("  %-58s %8.1f ms  at most 50\n", what, 1e3 * best);
}

/// A span's light serves all points that differ behind it.
void span_reuse_row(bool quick, const FftCache& fft) {
  Scenario line =
      scenario_of({"fibre.spans=20", "run.frames=1", "run.target_errors=0", "channel.osnr_db=18"});
  if (quick) line.set("signal.symbols=8192");
  sweep_seconds(line, "channel.osnr_db=18", 1, fft);  // plans the FFTs
  row("15 OSNR points over the spans, against one point",
      shortest([&] { return sweep_seconds(line, "channel.osnr_db=8:1:22", 1, fft); },
               [&] { return sweep_seconds(line, "channel.osnr_db=18", 1, fft); }),
      "at most 1.5");
}

/// A capture serves all receivers.
void capture_reuse_row(const Scenario& back, const FftCache& fft) {
  const char* const phases = "dsp.test_phases=8|12|16|20|24|28|32|40|48|64";
  const Link link(back, fft);
  std::vector<Receiver> receivers;
  for (const auto& point : make_plan(back, parse_vary({phases}), false).points)
    receivers.emplace_back(point.scenario, fft);
  const auto receiving = [&] {
    double seconds = 0.0;
    for (std::uint64_t frame = 0; frame < 4; ++frame) {
      const Capture capture = link(frame);
      for (const Receiver& receiver : receivers) seconds += seconds_of([&] { receiver(capture, false); });
    }
    return seconds;
  };
  row("10 numbers of test phases, against the receivers alone",
      shortest([&] { return sweep_seconds(back, phases, 1, fft); }, receiving), "at most 1.2");
}

void thread_row(const Scenario& back, const FftCache& fft) {
  Scenario many = back;
  many.set("run.frames=8");
  const auto sixteen = [&](unsigned threads) {
    return sweep_seconds(many, "channel.osnr_db=6:0.5:13.5", threads, fft);
  };
  row("16 points on one thread, against two threads",
      shortest([&] { return sixteen(1); }, [&] { return sixteen(2); }), "at least 1.9");
}

}  // namespace

int speed_of_studies(int argc, char** argv) {
  keep_memory();  // as the program does
  FftCache fft(FftPlanning::kMeasure);
  std::printf("  %-58s %10s  %10s  %6s\n", "", "time", "against", "ratio");
  span_reuse_row(argc > 1 && std::strcmp(argv[1], "--quick") == 0, fft);
  const Scenario back = scenario_of({"run.frames=4", "run.target_errors=0", "channel.osnr_db=12"});
  capture_reuse_row(back, fft);
  thread_row(back, fft);
  for (const std::size_t points : {16, 1000, 100'000}) dispatch_row(points);
  budget_row("budget of nine channels, 20 spans", {"fibre.spans=20"});
  budget_row("the same, amplifiers of fixed output", {"fibre.spans=20", "amplifier.output_power_dbm=10"});
  budget_row("the same, 14 unequal spans",
             {"fibre.span_lengths_km=60,70,80,90,100,65,75,85,95,55,62,72,82,92"});
  return 0;
}

}  // namespace cohlink
