// Nonlinear noise of combs too wide for a test on the CPU, against the GN model (gn_integral.h): where there
// is a card.
#include <doctest/doctest.h>

#include <cmath>
#include <string>

#include "sim/fibre/line.h"
#include "sim/signal/propagation/propagation_engine.h"
#include "sim/signal/units.h"
#include "tests/ffts.h"
#include "tests/published/fibre_wdm.h"
#include "tests/published/gn_integral.h"

using namespace cohlink;
using test::ffts;

namespace {

wdm::Signal comb(int channels_each_side, std::size_t symbols, std::size_t samples_per_symbol) {
  wdm::Signal signal;
  signal.shape.roll_off = 0.1;
  signal.channels_each_side = channels_each_side;
  signal.symbols = symbols;
  signal.samples_per_symbol = samples_per_symbol;
  signal.power = dbm_to_watt(-5.0);
  return signal;
}

// SNR of nonlinear noise at 0 dBm a channel after `spans` of 80 km, as a mean over `seeds`.
template <class Real>
double simulated_snr_db(wdm::Signal signal, int spans, int seeds, const LineParameters& line) {
  const Span& span = line.sections[0].span;
  const PropagationPlan plan = plan_line(line, RandomStreams(1));
  double noise = 0.0;
  for (int seed = 1; seed <= seeds; ++seed) {
    signal.seed = static_cast<std::uint64_t>(seed);
    wdm::Sent sent;
    Field<Real> field = convert_field<Real>(wdm::transmit(signal, ffts(), sent));
    for (int i = 0; i < spans; ++i) wdm::propagate(field, plan, ffts());
    noise += wdm::receive(signal, field, span.beta2 * span.length * spans, sent, ffts()).noise_to_signal();
  }
  return -to_db(noise / seeds / std::pow(signal.power, 2) * 1e-6);
}

template <class Real>
void compare_with_gn(const wdm::Signal& signal, int spans, int seeds, const std::string& what) {
  LineParameters line;
  line.bandwidth = signal.bandwidth();
  line.sections.resize(1);
  line.sections[0].span.beta3 = 0.0;
  line.sections[0].amplifier.ase = false;
  const Span& span = line.sections[0].span;
  const auto density = [&](double f) { return std::pow(pulse_spectrum(signal.shape, f), 2); };
  const gn::Comb published_comb{signal.shape.symbol_rate,
                                pulse_band_edge(signal.shape),
                                signal.spacing,
                                signal.channels_each_side,
                                density,
                                signal.under_test};
  const gn::Link link{span.gamma, span.beta2, span.loss, span.length, spans};
  const double simulated = simulated_snr_db<Real>(signal, spans, seeds, line);
  MESSAGE(what << ", " << spans << " spans: simulated " << simulated << " dB");
  const double published = -to_db(gn::eta(link, published_comb) * 1e-6);
  MESSAGE(what << ", " << spans << " spans: GN " << published << " dB");
  CHECK(std::abs(simulated - published) < 0.15);
}

bool skipped() {
  if (card_at_hand()) return false;
  MESSAGE("skipped: no CUDA device");
  return true;
}

}  // namespace

// 0.15 dB is the bar set beforehand; scatter over seeds as in fibre_nonlinear_noise.cpp.
TEST_CASE("nonlinear noise amid five and nine Gaussian channels is the GN integral's") {
  if (skipped()) return;
  compare_with_gn<float>(comb(2, 8192, 16), 20, 8, "five channels at 50 GHz");
  compare_with_gn<float>(comb(4, 8192, 32), 20, 8, "nine channels at 50 GHz");
}

// By hand, for each takes minutes: the dispersive cap asks for 440,000 steps, whose rounding single precision
// does not bear (read at 6.5 dB instead of 19.7), and the integral over so many channels takes as long.
TEST_CASE("nonlinear noise amid 81 Gaussian channels is the GN integral's in the middle" * doctest::skip()) {
  if (skipped()) return;
  compare_with_gn<double>(comb(40, 4096, 256), 10, 1, "81 channels at 50 GHz, the middle one");
}

TEST_CASE("nonlinear noise amid 81 Gaussian channels is the GN integral's at the edge" * doctest::skip()) {
  if (skipped()) return;
  wdm::Signal signal = comb(40, 4096, 256);
  signal.under_test = 40;
  compare_with_gn<double>(signal, 10, 1, "81 channels at 50 GHz, the outermost");
}
