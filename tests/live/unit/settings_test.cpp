// What a viewer may set, and the messages that go out.
#include "tools/live/settings.h"

#include <doctest/doctest.h>

#include <cmath>
#include <complex>
#include <cstring>
#include <nlohmann/json.hpp>
#include <vector>

#include "rx/chain/order.h"
#include "sim/signal/scenario/errors.h"
#include "tools/live/knobs.h"
#include "tools/live/lecture.h"
#include "tools/live/packet.h"
#include "tools/live/page.h"
#include "tools/live/pictures.h"
#include "tools/live/viewers.h"

using namespace cohlink;
using namespace cohlink::live;
using nlohmann::json;

namespace {

Settings defaults() {
  Opening opening;
  make_live(opening.scenario, {});
  return Settings(opening);
}

std::string key_of_refusal(Settings& settings, const json& request) {
  const std::string before = settings.scenario().resolved();
  try {
    settings.apply(request);
  } catch (const InputError& error) {
    CHECK(settings.scenario().resolved() == before);
    return error.key().empty() ? error.reason() : error.key();
  }
  return "taken";
}

}  // namespace

TEST_CASE("a knob's value is that of the scenario, and null takes it back") {
  Settings settings = defaults();
  settings.apply({{"set", {{"key", "channel.osnr_db"}, {"value", " 17.5"}}}});
  CHECK(settings.scenario().number("channel.osnr_db") == 17.5);
  CHECK(settings.describe(3)["changed"] == json::array({"channel.osnr_db"}));
  settings.apply({{"set", {{"key", "channel.osnr_db"}, {"value", nullptr}}}});
  CHECK_FALSE(settings.scenario().is_set("channel.osnr_db"));
  CHECK(settings.scenario().integer("signal.symbols") == 8192);
}

TEST_CASE("what cannot be used changes nothing and names its key") {
  Settings settings = defaults();
  const auto refused = [&](const char* key, const json& value) {
    return key_of_refusal(settings, {{"set", {{"key", key}, {"value", value}}}});
  };
  CHECK(refused("channel.osnr_db", "200") == "channel.osnr_db");
  CHECK(refused("adc.bits", "1.5") == "adc.bits");
  CHECK(refused("signal.modulation", "") == "signal.modulation");
  CHECK(refused("signal.symbols", "1048576") == "signal.symbols");
  CHECK(refused("dsp.chain", "phase") == "dsp.chain");
  for (const char* key : {"signal.pattern_file", "trace.file", "run.frames", "no.such_key", "signal.pattern"})
    CHECK(refused(key, "x") == key);  // no page makes the program read a file
  for (const json& request :
       {json{{"set", 1}}, json{{"set", {{"key", 1}, {"value", 2}}}}, json{{"set", {{"key", "adc.bits"}}}},
        json{{"block", {{"index", 99}, {"on", true}}}}, json{{"block", {{"index", -1}, {"on", true}}}},
        json{{"block", {{"index", 0}, {"on", 1}}}}, json{{"preset", "../first-light"}}, json{{"lecture", 14}},
        json{{"lecture", 1.5}}, json{{"nothing", true}}})
    CHECK_MESSAGE(key_of_refusal(settings, request) != "taken", request.dump());
}

TEST_CASE("blocks leave the chain where the table of blocks lets them, and come back") {
  Settings settings = defaults();
  const auto whole = settings.scenario().list("dsp.chain");
  const json blocks = settings.describe(1)["blocks"];
  CHECK(blocks.size() == whole.size());
  for (std::size_t i = 0; i < blocks.size(); ++i) {
    const bool may = blocks[i]["may"];
    const std::string outcome = key_of_refusal(settings, {{"block", {{"index", i}, {"on", false}}}});
    CHECK_MESSAGE((outcome == "taken") == may, blocks[i].dump());
    CHECK(chain_fault(settings.scenario().list("dsp.chain")).empty());
    if (may) settings.apply({{"block", {{"index", i}, {"on", true}}}});
    CHECK(settings.scenario().list("dsp.chain") == whole);
  }
  CHECK_FALSE(blocks[2]["may"]);  // resample: nothing else changes the sampling
  settings.apply({{"block", {{"index", 7U}, {"on", false}}}});
  CHECK(settings.scenario().list("dsp.chain")[7] == "decimate");  // stands in for the equaliser
}

TEST_CASE("lecture steps and ready scenarios are benches; a saved one reads back the same") {
  Settings settings = defaults();
  for (std::size_t step = 0; step < lecture().size(); ++step) {
    settings.apply({{"lecture", step}});
    CHECK(settings.describe(1)["lecture"] == step);
    bool shown = lecture()[step].block == "lanes";
    const json now = settings.describe(1);
    for (const auto& block : now["blocks"])
      shown = shown || block["title"].get<std::string>() == lecture()[step].block;
    CHECK_MESSAGE(shown, lecture()[step].block);
  }
  CHECK(preset_files().size() >= 12);
  for (const EmbeddedFile& preset : preset_files()) {
    settings.apply({{"preset", preset.name}});
    Scenario back;
    back.read_text(settings.saved(7), "saved");
    CHECK(back.integer("run.frames") == 7);
    CHECK(back.integer("run.target_errors") == 0);
    Scenario expected = settings.scenario();
    expected.set("run.frames=7");
    expected.set("run.target_errors=0");
    CHECK(back.resolved() == expected.resolved());
  }
}

