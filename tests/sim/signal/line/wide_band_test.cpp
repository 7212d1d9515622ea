// What a comb's width does to a line, against closed forms worked out here and against the light itself.
#include "sim/signal/line/wide_band.h"

#include <doctest/doctest.h>

#include <cmath>
#include <numeric>

#include "sim/link.h"
#include "sim/link_setup.h"
#include "sim/optical_path.h"
#include "sim/signal/line/line_plan.h"
#include "sim/signal/line/read_line.h"
#include "sim/signal/units.h"
#include "tests/settings.h"

using namespace cohlink;
using test::scenario_with;
using test::Settings;

namespace {

Line line_of(const Settings& settings) { return read_line(scenario_with(settings)); }

double sum(const std::vector<double>& powers) { return std::accumulate(powers.begin(), powers.end(), 0.0); }

/// Power of each channel in a field, read from its spectrum.
std::vector<double> powers_in(Field<double> field, const Comb& comb, const FftCache& fft) {
  const auto n = static_cast<double>(field.size());
  std::vector<double> powers(comb.channels.size(), 0.0);
  for (auto* row : field.rows()) {
    fft.get<double>(field.size()).forward(*row);
    for (std::size_t k = 0; k < field.size(); ++k)
      for (std::size_t c = 0; c < powers.size(); ++c)
        if (std::abs(bin_frequency(k, field.size(), field.sample_rate) - comb.channels[c].frequency) <
            comb.spacing / 2.0)
          powers[c] += std::norm((*row)[k]) / (n * n);
  }
  return powers;
}

}  // namespace

TEST_CASE("a line is flat unless something is said to hang on frequency") {
  CHECK(walk_comb(line_of({"channel.count=5", "fibre.spans=2"})).flat());
  CHECK(walk_comb(line_of({"channel.count=5", "fibre.spans=2", "channel.wavelength_nm=1590",
                           "fibre.loss_curve=flat"}))
            .flat());
  for (const char* key : {"fibre.raman_slope_per_w_km_thz=0.028", "fibre.loss_curve=typical",
                          "amplifier.gain_tilt_db_per_thz=0.5", "amplifier.equalise_every_spans=1"})
    CHECK_FALSE(walk_comb(line_of({"channel.count=5", "fibre.spans=2", key})).flat());
}

TEST_CASE("Raman scattering carries power along the comb as the closed form says, and loses none") {
  const Line line = line_of({"channel.count=5", "channel.spacing_ghz=1000", "fibre.spans=1",
                             "channel.power_offsets_db=15,18,20,12,17", "fibre.attenuation_db_per_km=0.2",
                             "fibre.raman_slope_per_w_km_thz=0.028"});
  const CombWalk walk = walk_comb(line);
  REQUIRE(walk.sections.size() == 1);
  const SectionWalk& section = walk.sections[0];
  // Zirngibl 1998, on the channels' powers: P(v, L) = P(v, 0) e^-aL P exp(-P C Leff v) / sum of the same.
  const double loss = std::exp(-db_per_km_to_per_m(0.2) * 80e3), total = sum(section.start);
  const double effective = (1.0 - loss) / db_per_km_to_per_m(0.2);
  std::vector<double> expected;
  for (std::size_t c = 0; c < 5; ++c)
    expected.push_back(section.start[c] *
                       std::exp(-total * 0.028e-15 * effective * (static_cast<double>(c) - 2.0) * 1e12));
  const double scale = total * loss / sum(expected);
  // The integration errs by 1e-8 (fourth order); the last channel gives away 14 %.
  for (std::size_t c = 0; c < 5; ++c)
    CHECK(section.end[c] == doctest::Approx(scale * expected[c]).epsilon(1e-6));
  CHECK(section.end[4] / section.start[4] < 0.86 * loss);
  CHECK(sum(section.end) == doctest::Approx(total * loss).epsilon(1e-7));
}

TEST_CASE("amplifiers restore the power of all channels, tilt them by their slope, and are equalised") {
  const Settings common = {"channel.count=3", "channel.spacing_ghz=1000", "fibre.spans=3",
                           "channel.power_offsets_db=14,15,13", "fibre.raman_slope_per_w_km_thz=0.028"};
  auto with = [&](Settings more) {
    more.insert(more.end(), common.begin(), common.end());
    return walk_comb(line_of(more)).sections;
  };
  const auto tilted = with({"amplifier.gain_tilt_db_per_thz=0.8"}), straight = with({});
  for (std::size_t k = 0; k < 3; ++k) {
    CHECK(sum(tilted[k].start) == doctest::Approx(sum(tilted[0].start)).epsilon(1e-9));
    CHECK(tilted[k].gain == doctest::Approx(from_db(16.0)).epsilon(1e-6));
  }
  const auto ratio_db = [](const std::vector<double>& p) { return to_db(p[2] / p[0]); };
  const double raman = ratio_db(straight[1].start) - ratio_db(straight[0].start);
  // 4.343 P C L_eff times 2 THz.
  const double effective = (1.0 - from_db(-16.0)) / db_per_km_to_per_m(0.2);
  CHECK(raman ==
        doctest::Approx(-to_db(std::exp(1.0)) * sum(straight[0].start) * 0.028e-15 * effective * 2e12)
            .epsilon(1e-6));
  CHECK(ratio_db(tilted[1].start) - ratio_db(tilted[0].start) == doctest::Approx(1.6 + raman).epsilon(1e-9));
  const auto equalised = with({"amplifier.gain_tilt_db_per_thz=0.8", "amplifier.equalise_every_spans=2"});
  CHECK(std::abs(ratio_db(equalised[1].start) - ratio_db(equalised[0].start)) > 0.5);
  for (std::size_t c = 0; c < 3; ++c)
    CHECK(equalised[2].start[c] == doctest::Approx(equalised[0].start[c]).epsilon(1e-9));
}

