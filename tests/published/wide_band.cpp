// Wide combs: loss over the band, stimulated Raman tilt, OSNR of every channel, and interference under a
// tilt.
#include <doctest/doctest.h>

#include <cmath>
#include <string>

#include "sim/budget/line_interference.h"
#include "sim/link_setup.h"
#include "sim/optical_path.h"
#include "sim/signal/line/loss_spectrum.h"
#include "sim/signal/line/read_line.h"
#include "sim/signal/line/wide_band.h"
#include "sim/signal/units.h"
#include "tests/ffts.h"
#include "tests/published/fibre_wdm.h"
#include "tests/settings.h"
#include "tests/validation.h"

using namespace cohlink;
using test::ffts;
using test::scenario_with;
using test::Settings;

namespace {

constexpr double kSlope = 0.028;  // 1/(W km THz), standard fibre (from memory)

std::string number(double value) { return std::to_string(value); }

/// Tilt [dB] by Raman scattering between the outermost of `channels` equal channels over one span.
double tilt_db(int channels, double band_thz, double total_dbm, double length_km) {
  const Settings settings = {
      "fibre.spans=1",
      "fibre.attenuation_db_per_km=0.2",
      "fibre.span_length_km=" + number(length_km),
      "fibre.raman_slope_per_w_km_thz=" + number(kSlope),
      "channel.count=" + std::to_string(channels),
      "channel.spacing_ghz=" + number(1e3 * band_thz / (channels - 1)),
      "transmitter.launch_power_dbm=" + number(total_dbm - to_db(channels)),
  };
  const CombWalk walk = walk_comb(read_line(scenario_with(settings)));
  return to_db(walk.sections[0].end.front() / walk.sections[0].end.back());
}

void check_tilt(const std::string& what, double published, double measured) {
  validation::record("Raman tilt over " + what,
                     "4.343 P C L_eff B: Zirngibl, Electron. Lett. 34(8) 789 (1998), with 0.028 /(W km THz) "
                     "and 0.2 dB/km (from memory)",
                     published, measured, 0.01 * published, "dB");
  CHECK(std::abs(measured - published) < 0.01 * published);
}

}  // namespace

TEST_CASE("stimulated Raman scattering tilts a comb by the published amount") {
  check_tilt("1 THz by 1 W, 80 km", 2.574, tilt_db(2, 1.0, 30.0, 80.0));
  check_tilt("10 THz by 24 dBm, 100 km", 6.57, tilt_db(21, 10.0, 24.0, 100.0));
  check_tilt("5 THz by 20 dBm, 80 km", 1.287, tilt_db(51, 5.0, 20.0, 80.0));
}

TEST_CASE("the typical loss of silica is what cables have in the C and L bands") {
  struct Point {
    double nm, db_per_km;
  };
  // 0.19 at 1550 to 1565 nm, 0.20 at 1530, 0.20 to 0.21 at 1600 to 1610.
  for (const Point& p : {Point{1530, 0.20}, Point{1550, 0.19}, Point{1565, 0.19}, Point{1605, 0.205}}) {
    const double measured = typical_loss_db_per_km(p.nm * 1e-9);
    validation::record("typical loss of fibre at " + std::to_string(static_cast<int>(p.nm)) + " nm",
                       "typical cables (from memory)", p.db_per_km, measured, 0.01, "dB/km");
    CHECK(std::abs(measured - p.db_per_km) < 0.01);
  }
}

// 80 channels at 50 GHz and 3 dBm, 10 spans, gains flat: the tilt grows from span to span. What is expected
// is worked out here channel by channel, without a cell or a step: Zirngibl's profile, gain that restores the
// power of all, (F G - 1) h nu of each amplifier in both polarisations, carried on with the channel.
TEST_CASE("OSNR of every channel of a wide comb follows the closed walk") {
  constexpr int kChannels = 80, kSpans = 10;
  const LinkSetup setup = link_setup(scenario_with(
      {"channel.count=80", "channel.grid_centre_thz=193.4", "fibre.spans=10", "fibre.loss_curve=flat",
       "fibre.attenuation_db_per_km=0.2", "fibre.raman_slope_per_w_km_thz=" + number(kSlope),
       "transmitter.launch_power_dbm=3", "signal.symbols=1024"}));
  const double loss = db_per_km_to_per_m(0.2), effective = -std::expm1(-loss * 80e3) / loss;
  const double total = kChannels * dbm_to_watt(3.0), factor = from_db(5.0), gain = from_db(16.0);
  std::vector<double> power(kChannels, dbm_to_watt(3.0)), noise(kChannels, 0.0), offset, frequency;
  for (int k = 0; k < kChannels; ++k)
    offset.push_back((k - 39.5) * 50e9), frequency.push_back(193.4e12 + offset[k]);
  for (int span = 0; span < kSpans; ++span) {
    double sum = 0.0;
    for (int k = 0; k < kChannels; ++k)
      sum += power[k] * std::exp(-total * kSlope * 1e-15 * effective * offset[k]);
    for (int k = 0; k < kChannels; ++k) {
      const double through = total / sum * std::exp(-total * kSlope * 1e-15 * effective * offset[k]);
      power[k] *= through;
      noise[k] = noise[k] * through + (factor * gain - 1.0) * kPlanck * frequency[k] * kOsnrBandwidthHz;
    }
  }
  double worst = 0.0;
  const std::vector<ChannelEnd> ends = walk_channels(setup, 0.0);
  REQUIRE(ends.size() == kChannels);
  for (int k = 0; k < kChannels; ++k) {
    const double expected = to_db(power[k] / noise[k]), said = to_db(ends[k].osnr.value());
    worst = std::max(worst, std::abs(said - expected));
    CHECK(std::abs(to_db(ends[k].power / power[k])) < 0.05);
  }
  MESSAGE("OSNR from " << to_db(power[79] / noise[79]) << " to " << to_db(power[0] / noise[0]) << " dB");
  validation::record("OSNR of each of 80 channels over 10 spans under Raman tilt, largest difference",
                     "Zirngibl, Electron. Lett. 34(8) 789 (1998), and (F G - 1) h nu of every amplifier", 0.0,
                     worst, 0.05, "dB");
  CHECK(worst < 0.05);
  CHECK(to_db(power[0] / noise[0]) > to_db(power[79] / noise[79]) + 1.0);
}

