// The receiver, block by block: dual-polarisation symbols per second of one core.
//
// By the thread's own processor time, the smallest of several runs for each block. What a run of `cohlink
// receive` does beside the chain (reading lanes, the stage record, the score against the truth) is listed
// apart.
#include <algorithm>
#include <cstdio>
#include <map>
#include <string>
#include <vector>

#include "rx/blocks/dispersion.h"
#include "rx/receiver.h"
#include "sim/link.h"
#include "sim/signal/execution/fft.h"
#include "sim/signal/line/read_line.h"
#include "sim/signal/pulse.h"
#include "tools/speed/clock.h"
#include "tools/speed/speed.h"

namespace cohlink {
namespace {

constexpr int kRuns = 9;

Scenario timed_scenario(int argc, char** argv) {
  Scenario s;
  s.read_text(
      "[signal]\nsymbols = 262144\n[run]\nsamples_per_symbol = 2\n[channel]\nosnr_db = 12\n"
      "extra_dispersion_ps_per_nm = 17000\npolarisation_rotation_deg = 37\n[laser_lo]\n"
      "linewidth_khz = 100\nfrequency_offset_mhz = 200\n[transmitter]\nlaser_linewidth_khz = 100\n",
      "speed");
  if (argc > 1) s.read_file(argv[1]);
  return s;
}

// Seconds of each step of one run, in the order of the chain; a block that stands twice is told apart.
using Steps = std::vector<std::pair<std::string, double>>;

Steps timed_run(const Receiver& receiver, const Capture& capture) {
  Steps steps;
  double before = processor_time();
  receiver(capture, true, [&](const std::string& step, const Field<float>&) {
    const double now = processor_time();
    steps.emplace_back(step, now - before);
    before = processor_time();
  });
  return steps;
}

bool is_block(const std::string& step) {
  return step != "lanes" && step != "stage record" && step != "score";
}

// Bare transforms of the dispersion block: forward and inverse of every overlap-save block of both rows.
double dispersion_ffts(const OverlapSaveFilter& filter, std::size_t samples, const FftCache& ffts) {
  const std::size_t n = filter.block(), hop = n - 2 * filter.reach();
  const std::size_t blocks = 2 * ((samples + hop - 1) / hop);
  const Fft<float>& fft = ffts.get<float>(n);
  ComplexRow<float> zeros(n);
  double best = 1e300;
  for (int run = 0; run < kRuns; ++run) {
    const double start = processor_time();
    for (std::size_t b = 0; b < blocks; ++b) {
      fft.forward(zeros);
      fft.inverse(zeros);
    }
    best = std::min(best, processor_time() - start);
  }
  return best;
}

void line(const std::string& name, double seconds, double symbols) {
  std::printf("%-16s %10.2f %12.2f\n", name.c_str(), 1e9 * seconds / symbols, 1e-6 * symbols / seconds);
}

void compare_dispersion(const Scenario& s, double seconds, std::size_t samples, const FftCache& ffts) {
  const Line line = read_line(s);
  const PulseShape& shape = line.comb.tested().pulse;
  const DispersionEqualiser block({dispersion_at_channel(line).beta2_length, 2.0 * shape.symbol_rate,
                                   pulse_band_edge(shape), shape.symbol_rate / 8, shape.symbol_rate / 10},
                                  ffts);
  if (block.filter() == nullptr) return;
  const double bare = dispersion_ffts(*block.filter(), samples, ffts);
  std::printf("\ndispersion: blocks of %zu with %zu overlap, %.2f times their bare FFTs\n",
              block.filter()->block(), 2 * block.filter()->reach(), seconds / bare);
}

}  // namespace

int speed_of_receiver(int argc, char** argv) {
  FftCache ffts;
  const Scenario s = timed_scenario(argc, argv);
  const Capture capture = Link(s, ffts)(0);
  const Receiver receiver(s, ffts);
  Steps best = timed_run(receiver, capture);
  for (int run = 1; run < kRuns; ++run) {
    const Steps steps = timed_run(receiver, capture);
    for (std::size_t i = 0; i < best.size(); ++i) best[i].second = std::min(best[i].second, steps[i].second);
  }
  const auto symbols = static_cast<double>(s.integer("signal.symbols"));
  std::printf("%s, %.0f symbols, one thread, processor time, best of %d\n\n%-16s %10s %12s\n",
              s.text("signal.modulation").c_str(), symbols, kRuns, "block", "ns/symbol", "Msymbol/s");
  double chain = 0.0, dispersion = 0.0;
  std::map<std::string, double> beside;
  for (const auto& [step, seconds] : best) {
    if (!is_block(step)) {
      beside[step] += seconds;
      continue;
    }
    line(step, seconds, symbols);
    chain += seconds;
    if (step == "dispersion") dispersion = seconds;
  }
  line("whole chain", chain, symbols);
  std::printf("\nbeside it\n");
  for (const auto& [step, seconds] : beside) line(step, seconds, symbols);
  if (dispersion > 0.0)
    compare_dispersion(s, dispersion, static_cast<std::size_t>(2 * s.integer("signal.symbols")), ffts);
  return 0;
}

}  // namespace cohlink