TEST_CASE("every knob is a key of the table, with its own unit and range, and its slider lies within") {
  for (const Knob& knob : chosen_knobs()) {
    const ScenarioKey* key = find_key(knob.key);
    REQUIRE_MESSAGE(key != nullptr, knob.key);
    CHECK(may_turn(*key));
    if (knob.high > knob.low) {
      CHECK(knob.low >= key->low);
      CHECK(knob.high <= key->high);
    }
  }
  for (const json& key : knob_list()) CHECK(find_key(key["key"].get<std::string>()) != nullptr);
}

TEST_CASE("a packet's arrays lie where its JSON says, to half a step of their scale") {
  Packet packet;
  packet.head["type"] = "round";
  packet.head["a"] =
      packet.points(std::vector<std::complex<float>>{{1.0F, -0.5F}, {0.25F, NAN}, {0.0F, 0.0F}});
  packet.head["b"] = packet.reals(std::vector<double>{3.25, -1e-3});
  const std::string bytes = packet.bytes();
  std::uint32_t length = 0;
  std::memcpy(&length, bytes.data(), 4);
  CHECK(length % 4 == 0);
  const json head = json::parse(bytes.substr(4, length));
  std::int16_t parts[6];
  std::memcpy(parts, bytes.data() + 4 + length + head["a"]["at"].get<std::size_t>(), sizeof parts);
  const double scale = head["a"]["scale"];
  CHECK(parts[0] * scale == doctest::Approx(1.0).epsilon(0.5 / 32767));
  CHECK(std::abs(parts[1] * scale + 0.5) <= 0.51 * scale);
  CHECK(parts[3] == 0);  // what is no number
  float reals[2];
  std::memcpy(reals, bytes.data() + 4 + length + head["b"]["at"].get<std::size_t>(), sizeof reals);
  CHECK(reals[0] == 3.25F);
  CHECK(reals[1] == -1e-3F);
}

TEST_CASE("an outbox holds the newest of each kind and no more") {
  Outbox outbox;
  for (int i = 0; i < 1000; ++i) outbox.put({Kind::kRound, std::to_string(i), true});
  outbox.put({Kind::kState, "state"});
  CHECK(outbox.take().bytes == "state");
  CHECK(outbox.take().bytes == "999");
  CHECK(outbox.empty());
}

TEST_CASE("a response is the delay and the share of what was sent") {
  // X' = 0.6 X(t - 1.5 T) + 0.8 i Y: a path of two rays, one pulse a symbol, nothing between (closed form).
  constexpr std::size_t kSymbols = 1024;
  std::vector<std::complex<double>> x(kSymbols + 2 * kReach), y(kSymbols + 2 * kReach);
  std::uint32_t bits = 12345;
  const auto sign = [&] { return (bits = bits * 1664525U + 1013904223U) >> 31 ? 1.0 : -1.0; };
  for (auto* row : {&x, &y})
    for (auto& symbol : *row) symbol = std::complex<double>(sign(), sign()) * std::sqrt(0.5);
  ComplexRow<float> wave((kSymbols + 2 * kReach) * kPhasesPerSymbol);
  for (std::size_t k = 0; k < x.size(); ++k) {
    const std::size_t at = k * kPhasesPerSymbol;
    if (at + 6 < wave.size()) wave[at + 6] += std::complex<float>(0.6 * x[k]);
    wave[at] += std::complex<float>(std::complex<double>(0.0, 0.8) * y[k]);
  }
  const auto from_x = response_of(wave, x.data() + kReach, kSymbols),
             from_y = response_of(wave, y.data() + kReach, kSymbols);
  // Power is spread over the empty instants too: two of four samples carry a ray.
  const double scale = std::sqrt(4.0);
  const std::size_t middle = kReach * kPhasesPerSymbol;
  // The last two rays of X fall beyond the end: 2 of 1,036 symbols, 0.04 % of the row's amplitude.
  CHECK(from_x[middle + 6] == doctest::Approx(0.6 * scale).epsilon(4e-4));
  CHECK(from_y[middle] == doctest::Approx(0.8 * scale).epsilon(4e-4));
  // Unrelated symbols: the mean of 64 stretches' squares, each exponential about 1/16 of which chance is
  // taken away: 5 sigma of that are 0.04 of the ray's power.
  CHECK(from_x[middle] < 0.8 * scale * std::sqrt(5.0 / (8.0 * 15.0)));
}
