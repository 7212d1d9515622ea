// Margins on models whose noise is known: every impairment adds a known share, no waveform.
#include "tools/study/search/margins.h"

#include <doctest/doctest.h>

#include <boost/random/binomial_distribution.hpp>
#include <boost/random/mersenne_twister.hpp>
#include <cmath>
#include <map>

#include "sim/signal/random.h"
#include "sim/signal/units.h"
#include "tools/study/plan/numbers.h"
#include "tools/study/search/quick_margins.h"

using namespace cohlink;

namespace {

using NoiseLaw = std::function<double(const Scenario&)>;

/// Errors by the binomial law and a noise power that a frame scatters by 5 %, the same whatever the scenario.
SourceMaker model(std::uint64_t seed, const NoiseLaw& noise) {
  constexpr std::int64_t kBits = 2'000'000;
  return [=](const Scenario& scenario) -> FrameSource {
    const double ratio = noise(scenario);
    return [=](std::uint64_t frame) {
      boost::random::mt19937_64 engine(RandomStreams(seed, frame).stream("model").bits());
      const double scatter = 0.95 + 0.1 * static_cast<double>(engine() % 1000) / 999.0;
      boost::random::binomial_distribution<std::int64_t> errors(kBits,
                                                                theory_ber(Modulation::kQpsk, 1.0 / ratio));
      FrameResult result;
      result.count = {static_cast<std::uint64_t>(errors(engine)), static_cast<std::uint64_t>(kBits)};
      result.symbols = static_cast<double>(kBits) / 2.0;
      result.noise_sum = result.symbols * ratio * scatter;
      return result;
    };
  };
}

/// Impairments that are there, in a scenario without any other.
Scenario impaired(const std::map<std::string, double>& values) {
  Scenario scenario;
  for (const char* ideal : {"adc.bits=16", "frontend.responsivity_a_per_w=1.25", "run.frames=40"})
    scenario.set(ideal);
  for (const auto& [key, value] : values) scenario.set(key, short_decimal(value), "test");
  return scenario;
}

Margins margins_of(const MarginsOrder& order, const SourceMaker& source) {
  const MarginsPlan plan = plan_margins(
      order, [](const Scenario&) {}, 1);
  const TaskFarm farm = margin_tasks(plan, source);
  std::vector<std::string> lines;
  for (std::size_t task = 0; task < farm.count; ++task) lines.push_back(farm.compute(task));
  return judge_margins(plan, lines);
}

const ImpairmentMargin& named(const Margins& margins, const std::string& name) {
  for (const ImpairmentMargin& m : margins.impairments)
    if (m.impairment.name() == name) return m;
  FAIL("no " << name);
  return margins.impairments.front();
}

/// Noise over signal that leaves a BER of 2e-2.
double most_noise() { return 1.0 / theory_snr(Modulation::kQpsk, 2e-2); }

}  // namespace

TEST_CASE("every impairment's row names a key, an ideal it accepts and a usual value on the way it grows") {
  for (const Impairment& row : impairment_rows()) {
    CAPTURE(row.key);
    const ScenarioKey* key = find_key(row.key);
    REQUIRE(key != nullptr);
    Scenario scenario;
    CHECK_NOTHROW(scenario.set(std::string(row.key), std::string(row.ideal), {}));
    const bool number = key->type == KeyType::kNumber || key->type == KeyType::kInteger;
    CHECK(number == (row.growth != Growth::kSwitch));
    if (!number) continue;
    CHECK_NOTHROW(scenario.set(std::string(row.key), short_decimal(row.usual), {}));
    if (const auto ideal = parse_number(row.ideal))
      CHECK((row.growth == Growth::kDown ? row.usual < *ideal : row.usual > *ideal));
    CHECK(key->low < key->high);
  }
}

