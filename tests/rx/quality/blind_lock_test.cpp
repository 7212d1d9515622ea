// Whether a receiver that knows nothing of the data notices what it was told wrongly, or what is wrong with a
// recording, and lets good ones pass. The whole matrix: test_rx --no-skip -tc='Blind lock: 2000*'.
#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>
#include <span>
#include <string>
#include <vector>

#include "rx/receiver.h"
#include "rx/recording/lane_health.h"
#include "sim/link.h"
#include "tests/rx/generator.h"

using namespace cohlink;

namespace {

constexpr int kFaults = 9;
constexpr const char* kFaultNames[kFaults] = {"symbol rate", "sample rate",     "modulation",
                                              "stuck lane",  "clipped",         "half noise",
                                              "zeros",       "samples dropped", "lane stuck half the time"};

struct Trial {
  Scenario told;
  Capture capture;
};

std::string with(const char* key, double value) {
  char text[96];
  std::snprintf(text, sizeof text, "%s=%.9g", key, value);
  return text;
}

// Anything that a good link may have, 1 to 6 dB above the OSNR of a BER of 2e-2 (theory_ber, 32 GBd).
Trial good_trial(int i, RandomStream& random) {
  const bool qam = i % 2 == 1;
  Trial t;
  t.told = test::scenario_of({"signal.symbols=16384", "transmitter.laser_linewidth_khz=100",
                              "laser_lo.linewidth_khz=100", with("run.seed", 5000 + i)});
  const auto set = [&](const char* key, double value) { t.told.set(with(key, value)); };
  const auto between = [&](double a, double b) { return a + (b - a) * random.uniform(); };
  t.told.set(qam ? "signal.modulation=16qam" : "signal.modulation=qpsk");
  set("channel.osnr_db", (qam ? 16.79 : 10.33) + between(1.0, 6.0));
  set("signal.roll_off", between(0.08, 0.3));
  set("channel.polarisation_rotation_deg", between(-180, 180));
  set("channel.polarisation_retardance_deg", between(-180, 180));
  set("channel.dgd_ps", between(0, 30));
  set("channel.extra_dispersion_ps_per_nm", between(0, 20000));
  set("laser_lo.frequency_offset_mhz", between(-1500, 1500));
  set("adc.clock_offset_ppm", between(-20, 20));
  set("adc.sample_rate_gsa", between(60, 90));
  t.capture = Link(t.told, test::fft())(0);
  t.capture.truth.reset();
  return t;
}

double rms(std::span<const std::int16_t> lane) {
  double sum = 0.0;
  for (const auto code : lane) sum += static_cast<double>(code) * code;
  return std::sqrt(sum / static_cast<double>(lane.size()));
}

void drop_samples(Capture& capture, std::size_t from, std::size_t count) {
  capture.lanes = test::without(capture.lanes, from, count);
}

// Noise of its own level in the second half of every lane.
void drown(Lanes& lanes, RandomStream& random) {
  for (std::size_t l = 0; l < 4; ++l) {
    const auto noisy = lanes[l];
    const double level = rms(noisy);
    for (std::size_t k = noisy.size() / 2; k < noisy.size(); ++k)
      noisy[k] = static_cast<std::int16_t>(std::lround(level * random.normal()));
  }
}

// A count of samples lost that leaves a trace in the clock, as whole symbols do not: a quarter to three
// quarters of one more.
std::size_t part_of_a_symbol(const Capture& capture, RandomStream& random) {
  const double per_symbol = capture.sample_rate / 32e9;
  std::size_t count = 1 + static_cast<std::size_t>(2000.0 * random.uniform());
  const auto part = [&] { return std::fmod(static_cast<double>(count) / per_symbol, 1.0); };
  while (part() < 0.25 || part() > 0.75) ++count;
  return count;
}

void clip_at_rms(std::span<std::int16_t> codes) {
  const auto limit = static_cast<std::int16_t>(rms(codes));
  for (auto& code : codes) code = std::clamp<std::int16_t>(code, static_cast<std::int16_t>(-limit), limit);
}

void spoil(Trial& t, int fault, RandomStream& random) {
  const std::size_t n = t.capture.samples(), lane = static_cast<std::size_t>(4.0 * random.uniform());
  const double factor =
      1.0 + (random.uniform() < 0.5 ? -1.0 : 1.0) * std::pow(10.0, -3.0 + 2.4 * random.uniform());
  const auto from = static_cast<std::size_t>((0.3 + 0.3 * random.uniform()) * static_cast<double>(n));
  const auto codes = t.capture.lanes[lane];
  const auto start = static_cast<std::ptrdiff_t>(from);
  const bool qpsk = t.told.text("signal.modulation") == "qpsk";
  switch (fault) {
    case 0:
      return t.told.set(with("signal.symbol_rate_gbd", 32.0 * factor));
    case 1:
      t.capture.sample_rate *= factor;
      return;
    case 2:
      return t.told.set(qpsk ? "signal.modulation=16qam" : "signal.modulation=qpsk");
    case 3:
      return std::fill(codes.begin(), codes.end(), codes[from]);
    case 4:
      return clip_at_rms(codes);
    case 5:
      return drown(t.capture.lanes, random);
    case 6:
      for (std::size_t l = 0; l < 4; ++l)
        std::fill_n(t.capture.lanes[l].begin() + start, n / 8, std::int16_t{0});
      return;
    case 7:
      return drop_samples(t.capture, from, part_of_a_symbol(t.capture, random));
    default:
      std::fill(codes.begin() + start, codes.end(), codes[from]);
  }
}

struct Verdict {
  bool refused = false;  // status 3, or 2
  std::vector<std::string> said;
};

Verdict judge(const Trial& t) {
  const auto lanes = lane_findings(t.capture);
  Verdict v{!lanes.faults.empty(), lanes.faults};
  v.said.insert(v.said.end(), lanes.warnings.begin(), lanes.warnings.end());
  try {
    const ReceiverResult result = Receiver(t.told, test::fft())(t.capture, false);
    v.refused |= !result.locked;
    v.said.insert(v.said.end(), result.warnings.begin(), result.warnings.end());
  } catch (const InputError& error) {
    v.refused = true;
    v.said.emplace_back(error.what());
  }
  return v;
}

RandomStream draws(int i) { return RandomStreams(99, static_cast<std::uint64_t>(i)).stream("blind-lock"); }

// Bad captures `count` of each fault; how many were neither refused nor named.
void check_bad(int count) {
  for (int fault = 0; fault < kFaults; ++fault) {
    int refused = 0, silent = 0;
    for (int i = 0; i < count; ++i) {
      RandomStream random = draws(i * kFaults + fault);
      Trial t = good_trial(i, random);
      spoil(t, fault, random);
      const Verdict v = judge(t);
      refused += v.refused;
      const bool noticed = v.refused || !v.said.empty();
      silent += !noticed;
      CAPTURE(kFaultNames[fault]);
      CAPTURE(i);
      CHECK(noticed);
    }
    const std::string counts = std::string(kFaultNames[fault]) + ": " + std::to_string(refused) + " of " +
                               std::to_string(count) + " refused, " + std::to_string(silent) +
                               " neither refused nor named";
    MESSAGE(counts);
  }
}

void check_good(int from, int count) {
  int refused = 0, cautioned = 0;
  for (int i = from; i < from + count; ++i) {
    RandomStream random = draws(1000000 + i);
    const Verdict v = judge(good_trial(i, random));
    refused += v.refused;
    cautioned += !v.said.empty();
    CAPTURE(i);
    const std::string said = v.said.empty() ? "" : v.said.front();
    CAPTURE(said);
    CHECK(!v.refused);
    CHECK(v.said.empty());
  }
  const std::string counts = std::to_string(refused) + " of " + std::to_string(count) +
                             " good ones refused, " + std::to_string(cautioned) + " cautioned about";
  MESSAGE(counts);
}

}  // namespace

TEST_CASE("Blind lock: what is wrong with a recording, or was told wrongly, is noticed") { check_bad(4); }

TEST_CASE("Blind lock: good recordings pass without a word") { check_good(0, 24); }

TEST_CASE("Blind lock: 2000 bad recordings" * doctest::skip()) { check_bad(223); }

TEST_CASE("Blind lock: 2000 good recordings" * doctest::skip()) { check_good(0, 2000); }
