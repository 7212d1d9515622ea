// The cheapest receiver: against exhaustive search, on models and on a receiver.
#include "tools/study/search/economise.h"

#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>
#include <limits>
#include <map>

#include "sim/link_setup.h"
#include "sim/signal/random.h"
#include "sim/signal/units.h"
#include "tests/ffts.h"

using namespace cohlink;

namespace {

const std::vector<Cut> kThree = {{"dsp.equaliser_taps", "", {"15", "9", "5"}},
                                 {"dsp.test_phases", "", {"32", "12", "6"}},
                                 {"adc.bits", "", {"8", "6", "4"}}};
const std::string kTaps = "dsp.equaliser_taps", kPhases = "dsp.test_phases", kBits = "adc.bits";

/// Noise that each value adds to a noise of 1, and that two cuts share or add when they meet.
struct Model {
  std::map<std::string, std::map<std::int64_t, double>> added;
  double meeting = 0.0;  // of the smaller of the two largest: negative, they overlap

  double noise(const Scenario& s) const {
    std::vector<double> parts;
    for (const auto& [key, of] : added) parts.push_back(of.at(s.integer(key)));
    std::sort(parts.rbegin(), parts.rend());
    return 1.0 + parts[0] + parts[1] + parts[2] + meeting * parts[1];
  }
};

SourceMaker frames_of(const Model& model) {
  return [model](const Scenario& scenario) -> FrameSource {
    return [noise = model.noise(scenario)](std::uint64_t frame) {
      FrameResult result;
      result.count = {10, 1000};
      result.symbols = 1000.0;
      // Frames differ, all receivers alike.
      result.noise_sum = result.symbols * 0.05 * noise * (1.0 + 0.1 * static_cast<double>(frame % 5));
      return result;
    };
  };
}

ReceiverCost model_cost(const Scenario& s) {
  ReceiverCost cost;
  cost.multiplications = static_cast<double>(4 * s.integer(kTaps) + 2 * s.integer(kPhases));
  cost.arithmetic_pj = 0.1 * cost.multiplications;
  cost.converters_pj = 0.05 * std::exp2(static_cast<double>(s.integer(kBits)));
  return cost;
}

Model random_model(std::uint64_t number) {
  RandomStream random = RandomStreams(7, number).stream("economise-model");
  Model model;
  for (const Cut& cut : kThree) {
    double lost = 0.0;
    for (const std::string& value : cut.values) {
      model.added[cut.key][std::stoll(value)] = lost;
      lost += 0.12 * random.uniform();
    }
  }
  model.meeting = -0.5 + 1.5 * random.uniform();
  return model;
}

EconomiseOrder small_order() {
  EconomiseOrder order;
  order.cuts = kThree;
  order.frames = 3, order.fresh_frames = 4;
  return order;
}

/// All 27.
double cheapest_of_all(const EconomiseOrder& order, const CostOf& cost,
                       const std::function<bool(const Scenario&)>& holds) {
  double least = cost(order.scenario).pj();
  for (std::size_t i = 0; i < 27; ++i) {
    const Scenario lean = with_cuts(order.scenario, order.cuts, {i / 9, i / 3 % 3, i % 3});
    if (holds(lean)) least = std::min(least, cost(lean).pj());
  }
  return least;
}

void check_front(const Economy& found) {
  REQUIRE_FALSE(found.front.empty());
  CHECK(found.front.front().cost.pj() == found.as_is.cost.pj());
  for (std::size_t i = 1; i < found.front.size(); ++i) {
    CHECK(found.front[i].cost.pj() < found.front[i - 1].cost.pj());
    if (i > 1) CHECK(found.front[i].penalty_db.value > found.front[i - 1].penalty_db.value);
  }
}

}  // namespace

TEST_CASE("no combination is cheaper than the one found: exhaustive search over 3 x 3 x 3, 60 models") {
  for (std::uint64_t number = 0; number < 60; ++number) {
    const Model model = random_model(number);
    const EconomiseOrder order = small_order();
    const Economy found = economise(order, model_cost, frames_of(model), 1);
    const double least = cheapest_of_all(
        order, model_cost, [&](const Scenario& s) { return to_db(model.noise(s)) <= order.penalty_db; });
    CHECK((found.cheapest ? found.cheapest->cost.pj() : found.as_is.cost.pj()) == doctest::Approx(least));
    CHECK(found.complete);
    CHECK(found.measured.size() < 27);
    check_front(found);
    // With nothing that fails, the far end is every cut at its deepest.
    CHECK(found.front.back().rungs == Rungs{2, 2, 2});
  }
}

TEST_CASE("what does not lock, or slips, ends the front and everything cut deeper") {
  const Model model = random_model(1);
  const SourceMaker frames = frames_of(model);
  std::size_t looked_at = 0;
  const SourceMaker source = [&](const Scenario& scenario) -> FrameSource {
    const bool lost = scenario.integer(kBits) == 4, slips = scenario.integer(kTaps) == 5;
    looked_at += lost;
    return [=, of = frames(scenario)](std::uint64_t frame) {
      FrameResult result = of(frame);
      if (lost) result.unlocked = 1;
      if (slips) result.counters["cycle_slips"] = 2;
      return result;
    };
  };
  const Economy found = economise(small_order(), model_cost, source, 1);
  CHECK(found.front.back().rungs == Rungs{1, 2, 1});
  CHECK(looked_at == 1);  // by itself, and never again
  for (const LeanReceiver& single : found.singles)
    if (single.rungs == Rungs{2, 0, 0}) CHECK(single.remark == "6 cycle slips, 0 before");
  const SourceMaker dead = [&](const Scenario& scenario) -> FrameSource {
    return [of = frames(scenario)](std::uint64_t frame) {
      FrameResult result = of(frame);
      result.unlocked = 1;
      return result;
    };
  };
  CHECK_THROWS_AS(economise(small_order(), model_cost, dead, 1), InputError);
}

