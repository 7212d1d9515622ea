#include "sim/transmitter/laser.h"

#include <algorithm>
#include <cmath>
#include <span>

#include "sim/electronics/shaped_noise.h"
#include "sim/signal/units.h"

namespace cohlink {
namespace {

// From steps to where they lead. Four at a time: one alone would wait for every addition.
void add_up(double start, std::span<double> steps) {
  std::size_t i = 0;
  for (; i + 4 <= steps.size(); i += 4) {
    const double one = steps[i], two = one + steps[i + 1], three = two + steps[i + 2],
                 four = three + steps[i + 3];
    steps[i] = start + one, steps[i + 1] = start + two, steps[i + 2] = start + three;
    start = steps[i + 3] = start + four;
  }
  for (; i < steps.size(); ++i) start = steps[i] += start;
}

std::vector<double> lorentzian_phase(std::size_t samples, double sample_rate, double linewidth,
                                     RandomStream random) {
  std::vector<double> phase(samples, 0.0);
  if (linewidth == 0.0 || samples == 0) return phase;
  const double step = std::sqrt(kTwoPi * linewidth / sample_rate);
  phase[0] = kTwoPi * random.uniform();
  const std::span steps = std::span(phase).subspan(1);
  random.fill_normals(0, step, steps);
  add_up(phase[0], steps);
  return phase;
}

// Periodic noise of twice the frame, of which the first half is used: it does not close on itself.
void add_flicker(std::vector<double>& phase, double sample_rate, double density_at_1mhz, RandomStream random,
                 const FftCache& fft) {
  if (density_at_1mhz == 0.0) return;
  const auto density = [&](double f) { return f == 0.0 ? 0.0 : density_at_1mhz * 1e6 / f; };
  const auto frequency = shaped_noise(2 * phase.size(), sample_rate, density, random, fft);
  double turned = 0.0;
  for (std::size_t t = 0; t < phase.size(); ++t) {
    phase[t] += turned;
    turned -= kTwoPi * frequency[t] / sample_rate;
  }
}

// Phase is minus 2 pi times the integral of drift t + dither sin(2 pi rate t + start).
void add_deviation(std::vector<double>& phase, double sample_rate, const LaserParameters& p,
                   RandomStream random) {
  if (p.drift == 0.0 && p.dither == 0.0) return;
  const double start = kTwoPi * random.uniform(), w = kTwoPi * p.dither_rate;
  for (std::size_t i = 0; i < phase.size(); ++i) {
    const double t = static_cast<double>(i) / sample_rate;
    phase[i] -= kTwoPi * 0.5 * p.drift * t * t;
    phase[i] -= kTwoPi * p.dither * (std::cos(start) - std::cos(w * t + start)) / w;
  }
}

void add_intensity_noise(LaserTrace& trace, double sample_rate, const LaserParameters& p, RandomStream random,
                         const FftCache& fft) {
  if (!p.rin) return;
  const auto density = [&](double f) { return p.rin_bandwidth && f > *p.rin_bandwidth ? 0.0 : *p.rin; };
  trace.relative_power = shaped_noise(trace.phase.size(), sample_rate, density, random, fft);
  for (double& x : trace.relative_power) {
    trace.clipped_samples += x < -1.0;
    x = std::max(0.0, 1.0 + x);
  }
}

}  // namespace

double LaserTrace::amplitude(std::size_t t) const {
  return relative_power.empty() ? 1.0 : std::sqrt(relative_power[t]);
}

LaserTrace run_laser(const LaserParameters& p, const std::string& name, const TimeGrid& grid,
                     const RandomStreams& streams, const Execution& execution) {
  const auto [samples, sample_rate] = grid;
  const FftCache& fft = execution.ffts();
  LaserTrace trace;
  trace.phase = lorentzian_phase(samples, sample_rate, p.linewidth, streams.stream(name + "-phase"));
  execution.check();
  add_flicker(trace.phase, sample_rate, p.flicker, streams.stream(name + "-flicker"), fft);
  execution.check();
  add_deviation(trace.phase, sample_rate, p, streams.stream(name + "-dither"));
  execution.check();
  add_intensity_noise(trace, sample_rate, p, streams.stream(name + "-rin"), fft);
  return trace;
}

}  // namespace cohlink
