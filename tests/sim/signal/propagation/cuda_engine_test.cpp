// The CUDA engine before the body that judges every engine (engine_body.h), where there is a card.
#include <doctest/doctest.h>

#include <cstring>

#include "sim/signal/propagation/cuda/cuda_engine.h"
#include "tests/sim/signal/propagation/engine_body.h"

using namespace cohlink;
using test::ffts;
using test::full_plan;
using test::relative_error;
using test::test_field;
using test::test_line;

namespace {

// One set of workers for all tests, as a program has it; nullptr without a card.
cuda::Cards* cards() {
  static const std::unique_ptr<cuda::Cards> all = [] {
    std::vector<int> indices;
    for (const cuda::Device& device : cuda::devices()) indices.push_back(device.index);
    return indices.empty() ? nullptr : std::make_unique<cuda::Cards>(indices);
  }();
  if (all == nullptr) MESSAGE("skipped: no CUDA device, or a build without CUDA");
  return all.get();
}

template <class Real>
double error_against_reference(std::size_t n, const PropagationPlan& plan) {
  return test::error_against_reference<Real>(n, plan, CudaEngine<Real>{*cards(), ffts()});
}

// Steps and sections from the start of the line.
PropagationPlan some_steps() {
  PropagationPlan plan = plan_line(test_line(StepLaw::kLossMatched), RandomStreams(5));
  plan.elements.resize(7);
  return plan;
}

// The CPU makes normals in single precision (normals.h), a card in double: 5e-7 of noise that is a tenth of
// the light, in amplitude. All else is held to rounding on the same plan without noise.
constexpr double kNoiseApart = 5e-8;

PropagationPlan silent(PropagationPlan plan) {
  for (PlanElement& element : plan.elements)
    if (auto* gain = std::get_if<LumpedGain>(&element)) gain->ase_psd = gain->noise_factor = 0.0;
  return plan;
}

}  // namespace

TEST_CASE("the CUDA engine agrees with the reference engine on every element") {
  if (cards() == nullptr) return;
  for (const StepLaw law :
       {StepLaw::kConstant, StepLaw::kLossMatched, StepLaw::kNonlinearPhase, StepLaw::kLocalError}) {
    const PropagationPlan plan = full_plan(law);
    // Rounding as for the CPU engines; and in single precision the phasors' powers, which are had by squaring
    // and so are off by up to eight times 6e-8, at each bin the same way in each of the adaptive law's
    // hundred and more equal steps.
    const double single = law == StepLaw::kLocalError ? 1e-4 : 3e-5;
    for (const std::size_t n : {std::size_t{4096}, std::size_t{3000}}) {  // two passes; whole transforms
      CAPTURE(n);
      CHECK(error_against_reference<double>(n, silent(plan)) < 1e-12);
      CHECK(error_against_reference<double>(n, plan) < kNoiseApart);
      CHECK(error_against_reference<float>(n, plan) < single);
    }
  }
}

TEST_CASE("the CUDA engine takes any length") {
  if (cards() == nullptr) return;
  const PropagationPlan noisy = full_plan(StepLaw::kLossMatched), quiet = silent(noisy);
  for (const std::size_t n : {1u, 2u, 15u, 625u, 1000u, 8192u}) {
    CAPTURE(n);
    Field<double> sent(n, 256e9);
    RandomStream random = RandomStreams(n).stream("test");
    for (auto* row : sent.rows()) {
      for (auto& a : *row) a = 0.02 * random.complex_normal();
    }
    for (const bool with_noise : {false, true}) {
      const PropagationPlan& plan = with_noise ? noisy : quiet;
      Field<double> exact = sent, field = sent;
      ReferenceEngine{ffts()}(exact, plan, RandomStreams(7));
      CudaEngine<double>{*cards(), ffts()}(field, plan, RandomStreams(7));
      CHECK(relative_error(field, exact) < (with_noise ? kNoiseApart : 1e-12));
    }
  }
}

TEST_CASE("the CUDA engine's kernels of every length agree") {
  if (cards() == nullptr) return;
  // A few steps, with sections, are enough to tell; rounding of some ten operations a step.
  const PropagationPlan steps = some_steps();
  for (int log_n = 12; log_n <= 22; ++log_n) {
    CAPTURE(log_n);
    CHECK(error_against_reference<double>(std::size_t{1} << log_n, steps) < 1e-13);
    CHECK(error_against_reference<float>(std::size_t{1} << log_n, steps) < 3e-6);
  }
}

TEST_CASE("a batch on a card is each field by itself, and repeats itself") {
  if (cards() == nullptr) return;
  const PropagationPlan plan = full_plan(StepLaw::kLossMatched);
  // More than a chunk, so that recordings are replayed; and the shapes of few and of many links.
  constexpr std::size_t kLength = std::size_t{1} << 16, kCount = 70;
  std::vector<Field<float>> fields(kCount, convert_field<float>(test_field(kLength, 1)));
  std::vector<RandomStreams> streams;
  for (std::size_t i = 0; i < kCount; ++i) streams.emplace_back(7, i % 5);
  const CudaEngine<float> engine(*cards(), ffts());
  engine(fields, plan, streams);
  for (std::size_t i = 5; i < kCount; ++i) {
    // The last chunk is smaller and may use other kernels: rounding apart, else to the last byte.
    if (i < 64)
      CHECK(std::memcmp(fields[i].x.data(), fields[i % 5].x.data(), kLength * sizeof(std::complex<float>)) ==
            0);
    CHECK(relative_error(fields[i], fields[i % 5]) < 3e-5);
  }
  CHECK(relative_error(fields[1], fields[0]) > 0.01);
  Field<double> alone = test_field(kLength, 1);
  FastEngine<double>{ffts()}(alone, plan, streams[2]);
  CHECK(relative_error(fields[2], alone) < 3e-5);
}

TEST_CASE("the CUDA engine counts and refuses as the CPU engines do") {
  if (cards() == nullptr) return;
  Field<double> field = test_field(4096, 1), same = field;
  const PropagationPlan plan = full_plan(StepLaw::kLocalError);
  const EngineReport there = CudaEngine<double>{*cards(), ffts()}(field, plan, RandomStreams(7));
  const EngineReport here = FastEngine<double>{ffts()}(same, plan, RandomStreams(7));
  CHECK(there.steps == here.steps);
  CHECK(there.rejected_steps == here.rejected_steps);
  CHECK(there.step_floor_hits == here.step_floor_hits);

  PropagationPlan dark;
  LumpedGain gain;
  gain.output_power = 1e-3;
  dark.elements.push_back(gain);
  Field<double> unlit(4096, 1e9);
  CHECK_THROWS_WITH((CudaEngine<double>{*cards(), ffts()}(unlit, dark, RandomStreams(1))),
                    "an amplifier of fixed output power received no light");
}

TEST_CASE("a card that is not there is refused by number") {
  CHECK_THROWS_AS(cuda::Cards({}), cuda::DeviceError);
  CHECK_THROWS_AS(cuda::Cards({1000}), cuda::DeviceError);
}
