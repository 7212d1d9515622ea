// One body for every engine: each must do to a field what the reference engine does.
#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>
#include <cstring>

#include "sim/signal/propagation/engine.h"
#include "sim/signal/units.h"
#include "tests/ffts.h"
#include "tests/sim/signal/propagation/engine_body.h"

using namespace cohlink;
using test::ffts;
using test::full_plan;
using test::relative_error;
using test::test_field;
using test::test_line;

namespace {

template <class Real>
double error_against_reference(std::size_t n, const PropagationPlan& plan, FieldLayout layout) {
  return test::error_against_reference<Real>(n, plan, FastEngine<Real>{ffts(), layout});
}

// Of 4096 samples of 256 GSa/s, with its end before theirs.
PolarisationTrack test_track() {
  PolarisationTrack track{1.5e-9, {}};
  for (int k = 0; k < 8; ++k) track.turns.push_back(stokes_rotation({0.0, 0.6, 0.8}, 0.4 * k * k));
  return track;
}

}  // namespace

TEST_CASE("fast engines agree with the reference engine on every element") {
  for (const StepLaw law :
       {StepLaw::kConstant, StepLaw::kLossMatched, StepLaw::kNonlinearPhase, StepLaw::kLocalError}) {
    PropagationPlan plan = full_plan(law);
    plan.elements.emplace_back(test_track());
    for (const FieldLayout layout : {FieldLayout::kNatural, FieldLayout::kTwoPass}) {
      // Rounding only: about 1e-16 sqrt(steps) and 6e-8 sqrt(steps), with room for the order of sums and for
      // the hundred-odd steps of the adaptive law.
      CHECK(error_against_reference<double>(4096, plan, layout) < 1e-12);
      CHECK(error_against_reference<float>(4096, plan, layout) < 3e-5);
    }
  }
}

TEST_CASE("the natural layout takes any length, odd ones too") {
  const PropagationPlan plan = full_plan(StepLaw::kLossMatched);
  for (const std::size_t n : {1u, 2u, 15u, 625u, 1000u}) {
    Field<double> exact(n, 256e9);
    RandomStream random = RandomStreams(n).stream("test");
    for (auto* row : exact.rows()) {
      for (auto& a : *row) a = 0.02 * random.complex_normal();
    }
    Field<double> field = exact;
    ReferenceEngine{ffts()}(exact, plan, RandomStreams(7));
    FastEngine<double>{ffts()}(field, plan, RandomStreams(7));
    CHECK(relative_error(field, exact) < 1e-12);
  }
}

TEST_CASE("the two-pass layout agrees with whole FFTs at lengths of several shapes") {
  const PropagationPlan plan = full_plan(StepLaw::kLossMatched);
  for (const std::size_t n : {std::size_t{1024}, std::size_t{3} * 4096, std::size_t{65536}})
    CHECK(error_against_reference<double>(n, plan, FieldLayout::kTwoPass) < 1e-12);
  // Long fields have longer columns; a few steps are enough to tell.
  PropagationPlan steps = plan;
  steps.elements.resize(8);
  for (const std::size_t n : {std::size_t{3} << 16, std::size_t{1} << 20})
    CHECK(error_against_reference<double>(n, steps, FieldLayout::kTwoPass) < 1e-12);
}

TEST_CASE("an empty plan leaves the field alone") {
  for (const FieldLayout layout : {FieldLayout::kNatural, FieldLayout::kTwoPass}) {
    CHECK(error_against_reference<double>(4096, {}, layout) < 1e-14);
  }
}

TEST_CASE("same seed, same bytes; another frame, other noise") {
  const PropagationPlan plan = full_plan(StepLaw::kLossMatched);
  Field<float> fields[3] = {convert_field<float>(test_field(4096, 1)), {}, {}};
  fields[1] = fields[2] = fields[0];
  const RandomStreams streams[3] = {RandomStreams(7, 0), RandomStreams(7, 0), RandomStreams(7, 1)};
  FastEngine<float>{ffts()}(fields, plan, streams);
  CHECK(std::memcmp(fields[0].x.data(), fields[1].x.data(), 4096 * sizeof(std::complex<float>)) == 0);
  CHECK(relative_error(fields[2], fields[0]) > 0.01);
}

TEST_CASE("a plan followed by its inverse leaves the field as it was") {
  LineParameters line = test_line(StepLaw::kLossMatched);
  line.sections[0].filters.clear();
  line.sections[0].amplifier.ase = false;
  line.sections[1].amplifier.mode = GainMode::kNone;
  PropagationPlan plan = plan_line(line, RandomStreams(5));
  plan.elements.push_back(PolarisationRotation{2e9, {0.0, 1.0, 0.0}, 1e-9});
  plan.elements.push_back(test_track());
  const Field<double> sent = test_field(4096, 1);
  Field<double> light = sent;
  FastEngine<double>{ffts()}(light, plan, RandomStreams(7));
  CHECK(relative_error(light, sent) > 0.1);
  FastEngine<double>{ffts()}(light, inverse(plan), RandomStreams(7));
  CHECK(relative_error(light, sent) < 1e-11);  // rounding, as above

  plan.elements.push_back(OpticalFilter{0.0, 75e9, 10e9});
  CHECK_THROWS_WITH(inverse(plan), "a plan with an optical filter has no inverse");
}

TEST_CASE("a batch is each field by itself") {
  const PropagationPlan plan = full_plan(StepLaw::kLossMatched);
  Field<double> fields[2] = {test_field(2048, 1), test_field(2048, 2)}, alone = fields[1];
  const RandomStreams streams[2] = {RandomStreams(7, 0), RandomStreams(7, 1)};
  FastEngine<double>{ffts()}(fields, plan, streams);
  FastEngine<double>{ffts()}(alone, plan, streams[1]);
  CHECK(std::memcmp(fields[1].x.data(), alone.x.data(), 2048 * sizeof(std::complex<double>)) == 0);
}

TEST_CASE("engines refuse what they cannot do") {
  PropagationPlan noisy;
  LumpedGain gain;
  gain.ase_psd = 1e-18;
  noisy.elements.push_back(gain);
  Field<double> field(64, 1e9), ragged(64, 1e9);
  ragged.y.resize(32);
  FastEngine<double> engine(ffts());
  CHECK_THROWS_WITH(engine({&field, 1}, noisy, {}), "ASE needs random streams for each field");
  CHECK_THROWS_WITH(engine(ragged, {}, RandomStreams(1)), "the field's rows differ in length");
  CHECK_THROWS_WITH((FastEngine<double>{ffts(), FieldLayout::kTwoPass}(field, {}, RandomStreams(1))),
                    "a field of this length has too few factors of two for the two-pass layout");
  PropagationPlan dark;
  gain.output_power = 1e-3;
  dark.elements.push_back(gain);
  CHECK_THROWS_WITH(engine(field, dark, RandomStreams(1)),
                    "an amplifier of fixed output power received no light");
}