TEST_CASE("an answer that does not hold on fresh frames is not given") {
  const Model model = random_model(2);
  const SourceMaker frames = frames_of(model);
  // Six bits lose 1 dB, but only in frames that the search does not see.
  const SourceMaker source = [&](const Scenario& scenario) -> FrameSource {
    const bool six = scenario.integer(kBits) == 6;
    return [six, of = frames(scenario)](std::uint64_t frame) {
      FrameResult result = of(frame);
      if (six && frame >= 3) result.noise_sum *= from_db(1.0);
      return result;
    };
  };
  const Economy found = economise(small_order(), model_cost, source, 1);
  REQUIRE(found.cheapest);
  CHECK(found.cheapest->rungs[2] != 1);
  CHECK(found.fresh_penalty_db.high <= 0.5);
}

TEST_CASE("a receiver's cheapest combination within 0.5 dB is that of exhaustive search") {
  EconomiseOrder order = small_order();
  order.scenario.read_text(
      "[signal]\nsymbols = 8192\n[channel]\nosnr_db = 14\ndgd_ps = 15\npolarisation_rotation_deg = 35\n"
      "[transmitter]\nlaser_linewidth_khz = 100\n[laser_lo]\nlinewidth_khz = 100\n",
      "small.ini");
  const FftCache& fft = test::ffts();
  const CostOf cost = [&](const Scenario& s) {
    return receiver_cost(Receiver(s, fft), s, link_setup(s).adc.sample_rate, 8192);
  };
  const auto reuse = std::make_shared<FrameReuse>(search_reuse_rule(order.scenario, {kTaps, kPhases, kBits}));
  const SourceMaker source = remembered(simulation(fft, reuse));
  const Economy found = economise(order, cost, source, 2);
  const auto snrs = [&](const Scenario& s) {
    std::vector<double> values;
    for (std::uint64_t frame = 0; frame < order.frames; ++frame) {
      const FrameResult result = source(s)(frame);
      values.push_back(result.unlocked > 0 ? -std::numeric_limits<double>::infinity() : result.snr_db());
    }
    return values;
  };
  const auto own = snrs(order.scenario);
  const double least = cheapest_of_all(order, cost, [&](const Scenario& s) {
    auto lost = snrs(s);
    for (std::size_t f = 0; f < lost.size(); ++f) lost[f] = own[f] - lost[f];
    return student(lost, 0.95).high <= order.penalty_db;
  });
  REQUIRE(found.cheapest);
  CHECK(found.cheapest->cost.pj() == doctest::Approx(least));
  CHECK(found.measured.size() < 27);
  check_front(found);
  // What several cuts save together is what each saves alone: they touch different blocks.
  double saved = 0.0;
  for (const LeanReceiver& single : found.singles)
    for (std::size_t c = 0; c < kThree.size(); ++c)
      if (single.rungs[c] > 0 && single.rungs[c] == found.front.back().rungs[c])
        saved += found.as_is.cost.pj() - single.cost.pj();
  CHECK(found.as_is.cost.pj() - found.front.back().cost.pj() == doctest::Approx(saved));
}

TEST_CASE("cuts are those of the chain's blocks, below what the scenario has") {
  Scenario scenario;
  scenario.set("dsp.equaliser_taps=9");
  scenario.set("dsp.phase_recovery=bps");
  const std::vector<Cut> cuts = receiver_cuts(scenario);
  const auto of = [&](const std::string& name) {
    const auto found = std::find_if(cuts.begin(), cuts.end(), [&](const Cut& c) { return c.name() == name; });
    return found == cuts.end() ? std::vector<std::string>{} : found->values;
  };
  CHECK(of(kTaps) == std::vector<std::string>{"9", "7", "5", "3"});
  CHECK(of("dsp.equaliser_form").empty());
  CHECK(of("dsp.back_propagation_steps").empty());
  CHECK(of("clock") == std::vector<std::string>{"there", "left out"});
  CHECK(of("resample").empty());
  CHECK(of("frequency (coarse)").size() == 2);
  const auto lean =
      with_cuts(scenario, {{"", "frequency (coarse)", {"there", "left out"}}, kThree[1]}, {1, 2});
  CHECK(lean.written("dsp.chain") ==
        "deskew,orthonormalise,resample,dispersion,clock,matched-filter,equaliser,frequency,phase");
  CHECK(lean.integer(kPhases) == 6);
  const Cut phase{"", "phase", {"there", "left out"}};
  REQUIRE(cuts[1].reader == "phase");
  CHECK(says_twice({cuts[1], phase}, {1, 1}));
  CHECK_FALSE(says_twice({cuts[1], phase}, {1, 0}));
  CHECK_THROWS_AS(parse_cut("fibre.spans=3|2", scenario, "--cut"), InputError);
  CHECK_THROWS_AS(parse_cut("dsp.equaliser_taps=9", scenario, "--cut"), InputError);
}