namespace {

/// Three channels of Gaussian symbols over two spans with an exaggerated tilt, undone behind each.
LinkSetup tilted_setup(int under_test, double raman_slope) {
  LinkSetup setup = link_setup(scenario_with(
      {"signal.modulation=gaussian", "signal.symbols=4096", "channel.count=3", "channel.spacing_ghz=100",
       "run.samples_per_symbol=16", "channel.under_test=" + std::to_string(under_test), "fibre.spans=2",
       "amplifier.ase=false", "amplifier.equalise_every_spans=1", "transmitter.launch_power_dbm=-3"}));
  setup.line.raman_slope = raman_slope;
  return setup;
}

/// SNR [dB] of nonlinear noise by split steps, of the lowest and of the highest optical frequency.
std::array<double, 2> simulated_db(const LinkSetup& setup, int seeds) {
  wdm::Signal signal;
  signal.shape = setup.transmitter.pulse;
  signal.channels_each_side = 1;
  signal.spacing = setup.line.comb.spacing;
  signal.power = setup.line.comb.tested().power;
  signal.symbols = 4096;
  signal.samples_per_symbol = 16;
  const PropagationPlan plan = plan_spans(setup, RandomStreams(1));
  const PlanTotals sum = totals(plan);
  std::array<double, 2> noise = {};
  for (int seed = 1; seed <= seeds; ++seed) {
    signal.seed = static_cast<std::uint64_t>(seed);
    wdm::Sent sent;
    Field<double> field = wdm::transmit(signal, ffts(), sent);
    wdm::propagate(field, plan, ffts());
    for (std::size_t side = 0; side < 2; ++side) {
      signal.under_test = side == 0 ? 1 : -1;  // counted in FFT frequency
      wdm::transmit(signal, ffts(), sent);     // the same light, read at another channel
      noise[side] += wdm::receive(signal, field, sum.beta2_length, sent, ffts()).noise_to_signal();
    }
  }
  return {-to_db(noise[0] / seeds), -to_db(noise[1] / seeds)};
}

double modelled_db(const LinkSetup& setup) {
  InterferenceMemo memo;
  const double power = setup.line.comb.tested().power;
  return -to_db(power * power * line_interference(setup, walk_spans(setup, 0.0), memo).back().expected());
}

}  // namespace

TEST_CASE("interference at the edges of a tilted comb follows the channels' own profiles") {
  // 4.343 P C L_eff 200 GHz = 6 dB a span for 1.5 mW; half as much without an equaliser between would do the
  // same to a channel within its own band, where the model's r(f3) becomes a mean. Flat, these seeds lie
  // within 0.04 dB of the model.
  const double slope = 6.0 / (4.343 * 1.5e-3 * 21.17e3 * 200e9);
  LinkSetup low = tilted_setup(1, slope), high = tilted_setup(3, slope), flat = tilted_setup(1, 0.0);
  for (LinkSetup* setup : {&low, &high, &flat})
    for (LineSection& section : setup->line.sections) section.span.beta3 = 0.0;
  const std::array<double, 2> simulated = simulated_db(low, 4);
  const double modelled[] = {modelled_db(low), modelled_db(high)};
  MESSAGE("flat " << modelled_db(flat) << ", low " << simulated[0] << " / " << modelled[0] << ", high "
                  << simulated[1] << " / " << modelled[1] << " dB");
  for (std::size_t side = 0; side < 2; ++side) {
    validation::record(std::string("SNR of interference under a tilt of 6 dB a span, ") +
                           (side == 0 ? "lowest" : "highest") +
                           " of three channels, model against split steps",
                       "split steps with the same tilt", simulated[side], modelled[side], 0.2, "dB");
    CHECK(std::abs(simulated[side] - modelled[side]) < 0.2);
  }
}
