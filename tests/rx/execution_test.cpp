// What runs a reception: its progress is heard, it can be stopped, and batches are its captures one by one.
#include <doctest/doctest.h>

#include <cmath>
#include <stdexcept>
#include <string>
#include <vector>

#include "rx/blocks/blind_phase_search.h"
#include "rx/blocks/clock_recovery.h"
#include "rx/blocks/dispersion.h"
#include "rx/blocks/equaliser.h"
#include "rx/blocks/lanes.h"
#include "rx/blocks/resample.h"
#include "rx/quality/information.h"
#include "rx/receiver.h"
#include "sim/link.h"
#include "sim/signal/execution/execution.h"
#include "tests/rx/generator.h"

using namespace cohlink;

namespace {

Scenario back_to_back() {
  return test::scenario_of({"signal.modulation=qpsk", "channel.osnr_db=15", "signal.symbols=4096"});
}

std::vector<Capture> captures(std::size_t count) {
  const Link link(back_to_back(), test::fft());
  std::vector<Capture> made;
  for (std::size_t i = 0; i < count; ++i) made.push_back(link(i));
  return made;
}

bool same(const ReceiverResult& a, const ReceiverResult& b) {
  return a.symbols.x == b.symbols.x && a.symbols.y == b.symbols.y &&
         a.score->both.errors == b.score->both.errors;
}

}  // namespace

TEST_CASE("an execution hears shares of a reception that add up to one a capture") {
  double heard = 0.0;
  std::size_t calls = 0;
  const Execution execution = Execution(test::fft()).heard_by([&](double share) { heard += share, ++calls; });
  const Receiver receiver(back_to_back(), execution);
  receiver(captures(2));
  CHECK(heard == doctest::Approx(2.0).epsilon(1e-12));  // rounding of some ten sums
  CHECK(calls == 2 * (back_to_back().list("dsp.chain").size() + 1));
}

TEST_CASE("a reception that is stopped ends before its next block") {
  const Execution execution(test::fft());
  const Receiver receiver(back_to_back(), execution);
  const Capture capture = captures(1).front();
  std::vector<std::string> done;
  const auto after = [&](const std::string& step, const Field<float>&) {
    done.push_back(step);
    if (step == "matched-filter") execution.stop();  // as a signal handler would, in the middle of the work
  };
  CHECK_THROWS_AS(receiver(capture, false, after), Stopped);
  CHECK(done.back() == "stage record");  // of the block at which it was told
  CHECK(done[done.size() - 2] == "matched-filter");
  CHECK_THROWS_AS(receiver(capture), Stopped);
}

TEST_CASE("blocks that run long look within themselves whether to stop") {
  const Execution stopped(test::fft());
  stopped.stop();
  const auto sent = test::random_symbols(Modulation::kQpsk, 4096);
  const Field<float> two = test::shaped(sent.symbols, 2), one = test::at_symbol_rate(sent.symbols);
  const PulseShape pulse{Pulse::kRrc, 0.1, test::kRate};
  CHECK_THROWS_AS(Resampler({50e9}, stopped)(two), Stopped);
  CHECK_THROWS_AS(DispersionEqualiser({accumulated_to_beta2_length(1000.0)}, stopped)(two), Stopped);
  CHECK_THROWS_AS((ClockRecovery{{pulse}, stopped}(two)), Stopped);
  CHECK_THROWS_AS((Equaliser{{}, stopped}(two, 16, 4000)), Stopped);
  const std::complex<float>* rows[] = {one.x.data(), one.y.data()};
  CHECK_THROWS_AS(BlindPhaseSearch({}, stopped)(rows, one.size()), Stopped);
  CHECK_THROWS_AS(achievable_information(one.x, sent.symbols[0], 0.1, Modulation::kQpsk, stopped), Stopped);
}

TEST_CASE("a batch of captures is each by itself, on any number of threads") {
  const std::vector<Capture> made = captures(3);
  const Receiver alone(back_to_back(), test::fft());
  for (const unsigned threads : {1u, 2u}) {
    const Receiver receiver(back_to_back(), Execution(test::fft(), Device::kCpu, threads));
    const std::vector<ReceiverResult> results = receiver(made);
    for (std::size_t i = 0; i < made.size(); ++i) CHECK(same(results[i], alone(made[i])));
  }
}

TEST_CASE("a batch of fields is received as the captures that hold them, in any unit") {
  const std::vector<Capture> made = captures(2);
  std::vector<Field<float>> fields;
  std::vector<Truth> truth;
  for (const Capture& capture : made) {
    fields.push_back(read_lanes(capture));
    for (auto* row : fields.back().rows())
      for (auto& a : *row) a *= 0.125f;  // a power of two, which rounds nothing
    truth.push_back(*capture.truth);
  }
  const Receiver receiver(back_to_back(), test::fft());
  const auto batch = FieldBatch<float>::of(std::span<const Field<float>>(fields));
  const std::vector<ReceiverResult> results = receiver(batch, truth);
  for (std::size_t i = 0; i < made.size(); ++i) {
    const ReceiverResult whole = receiver(made[i]);
    // The lanes were freed of their mean and scaled before: what is done again rounds alone.
    CHECK(results[i].score->both.errors == whole.score->both.errors);
    CHECK(results[i].score->snr_db == doctest::Approx(whole.score->snr_db).epsilon(1e-5));
  }
  CHECK(receiver(batch)[0].locked);
  CHECK_FALSE(receiver(batch)[0].score);
  CHECK_THROWS_AS(receiver(batch, std::span(truth).first(1)), std::invalid_argument);
  CHECK_THROWS_AS(read_lanes(Field<float>(0, 64e9)), InputError);
  CHECK_THROWS_AS(read_lanes(Field<float>(16, 64e9)), InputError);  // silent
}
