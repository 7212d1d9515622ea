#include "sim/signal/execution/execution.h"

#include <doctest/doctest.h>

#include <atomic>
#include <cstring>
#include <stdexcept>
#include <vector>

#include "sim/frontend/adc.h"
#include "sim/link.h"
#include "sim/signal/execution/field_batch.h"
#include "sim/signal/execution/threads.h"
#include "sim/signal/propagation/engine.h"
#include "sim/signal/random.h"
#include "sim/transmitter/transmitter.h"
#include "tests/ffts.h"

using namespace cohlink;
using test::ffts;

namespace {

FibreConstants standard_fibre() {
  FibreConstants fibre;
  fibre.beta2 = -21e-27;
  fibre.loss = 4.6e-5;
  fibre.kerr = 1.2e-3;
  return fibre;
}

PropagationPlan steps(std::size_t count) {
  PropagationPlan plan;
  for (std::size_t i = 0; i < count; ++i) plan.elements.push_back(SplitStep{1000.0, standard_fibre()});
  return plan;
}

Field<double> noise_field(std::size_t n, std::uint64_t key) {
  Field<double> field(n, 64e9);
  RandomStream(key).fill_noise(0, 0.02, std::span(field.x));
  RandomStream(key + 1).fill_noise(0, 0.02, std::span(field.y));
  return field;
}

}  // namespace

TEST_CASE("an execution hears shares of a propagation that add up to one a field") {
  for (const FieldLayout layout : {FieldLayout::kNatural, FieldLayout::kTwoPass}) {
    double heard = 0.0;
    std::size_t calls = 0;
    const Execution execution = Execution(ffts()).heard_by([&](double share) {
      heard += share;
      ++calls;
    });
    std::vector<Field<double>> fields = {noise_field(1024, 1), noise_field(1024, 3)};
    FastEngine<double>(execution, layout)(std::span(fields), steps(50), {});
    CHECK(heard == doctest::Approx(2.0).epsilon(1e-9));  // rounding of some hundred sums
    CHECK(calls > 20);
    PropagationPlan adaptive;
    adaptive.elements.push_back(AdaptiveStretch{20e3, standard_fibre(), 1e-4, 1000.0, 2000.0, 0.0});
    heard = 0.0;
    FastEngine<double>(execution, layout)(std::span(fields), adaptive, {});
    CHECK(heard == doctest::Approx(2.0).epsilon(1e-9));
  }
}

TEST_CASE("an execution that is stopped ends its engines, links and copies at once") {
  const Execution execution(ffts());
  std::size_t calls = 0;
  const Execution heard = execution.heard_by([&](double) {
    if (++calls == 3) execution.stop();  // as a signal handler would, in the middle of the work
  });
  for (const FieldLayout layout : {FieldLayout::kNatural, FieldLayout::kTwoPass}) {
    Field<double> field = noise_field(1024, 1);
    CHECK_THROWS_AS(FastEngine<double>(heard, layout)(field, steps(500), RandomStreams(1)), Stopped);
  }
  CHECK(calls == 3);  // the second never began
  Field<double> field = noise_field(64, 1);
  CHECK_THROWS_AS(ReferenceEngine{execution}(field, steps(2), RandomStreams(1)), Stopped);
  Scenario scenario;
  scenario.set("signal.symbols=1024");
  CHECK_THROWS_AS(Link(scenario, heard)(0), Stopped);
}

TEST_CASE("every piece of hardware at either end asks whether it is to stop") {
  const Execution stopped(ffts());
  stopped.stop();
  const Field<double> light = noise_field(64, 1);
  const RandomStreams streams(1);
  const LocalOscillatorParameters lo;
  const LaserTrace still{std::vector<double>(64, 0.0), {}};
  CHECK_THROWS_AS(transmit(TransmitterParameters{}, streams, stopped), Stopped);
  CHECK_THROWS_AS(run_laser({}, "lo", {64, 1e9}, streams, stopped), Stopped);
  CHECK_THROWS_AS(detect(light, {lo, still}, {}, streams, stopped), Stopped);
  CHECK_THROWS_AS(amplify_currents(light, {}, stopped), Stopped);
  CHECK_THROWS_AS(convert({light, {1, 1, 1, 1}}, {}, {}, streams, stopped), Stopped);
}

TEST_CASE("a batch in one piece of memory is each of its fields by itself, and copies share it") {
  const std::vector<Field<double>> fields = {noise_field(1001, 1), noise_field(1001, 3)};  // no whole lines
  const FieldBatch<double> batch = FieldBatch<double>::of(std::span<const Field<double>>(fields));
  CHECK(batch.frames() == 2);
  CHECK(batch.bytes() == 4 * 1004 * sizeof(std::complex<double>));  // rows of whole 64-byte lines
  const FieldBatch<double> copy = batch;
  FastEngine<double>{ffts()}(batch, steps(3), {});
  for (std::size_t i = 0; i < 2; ++i) {
    Field<double> alone = fields[i];
    FastEngine<double>{ffts()}(alone, steps(3), RandomStreams(1));
    const Field<double> moved = copy.field(i);
    CHECK(std::memcmp(moved.x.data(), alone.x.data(), 1001 * sizeof(std::complex<double>)) == 0);
    CHECK(std::memcmp(moved.y.data(), alone.y.data(), 1001 * sizeof(std::complex<double>)) == 0);
  }
}

TEST_CASE("a batch refuses fields that differ, and engines memory that is not the host's") {
  const std::vector<Field<double>> unlike = {noise_field(64, 1), noise_field(32, 1)};
  CHECK_THROWS_WITH(FieldBatch<double>::of(std::span<const Field<double>>(unlike)),
                    "the fields of a batch must share length and sample rate");
  const FieldBatch<float> elsewhere(1, 16, 1e9, {nullptr, MemoryPlace::kDevice});
  CHECK_THROWS_WITH(FastEngine<float>{ffts()}(elsewhere, {}, {}), "the batch lies in a device's memory");
  CHECK_THROWS_WITH(elsewhere.field(0), "the batch lies in a device's memory");
}

TEST_CASE("a link makes a batch of frames as it makes each by itself, on any number of threads") {
  Scenario scenario;
  for (const char* key : {"signal.symbols=1024", "channel.osnr_db=15", "fibre.spans=1"}) scenario.set(key);
  const std::vector<StreamAddress> addresses = {{0, 0}, {3, 0}, {3, 1}};
  const Link alone(scenario, ffts());
  for (const unsigned threads : {1u, 2u}) {
    const Link link(scenario, Execution(ffts(), Device::kCpu, threads));
    const std::vector<Capture> captures = link(addresses);
    for (std::size_t i = 0; i < addresses.size(); ++i)
      CHECK(captures[i].lanes == alone(addresses[i].frame, addresses[i].point).lanes);
  }
}

TEST_CASE("of several failures the one of the lowest index is thrown") {
  std::atomic<int> done = 0;
  const auto work = [&](std::size_t i) {
    ++done;
    if (i >= 2) throw std::runtime_error("job " + std::to_string(i));
  };
  CHECK_THROWS_WITH(for_each_index(100, 1, work), "job 2");
  CHECK(done == 3);
}