TEST_CASE("impairments grow by the factor asked for, on their own scales") {
  const auto impairments = impairments_of(impaired({{"channel.dgd_ps", 12},
                                                    {"laser_lo.frequency_offset_mhz", -300},
                                                    {"adc.enob", 6},
                                                    {"frontend.bandwidth_ghz", 40},
                                                    {"laser_lo.rin_db_per_hz", -145}}),
                                          false);
  REQUIRE(impairments.size() == 5);
  const std::map<std::string, double> doubled = {{"channel.dgd_ps", 24},
                                                 {"laser_lo.frequency_offset_mhz", -600},
                                                 {"adc.enob", 5},
                                                 {"frontend.bandwidth_ghz", 20},
                                                 {"laser_lo.rin_db_per_hz", -145 + 10 * std::log10(2.0)}};
  for (const ScenarioImpairment& i : impairments) {
    CAPTURE(i.name());
    CHECK(grown(i, i.now, 2.0) == doctest::Approx(doubled.at(i.name())));
    CHECK(headroom(i, grown(i, i.now, 2.0)) == doctest::Approx(2.0));
    CHECK(grown(i, i.end, 2.0) == i.end);
  }
}

TEST_CASE("costs are what each adds, sharper than the frames themselves, and headroom is what is left") {
  // Noise n = 0.08 + a x^2 + b y^2: at 2e-2 a bound on n, so each limit is a square root.
  const Scenario scenario = impaired({{"channel.dgd_ps", 10}, {"laser_lo.linewidth_khz", 100}});
  const NoiseLaw noise = [](const Scenario& s) {
    return 0.08 + 4e-4 * std::pow(s.number("channel.dgd_ps"), 2) +
           1e-6 * std::pow(s.number("laser_lo.linewidth_khz"), 2);
  };
  const Margins margins = margins_of({scenario, {}}, model(1, noise));
  REQUIRE(margins.impairments.size() == 2);
  CHECK(margins.snr_db.high - margins.snr_db.low > 0.1);
  for (const auto& [name, share] :
       std::map<std::string, double>{{"channel.dgd_ps", 0.04}, {"laser_lo.linewidth_khz", 0.01}}) {
    const ImpairmentMargin& m = named(margins, name);
    CHECK(m.cost.value == doctest::Approx(to_db(0.13 / (0.13 - share))));
    CHECK(m.cost.high - m.cost.low < 1e-9);
    const double limit = std::sqrt((most_noise() - 0.13 + share) / share);  // as a ratio to what it is
    CHECK(m.growth.state == GrowthState::kLimited);
    // 40 frames of 2e6 bits tell the BER within 0.1 %, and the bracket is 5 % of a doubling.
    CHECK(m.headroom == doctest::Approx(limit).epsilon(0.03));
    CHECK(headroom(m.impairment, m.growth.holds) <= limit * 1.001);
    CHECK(headroom(m.impairment, m.growth.fails) >= limit * 0.999);
  }
  CHECK(margins.impairments.front().impairment.name() == "channel.dgd_ps");
  REQUIRE(margins.pairs.size() == 1);
  CHECK(std::abs(margins.pairs[0].interaction.value) < 1e-9);
  CHECK(!margins.pairs[0].interacts());
}

TEST_CASE(
    "at its best launch power each time, an impairment costs and lasts what the best power leaves of it") {
  // Noise a / P + b P^2, which is least, 3 (a^2 b / 4)^(1/3), at P^3 = a / 2b; the impairment raises a
  // (Poggiolini and others, J. Lightwave Technol. 32(4) 694, 2014, section VIII: two thirds of a dB for each
  // dB of amplifier noise).
  const double b = std::pow(0.05 / 3.0, 3) * 4.0;
  const NoiseLaw noise = [b](const Scenario& s) {
    const double power = from_db(s.number("transmitter.launch_power_dbm"));
    return (1.0 + 0.4 * s.number("channel.dgd_ps") / 10.0) / power + b * power * power;
  };
  MarginsOrder order{impaired({{"channel.dgd_ps", 10}}), {}};
  order.frames = 2;
  order.optimum = parse_optimum("transmitter.launch_power_dbm=0:30", order.scenario, "");
  const Margins margins = margins_of(order, model(4, noise));
  const ImpairmentMargin& m = named(margins, "channel.dgd_ps");
  CHECK(std::abs(m.cost.value - to_db(1.4) * 2.0 / 3.0) < 0.01);
  const double most = (std::pow(most_noise() / 0.05, 1.5) - 1.0) / 0.4;  // of it, in units of what it is
  CHECK(m.headroom == doctest::Approx(most).epsilon(0.03));
  REQUIRE(margins.optimum.has_value());
  // A parabola half a dB either side of the top of a curve that rises and falls by different laws.
  CHECK(std::abs(margins.optimum->value - to_db(1.4 / (2.0 * b)) / 3.0) < 0.05);
}