TEST_CASE("the light has the powers that the walk along the comb says") {
  const Scenario s = scenario_with(
      {"channel.count=3", "channel.spacing_ghz=100", "signal.symbols=2048", "channel.under_test=1",
       "channel.power_offsets_db=20,21,23", "fibre.spans=2", "fibre.nonlinear_coefficient_per_w_km=0",
       "amplifier.ase=false", "fibre.raman_slope_per_w_km_thz=1", "amplifier.gain_tilt_db_per_thz=3",
       "fibre.loss_curve=typical", "run.samples_per_symbol=8"});
  FftCache fft(FftPlanning::kEstimate, "");
  const LinkSetup setup = link_setup(s);
  for (const char* law : {"loss-matched", "local-error"}) {
    CAPTURE(law);
    Scenario by_law = s;
    by_law.set(std::string("fibre.step_law=") + law);
    by_law.set("fibre.steps_per_span=4");
    const Link link(by_law, fft);
    const LightFrame sent = link.transmit({});
    const std::vector<double> before = powers_in(sent.light, setup.line.comb, fft);
    const LightFrame frame = link.propagate(sent, {});
    const std::vector<double> after = powers_in(frame.light, setup.line.comb, fft);
    const PropagationPlan plan = nominal_plan(setup.line);
    LightWalk walk(plan, launched_light(setup));
    for (const PlanElement& element : plan.elements) walk.pass(element);
    // The random data tilt a channel's own spectrum by about a percent, and with it what a slope of some
    // decibels over the comb does to the channel.
    for (std::size_t c = 0; c < 3; ++c)
      CHECK(std::abs(to_db(after[c] / before[c] * setup.line.comb.channels[c].power /
                           walk.channels()[c].power)) < 0.01);
    CHECK(walk.levels().signal_power == doctest::Approx(walk.channels()[0].power).epsilon(1e-6));
  }
}

TEST_CASE("a channel's wavelength moves dispersion, loss and photon energy, and the grid with it") {
  const Line line = line_of({"channel.wavelength_nm=1590", "fibre.spans=1"});
  // D + S (l - 1550 nm) with 17 and 0.056.
  CHECK(beta2_length_to_accumulated(dispersion_at_channel(line).beta2_length, 1590e-9) ==
        doctest::Approx(80.0 * (17.0 + 0.056 * 40.0)));
  CHECK(line.carrier() == doctest::Approx(188.549e12).epsilon(1e-5));
  CHECK(line.sections[0].span.loss > db_per_km_to_per_m(0.2));

  const Line edge = line_of({"channel.wavelength_nm=1590", "channel.count=5", "channel.under_test=1",
                             "channel.spacing_ghz=100", "fibre.spans=1"});
  CHECK(edge.comb.centre() == doctest::Approx(edge.carrier() + 200e9).epsilon(1e-12));
  const Line placed = line_of({"channel.grid_centre_thz=190", "channel.count=5", "channel.under_test=1",
                               "channel.spacing_ghz=100", "fibre.spans=1"});
  CHECK(placed.comb.centre() == doctest::Approx(190e12).epsilon(1e-14));
  CHECK(placed.carrier() == doctest::Approx(189.8e12).epsilon(1e-12));
  // Dispersion at the channel, by the grid's second and third order: D of the fibre there.
  const double nm = 1e9 * placed.wavelength;
  CHECK(beta2_length_to_accumulated(dispersion_at_channel(placed).beta2_length, placed.wavelength) ==
        doctest::Approx(80.0 * (17.0 + 0.056 * (nm - 1550.0))).epsilon(1e-4));
  // Given as what is assumed without it, the wavelength changes nothing but the loss curve's small slope.
  const Line same = line_of({"channel.wavelength_nm=1550", "fibre.spans=1", "fibre.loss_curve=flat"});
  const Line usual = line_of({"fibre.spans=1"});
  CHECK(same.sections[0].span.beta2 == doctest::Approx(usual.sections[0].span.beta2).epsilon(1e-14));
  CHECK(same.sections[0].span.loss == usual.sections[0].span.loss);
}
