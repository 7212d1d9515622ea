// Where the time of a capture goes: transmitter, line, front end, and writing it.
#include <unistd.h>

#include <algorithm>
#include <array>
#include <chrono>
#include <cstdio>
#include <filesystem>
#include <string>
#include <vector>

#include "sim/link.h"
#include "sim/signal/record/capture.h"
#include "tools/speed/speed.h"

namespace cohlink {
namespace {

struct Case {
  const char* name;
  std::vector<const char*> settings;
  int runs;
};

const std::vector<Case>& cases() {
  static const std::vector<Case> all = {
      {"back to back, 2^13 symbols", {"signal.symbols=8192", "channel.osnr_db=14"}, 40},
      {"1 channel, 20 spans, 2^15 symbols",
       {"signal.symbols=32768", "run.samples_per_symbol=4", "fibre.spans=20"},
       2},
      {"9 channels, 1 span, 2^14 symbols",
       {"signal.symbols=16384", "run.samples_per_symbol=32", "fibre.spans=1", "channel.count=9"},
       2},
      {"80 channels, 1 span, 2^13 symbols",
       {"signal.symbols=8192", "run.samples_per_symbol=256", "fibre.spans=1", "channel.count=80",
        "run.precision=single"},
       1}};
  return all;
}

Scenario scenario_of(const Case& c) {
  Scenario s;
  for (const char* setting : c.settings) s.set(setting);
  return s;
}

constexpr std::array kStages = {"transmitter",  "line", "optics", "front end",
                                "three in one", "file", "on disk"};
using Times = std::array<double, kStages.size()>;  // s

template <class Work>
double seconds_of(const Work& work) {
  const auto start = std::chrono::steady_clock::now();
  work();
  return std::chrono::duration<double>(std::chrono::steady_clock::now() - start).count();
}

Times timed_capture(const Link& link, std::uint64_t number, const std::string& path) {
  const StreamAddress address{number, 0};
  Times times{};
  LightFrame light;
  Capture capture;
  times[0] = seconds_of([&] { light = link.transmit(address); });
  times[1] = seconds_of([&] { light = link.propagate(std::move(light), address); });
  times[2] = seconds_of([&] { light = link.deliver(std::move(light), address); });
  times[3] = seconds_of([&] { capture = link.detect(std::move(light), address); });
  light = link.transmit(address);
  times[4] = seconds_of([&] { capture = link.arrive(std::move(light), {address, address, address}); });
  times[5] = seconds_of([&] { write_capture(capture, path, OnDisk::kLater); });
  times[6] = seconds_of([&] { write_capture(capture, path); });
  return times;
}

}  // namespace

int speed_of_captures(int argc, char** argv) {
  const int most = argc > 1 ? std::stoi(argv[1]) : 9;  // channels; 0 = back to back alone
  const FftCache ffts;
  const std::filesystem::path folder =
      std::filesystem::temp_directory_path() / ("cohlink-speed-" + std::to_string(::getpid()));
  std::filesystem::create_directory(folder);
  std::printf(
      "ms of the clock, one thread (and a card, where there is one), best of the runs; three in one: line "
      "to\n"
      "front end, as a study has them where it keeps nothing between, so that light stays on a card; file: "
      "as\n"
      "in a data set, which waits for the disk once, at its end; on disk: waited for by itself\n%-36s",
      "");
  for (const char* stage : kStages) std::printf("%14s", stage);
  std::puts("");
  for (const Case& c : cases()) {
    const Scenario s = scenario_of(c);
    if (s.integer("fibre.spans") > 0 && s.integer("channel.count") > most) continue;
    const Link link(s, ffts);
    Times best;
    best.fill(1e300);
    for (int run = 0; run <= c.runs; ++run) {  // the first finds plans and memory cold
      const Times times = timed_capture(link, static_cast<std::uint64_t>(run), folder / "capture.h5");
      for (std::size_t i = 0; i < best.size(); ++i) best[i] = std::min(best[i], times[i]);
    }
    std::printf("%-36s", c.name);
    for (const double seconds : best) std::printf("%14.2f", 1e3 * seconds);
    std::puts("");
    std::fflush(stdout);
  }
  std::filesystem::remove_all(folder);
  return 0;
}

}  // namespace cohlink