TEST_CASE("one impairment at 90 % of its limit among ten at 10 % stands on top, whatever the seed") {
  const std::vector<std::string> names = {"transmitter.laser_linewidth_khz",
                                          "transmitter.iq_phase_error_deg",
                                          "transmitter.iq_skew_ps",
                                          "channel.pdl_db",
                                          "laser_lo.linewidth_khz",
                                          "frontend.hybrid_phase_error_deg",
                                          "frontend.thermal_noise_pa_per_sqrt_hz",
                                          "frontend.dark_current_na",
                                          "adc.jitter_fs",
                                          "adc.skew_xi_ps",
                                          "channel.dgd_ps"};
  std::map<std::string, double> values;
  for (const std::string& name : names) values[name] = 0.5;
  const Scenario scenario = impaired(values);
  // What is left, r, is the noise that takes each of ten from 10 % to its limit, k (1 - 0.1^2), and the weak
  // one from 90 %: k (1 - 0.9^2).
  const double r = (most_noise() - 0.15) / (1.0 + 10.0 * 0.01 / 0.99 + 0.81 / 0.19);
  for (std::uint64_t seed = 0; seed < 20; ++seed) {
    const std::string weak = names[seed % names.size()];
    const NoiseLaw noise = [&](const Scenario& s) {
      double sum = 0.15;
      for (const std::string& name : names) {
        const double part = name == weak ? 0.9 : 0.1;
        sum += r / (1.0 - part * part) * std::pow(part * s.number(name) / 0.5, 2);
      }
      return sum;
    };
    MarginsOrder order{scenario, {}};
    order.frames = 2;
    const Margins margins = margins_of(order, model(seed, noise));
    const ImpairmentMargin& first = margins.impairments.front();
    CHECK(first.impairment.name() == weak);
    CHECK(first.headroom == doctest::Approx(1.0 / 0.9).epsilon(0.05));
    CHECK(margins.impairments[1].headroom == doctest::Approx(10.0).epsilon(0.05));
  }
}

TEST_CASE("two impairments whose noise multiplies are named as a pair, others are not") {
  const Scenario scenario =
      impaired({{"channel.dgd_ps", 10}, {"laser_lo.linewidth_khz", 100}, {"adc.jitter_fs", 100}});
  // Noise 0.1 without any, 0.01 more by each, 0.02 more by two of them together.
  const NoiseLaw noise = [](const Scenario& s) {
    const double x = s.number("channel.dgd_ps") / 10.0, y = s.number("laser_lo.linewidth_khz") / 100.0;
    return 0.1 + 0.01 * (x * x + y * y + s.number("adc.jitter_fs") / 100.0) + 0.02 * x * y;
  };
  const Margins margins = margins_of({scenario, {}}, model(3, noise));
  REQUIRE(margins.pairs.size() == 3);
  const PairMargin& pair = margins.pairs.front();
  std::vector<std::string> both = {margins.impairments[pair.first].impairment.name(),
                                   margins.impairments[pair.second].impairment.name()};
  std::sort(both.begin(), both.end());
  CHECK(both == std::vector<std::string>{"channel.dgd_ps", "laser_lo.linewidth_khz"});
  CHECK(pair.interacts());
  CHECK(pair.joint_db == doctest::Approx(to_db(0.15 / 0.11)));
  CHECK(pair.sum_db == doctest::Approx(to_db(0.13 / 0.11)));
  CHECK(pair.interaction.value == doctest::Approx(to_db(0.15 / 0.13)));
  CHECK(!margins.pairs[1].interacts());
  CHECK(!margins.pairs[2].interacts());
}

