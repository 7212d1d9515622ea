// Blocks of somebody else's, and receptions that stop inside the chain.
#include <doctest/doctest.h>

#include <cmath>
#include <limits>

#include "rx/blocks/matched_filter.h"
#include "rx/chain/table.h"
#include "rx/receiver.h"
#include "sim/link.h"
#include "tests/rx/generator.h"

using namespace cohlink;

namespace {

Scenario back_to_back() {
  return test::scenario_of({"signal.modulation=qpsk", "channel.osnr_db=15", "signal.symbols=8192"});
}

template <class Action>
std::string refused(const Action& action) {
  try {
    action();
  } catch (const InputError& error) {
    return error.what();
  }
  return "accepted";
}

bool says(const std::string& text, const std::string& part) { return text.find(part) != std::string::npos; }

}  // namespace

TEST_CASE(
    "a matched filter of the user's own in the block's place gives the same symbols to the last digit") {
  const Scenario s = back_to_back();
  const Capture capture = Link(s, test::fft())(0);
  const ReceiverResult built_in = Receiver(s, test::fft())(capture);
  Receiver receiver(s, test::fft());
  const PulseShape pulse{Pulse::kRrc, s.number("signal.roll_off"), 32e9};
  const MatchedFilter own(pulse, 64e9, test::fft());
  BlockContext seen{};
  receiver.replace(
      "matched-filter",
      [&](const Field<float>& signal, const BlockContext& context) {
        seen = context;
        return own(signal);
      },
      0.5 * static_cast<double>(own.reach()));
  const ReceiverResult replaced = receiver(capture);
  CHECK(replaced.symbols.x == built_in.symbols.x);
  CHECK(replaced.symbols.y == built_in.symbols.y);
  CHECK(seen.symbol_rate == 32e9);
  CHECK(seen.samples_per_symbol == doctest::Approx(2.0));
  CHECK(seen.first < seen.last);
  CHECK(seen.truth != nullptr);
}

TEST_CASE("reception stops after the block asked for, at the sampling that it leaves") {
  const Scenario s = back_to_back();
  const Capture capture = Link(s, test::fft())(0);
  const Receiver receiver(s, test::fft());
  CHECK(receiver.until(capture, "lanes").signal.size() == capture.samples());
  const Interim filtered = receiver.until(capture, "matched-filter");
  CHECK(filtered.signal.sample_rate == doctest::Approx(64e9));
  CHECK(!filtered.result.score);
  CHECK(filtered.result.symbols.size() == 0);
  const Interim coarse = receiver.until(capture, "frequency (coarse)"),
                fine = receiver.until(capture, "frequency (fine)");
  CHECK(coarse.signal.sample_rate == doctest::Approx(64e9));
  CHECK(fine.signal.sample_rate == doctest::Approx(32e9));
  CHECK(fine.first > 0);
  CHECK(fine.last < fine.signal.size());
}

TEST_CASE("symbols taken from the chain and judged are judged as those that stay in it") {
  const Scenario s = back_to_back();
  const Capture capture = Link(s, test::fft())(0);
  const Receiver receiver(s, test::fft());
  const ReceiverResult whole = receiver(capture);
  REQUIRE(receiver.blocks().back() == "phase");
  Interim last = receiver.until(capture, "phase");
  const Field<float> symbols = last.signal;
  const std::size_t skip = last.first;
  const ReceiverResult judged = receiver.judge(capture, std::move(last));
  REQUIRE(judged.score);
  CHECK(judged.symbols.x == whole.symbols.x);
  CHECK(judged.symbols.y == whole.symbols.y);
  CHECK(judged.score->both.errors == whole.score->both.errors);
  CHECK(judged.score->both.bits == whole.score->both.bits);
  CHECK(judged.snr_db == whole.snr_db);
  CHECK(judged.coherence_needed == whole.coherence_needed);
  CHECK(judged.locked == whole.locked);
  // Without the chain's state, at another scale and one row only.
  Field<float> bare = symbols;
  for (auto& y : bare.x) y *= 4.0f;
  bare.y.clear();
  const ReceiverResult alone = receiver.judge(capture, bare, skip);
  REQUIRE(alone.score);
  CHECK(alone.one_polarisation);
  CHECK(alone.score->both.errors == whole.score->polarisation[whole.score->swapped ? 1 : 0].errors);
  bare.x[0] = std::numeric_limits<float>::infinity();
  CHECK(says(refused([&] { receiver.judge(capture, bare, skip); }), "not finite"));
  bare.x.resize(300);
  CHECK(says(refused([&] { receiver.judge(capture, Field<float>(300, 0.0), 100); }), "too short"));
}

TEST_CASE(
    "names that are not in the chain or could mean two blocks, and signals that do not fit, are refused") {
  const Scenario s = back_to_back();
  const Capture capture = Link(s, test::fft())(0);
  Receiver receiver(s, test::fft());
  CHECK(says(refused([&] { receiver.until(capture, "decimate"); }), "has no block 'decimate'"));
  CHECK(says(refused([&] { receiver.until(capture, "frequency"); }), "more than one block 'frequency'"));
  using Return = Field<float> (*)(const Field<float>&);
  for (const auto& [make, reason] :
       {std::pair<Return, const char*>{[](const Field<float>&) { return Field<float>(0, 64e9); },
                                       "not empty"},
        {[](const Field<float>& in) { return Field<float>(in.size(), 32e9); }, "samples a second"},
        {[](const Field<float>& in) {
           Field<float> out = in;
           out.y.pop_back();
           return out;
         },
         "equally long"},
        {[](const Field<float>& in) {
           Field<float> out = in;
           out.x[7] = std::numeric_limits<float>::quiet_NaN();
           return out;
         },
         "not finite"}}) {
    receiver.replace("matched-filter",
                     [make = make](const Field<float>& in, const BlockContext&) { return make(in); });
    CHECK(says(refused([&] { receiver(capture); }), reason));
  }
}

TEST_CASE("every row of the table can be found by its name and sampling, and its keys exist") {
  for (const BlockRow& row : block_table()) {
    CAPTURE(std::string(row.title));
    CHECK(find_block(row.name, row.needs) == &row);
    const std::string keys = row.keys;
    for (std::size_t from = 0; from < keys.size();) {
      const std::size_t to = std::min(keys.find(", ", from), keys.size());
      CHECK(find_key(keys.substr(from, to - from)) != nullptr);
      from = to + 2;
    }
  }
}