namespace {

// A link whose noise passes what the criterion allows by a twentieth: these parts of that are the square of a
// delay's and a linewidth's, the rest is always there.
Margins of_failing_link(double delay_part, double linewidth_part) {
  const double most = most_noise(), rest = 1.05 - delay_part - linewidth_part;
  const NoiseLaw noise = [=](const Scenario& s) {
    return most * (rest + delay_part * std::pow(s.number("channel.dgd_ps") / 10.0, 2) +
                   linewidth_part * s.number("laser_lo.linewidth_khz") / 100.0);
  };
  return margins_of({impaired({{"channel.dgd_ps", 10}, {"laser_lo.linewidth_khz", 100}}), {}},
                    model(5, noise));
}

}  // namespace

TEST_CASE("a link that fails says what would mend it") {
  // The first would have to shrink to half its noise, the second takes too little.
  const Margins margins = of_failing_link(0.10, 0.02);
  CHECK(margins.impairments.front().impairment.name() == "channel.dgd_ps");
  CHECK(margins.impairments.front().growth.state == GrowthState::kFailsNow);
  CHECK(margins.impairments.front().headroom == doctest::Approx(std::sqrt(0.5)).epsilon(0.03));
  CHECK(named(margins, "laser_lo.linewidth_khz").growth.state == GrowthState::kFailsAnyway);
}

TEST_CASE("of two that would mend a failing link the one with less to change stands on top") {
  // One has to halve its square, the other itself.
  const Margins margins = of_failing_link(0.10, 0.10);
  CHECK(margins.impairments.front().impairment.name() == "channel.dgd_ps");
  CHECK(named(margins, "laser_lo.linewidth_khz").headroom == doctest::Approx(0.5).epsilon(0.05));
  CHECK(named(margins, "laser_lo.linewidth_khz").growth.state == GrowthState::kFailsNow);
}

TEST_CASE("an impairment at its ideal has no cost, and its limit begins at its usual value") {
  MarginsOrder order{impaired({{"channel.dgd_ps", 10}}), {}};
  order.all = true;
  order.frames = 2;
  const NoiseLaw noise = [](const Scenario& s) {
    return 0.1 + 1e-3 * s.number("laser_lo.linewidth_khz") * most_noise();
  };
  const Margins margins = margins_of(order, model(6, noise));
  const ImpairmentMargin& m = named(margins, "laser_lo.linewidth_khz");
  CHECK(m.impairment.at_ideal);
  CHECK(std::isnan(m.cost.value));
  CHECK(std::isnan(m.headroom));
  CHECK(m.growth.value == doctest::Approx(1e3 * (1.0 - 0.1 / most_noise())).epsilon(0.05));
  const ImpairmentMargin& dgd = named(margins, "channel.dgd_ps");
  CHECK(dgd.growth.state == GrowthState::kHoldsOn);
  CHECK(dgd.growth.holds == 1000.0);
}

TEST_CASE("closed forms give a noise figure the margin of a line of nothing but ASE") {
  Scenario scenario;
  for (const char* setting :
       {"fibre.spans=10", "fibre.span_length_km=100", "fibre.attenuation_db_per_km=0.2",
        "fibre.nonlinear_coefficient_per_w_km=0", "amplifier.noise_figure_db=5", "adc.bits=16"})
    scenario.set(setting);
  MarginsOrder order{scenario, {}};
  order.quick = true;
  const Margins margins = quick_margins(plan_margins(
      order, [](const Scenario&) {}, 1));
  const ImpairmentMargin& m = named(margins, "amplifier.noise_figure_db");
  // (F G - 1)/2 h nu of each amplifier in both polarisations (Agrawal, Fiber-Optic Communication Systems, ch.
  // 7); G = 100 to 1 lets a dB of F be a dB of noise within 0.02 dB.
  const double ase = (from_db(5.0) * 100.0 - 1.0) / 2.0 * 6.62607015e-34 * 299792458.0 / 1550e-9;
  const double snr_db = to_db(1e-3 / 2.0 / (10.0 * ase * 32e9)), most_db = to_db(1.0 / most_noise());
  CHECK(margins.snr_db.value == doctest::Approx(snr_db).epsilon(0.002));
  CHECK(m.cost.value == doctest::Approx(2.0).epsilon(0.01));
  CHECK(m.growth.state == GrowthState::kLimited);
  CHECK(std::abs(m.growth.value - 5.0 - (snr_db - most_db)) < 0.05);
}
