// Limits on models whose crossing is known.
#include "tools/study/search/limit.h"

#include <doctest/doctest.h>

#include <boost/math/distributions/binomial.hpp>
#include <boost/random/binomial_distribution.hpp>
#include <boost/random/mersenne_twister.hpp>
#include <cmath>

#include "sim/signal/awgn_information.h"
#include "sim/signal/random.h"
#include "sim/signal/units.h"
#include "tools/study/plan/numbers.h"

using namespace cohlink;

namespace {

// Errors by the binomial law at an SNR that falls with the key; no waveform.
SourceMaker model(std::uint64_t seed, const std::function<double(const Scenario&)>& snr_db,
                  std::uint64_t bits) {
  return [=](const Scenario& scenario) -> FrameSource {
    const double snr = snr_db(scenario), ber = theory_ber(Modulation::kQpsk, from_db(snr));
    const auto address = static_cast<std::uint64_t>(std::llround(1e6 * (100.0 + snr)));
    return [=](std::uint64_t frame) {
      boost::random::mt19937_64 engine(RandomStreams(seed, frame, address).stream("model").bits());
      boost::random::binomial_distribution<std::int64_t> errors(static_cast<std::int64_t>(bits), ber);
      FrameResult result;
      result.count = {static_cast<std::uint64_t>(errors(engine)), bits};
      result.symbols = static_cast<double>(bits) / 2.0;
      result.noise_sum = result.symbols * from_db(-snr);
      return result;
    };
  };
}

double snr_at(double ber) { return to_db(theory_snr(Modulation::kQpsk, ber)); }

}  // namespace

TEST_CASE("a limit's interval holds the crossing, and the estimate lies inside it") {
  int held = 0;
  const int searches = 100;
  for (int i = 0; i < searches; ++i) {
    // SNR falls by 1 dB per 100 ps of DGD from 3 dB above the threshold: crossing at 300 ps.
    const auto snr_db = [](const Scenario& s) {
      return snr_at(2e-2) + 3.0 - s.number("channel.dgd_ps") / 100.0;
    };
    LimitRule rule;
    rule.key = "channel.dgd_ps";
    rule.from = 0.0, rule.to = 1000.0;
    rule.frames = 30;
    const Limit limit = find_limit(Scenario(), rule, model(static_cast<std::uint64_t>(i), snr_db, 20'000), 1);
    REQUIRE(limit.crossed());
    CHECK(limit.value >= limit.holds);
    CHECK(limit.value <= limit.fails);
    CHECK(std::abs(limit.value - 300.0) < 25.0);
    held += limit.holds <= 300.0 && 300.0 <= limit.fails;
  }
  CHECK(held >= 0.95 * searches);
}

TEST_CASE("a limit by NGMI or achievable rate lies where the theory has it") {
  // SNR falls by 1 dB per 100 ps from 12 dB; QPSK at 32 GBd: 115.2 Gb/s are an NGMI of 0.9.
  const auto source = [](const Scenario& scenario) -> FrameSource {
    const double snr_db = 12.0 - scenario.number("channel.dgd_ps") / 100.0;
    const double ngmi = awgn_ngmi(constellation(Modulation::kQpsk), from_db(snr_db));
    return [=](std::uint64_t) {
      FrameResult result;
      result.count = {100, 100'000};
      result.ngmi = ngmi, result.ngmi_variance = 1e-6;
      return result;
    };
  };
  const double truth = 100.0 * (12.0 - to_db(awgn_snr_for_ngmi(constellation(Modulation::kQpsk), 0.9)));
  for (const char* criterion : {"ngmi=0.9", "achievable_rate_gbps=115.2"}) {
    LimitRule rule;
    rule.key = "channel.dgd_ps";
    rule.from = 0.0, rule.to = 1000.0;
    rule.frames = 100;
    rule.criterion = parse_criterion(criterion, Scenario());
    const Limit limit = find_limit(Scenario(), rule, source, 1);
    REQUIRE(limit.crossed());
    CHECK(limit.holds <= truth);
    CHECK(truth <= limit.fails);
    CHECK(std::abs(limit.value - truth) < 2.0);
  }
}

TEST_CASE(
    "the OSNR required for what decoding leaves lies where the exact sum over the words of RS(255,239) has "
    "it") {
  // Ideal QPSK in white noise. A word of more than 8 wrong bytes is left as it came: of its wrong bytes, each
  // with 8 p / P wrong bits in the mean (ITU-T G.709 Annex A; bounded distance).
  static FftCache fft(FftPlanning::kEstimate);
  Scenario scenario;
  scenario.read_text(
      "[signal]\nsymbols = 16384\n[run]\nsamples_per_symbol = 2\n[adc]\nbits = 12\nloading_db = -14\n"
      "[dsp]\nchain = resample,matched-filter,decimate,phase\nphase_recovery = genie\n"
      "[fec]\ncode = rs-g709\ndecode = true\n",
      "test");
  const auto left = [](double osnr_db) {
    const double p = theory_ber(Modulation::kQpsk, from_db(osnr_db) * 12.5 / 32.0);
    const double byte = -std::expm1(8.0 * std::log1p(-p));
    const boost::math::binomial_distribution<double> wrong(255, byte);
    double sum = 0.0;
    for (int j = 9; j <= 255; ++j) sum += j * boost::math::pdf(wrong, j);
    return sum / 255.0 * p / byte;
  };
  const RequiredOsnr found =
      find_required_osnr(scenario, {1e-3, 0.1, 96, Quality::kPostFecBer}, simulation(fft), 1);
  REQUIRE(found.found);
  CHECK(left(found.high_db) < 1e-3);
  CHECK(left(found.low_db) > 1e-3);
  CHECK(found.half_width_db() < 0.25);
  // Two blocks of a frame prove no 1e-9.
  CHECK_FALSE(find_required_osnr(scenario, {1e-9, 0.1, 4, Quality::kPostFecBer}, simulation(fft), 1).found);
  MESSAGE("required " << found.osnr_db << " dB (" << found.low_db << " to " << found.high_db << "), "
                      << found.frames << " frames; exact there " << left(found.osnr_db));
}

TEST_CASE("whole-number keys end at the last value that holds") {
  // 20 dB less 10 log10(spans): 6.25 dB (BER 2e-2) is met up to 23 spans.
  const auto snr_db = [](const Scenario& s) {
    return 20.0 - to_db(static_cast<double>(s.integer("fibre.spans")));
  };
  LimitRule rule;
  rule.key = "fibre.spans";
  rule.from = 1, rule.to = 100;
  rule.frames = 400;
  const Limit limit = find_limit(Scenario(), rule, model(1, snr_db, 100'000), 1);
  REQUIRE(limit.crossed());
  CHECK(limit.value == std::floor(from_db(20.0 - snr_at(2e-2))));
  CHECK(*limit.reach_km == 80.0 * limit.value);  // spans of the default length
}

TEST_CASE("a penalty is measured against the first end of the range") {
  // The linewidth takes 1 dB at 500 kHz, whatever the OSNR.
  const auto snr_db = [](const Scenario& s) {
    return s.number("channel.osnr_db") - to_db(s.number("signal.symbol_rate_gbd") / 12.5) -
           s.number("laser_lo.linewidth_khz") / 500.0;
  };
  LimitRule rule;
  rule.key = "laser_lo.linewidth_khz";
  rule.from = 0, rule.to = 2000;
  rule.criterion = {Criterion::Kind::kPenalty, 1.0};
  rule.frames = 60;
  const Limit limit = find_limit(Scenario(), rule, model(3, snr_db, 100'000), 1);
  REQUIRE(limit.crossed());
  REQUIRE(limit.reference);
  CHECK(limit.holds <= 500.0);
  CHECK(limit.fails >= 500.0);
  CHECK(std::abs(limit.value - 500.0) < 60.0);
}

TEST_CASE("a penalty counts the noise of the line with what is loaded") {
  // As above, behind four amplified spans. ASE of a span in both polarisations: (F G - 1) h f B (Agrawal,
  // Fiber-Optic Communication Systems, ch. 7), which leaves the line 2 dB above what the reference needs:
  // noise loaded as if there were no line would fail everywhere.
  Scenario scenario;
  scenario.read_text(
      "[transmitter]\nlaunch_power_dbm = -13.7\n[fibre]\nspans = 4\nspan_length_km = 100\n"
      "attenuation_db_per_km = 0.21\n[amplifier]\nnoise_figure_db = 5\n",
      "test");
  const double ase = (from_db(5.0) * from_db(21.0) - 1.0) * 6.62607015e-34 * 299792458.0 / 1550e-9 * 12.5e9;
  const double line = 1e-3 * from_db(-13.7) / (4.0 * ase);
  CHECK(to_db(line) == doctest::Approx(12.3).epsilon(0.01));
  const auto snr_db = [line](const Scenario& s) {
    const double noise = 1.0 / line + from_db(-s.number("channel.osnr_db"));
    return -to_db(noise * s.number("signal.symbol_rate_gbd") / 12.5) -
           s.number("laser_lo.linewidth_khz") / 500.0;
  };
  LimitRule rule;
  rule.key = "laser_lo.linewidth_khz";
  rule.from = 0, rule.to = 2000;
  rule.criterion = {Criterion::Kind::kPenalty, 1.0};
  rule.frames = 60;
  const Limit limit = find_limit(scenario, rule, model(4, snr_db, 100'000), 1);
  REQUIRE(limit.crossed());
  CHECK(limit.holds <= 500.0);
  CHECK(limit.fails >= 500.0);
  CHECK(std::abs(limit.value - 500.0) < 60.0);
}

TEST_CASE("a line that cannot give the reference and the bound proves a penalty to hold, never to fail") {
  // Nothing but ASE, so that the penalty is 0 dB whatever the length: 18 dB less 10 log10(spans) of OSNR from
  // the line ((F G - 1) h f B, as above) suffices for the 10.3 dB of BER 2e-2 up to 5 spans, for 1 dB more up
  // to 4.
  Scenario scenario;
  scenario.read_text(
      "[fibre]\nspan_length_km = 100\nattenuation_db_per_km = 0.21\n[amplifier]\nnoise_figure_db = 5\n",
      "test");
  const double ase = (from_db(5.0) * from_db(21.0) - 1.0) * 6.62607015e-34 * 299792458.0 / 1550e-9 * 12.5e9;
  scenario.set("transmitter.launch_power_dbm", short_decimal(18.0 + to_db(ase / 1e-3)), "test");
  const auto snr_db = [](const Scenario& s) {
    const double line = static_cast<double>(s.integer("fibre.spans")) * from_db(-18.0);
    return -to_db((line + from_db(-s.number("channel.osnr_db"))) * s.number("signal.symbol_rate_gbd") / 12.5);
  };
  LimitRule rule;
  rule.key = "fibre.spans";
  rule.criterion = {Criterion::Kind::kPenalty, 1.0};
  rule.frames = 30;
  rule.from = 1, rule.to = 5;
  CHECK(find_limit(scenario, rule, model(5, snr_db, 100'000), 1).crossing == Crossing::kHoldsThroughout);
  rule.to = 9;
  const Limit limit = find_limit(scenario, rule, model(5, snr_db, 100'000), 1);
  CHECK(limit.crossing == Crossing::kUndecided);
  REQUIRE(limit.probes.size() == 2);
  CHECK(limit.probes.back().short_of_osnr);
  CHECK(limit.probes.back().high_db < 0.0);
  CHECK(limit.probes.back().frames < rule.frames);  // no frame more could prove it to hold
  CHECK(limit.remark ==
        "no crossing shown: penalty in required OSNR at most 1 dB holds at 1, stays open at 9; "
        "the line's own noise leaves less OSNR there than the penalty allows, so its BER does not tell");
}

TEST_CASE("no crossing between the ends is said") {
  const auto snr_db = [](const Scenario&) { return 12.0; };
  LimitRule rule;
  rule.key = "channel.dgd_ps";
  rule.from = 0.0, rule.to = 10.0;
  const Limit limit = find_limit(Scenario(), rule, model(1, snr_db, 20'000), 1);
  CHECK(limit.crossing == Crossing::kHoldsThroughout);
  CHECK(limit.remark == "no crossing shown: BER at most 0.02 holds at 0, holds at 5, holds at 10");
}

TEST_CASE("a fault of the front end without a limit is explained where all noise comes before it") {
  const auto snr_db = [](const Scenario&) { return 12.0; };
  LimitRule rule;
  rule.key = "frontend.hybrid_phase_error_deg";
  rule.from = 0.0, rule.to = 10.0;
  Scenario scenario;
  scenario.set("channel.osnr_db=15");
  const auto explained = [&] {
    const Limit limit = find_limit(scenario, rule, model(1, snr_db, 20'000), 1);
    return limit.remark.find("the noise of channel.osnr_db is loaded before the front end") !=
           std::string::npos;
  };
  CHECK(explained());
  scenario.set("frontend.shot_noise=true");
  CHECK(!explained());
}

TEST_CASE("a tolerance to both signs, searched whole, is not taken for a failure throughout") {
  // 10 dB less 1 dB per 200 MHz either way: the threshold's 6.25 dB are crossed at -750 and 750 MHz.
  const auto snr_db = [](const Scenario& s) {
    return 10.0 - std::abs(s.number("laser_lo.frequency_offset_mhz")) / 200.0;
  };
  LimitRule rule;
  rule.key = "laser_lo.frequency_offset_mhz";
  rule.from = -2000.0, rule.to = 2000.0;
  const Limit limit = find_limit(Scenario(), rule, model(1, snr_db, 20'000), 1);
  CHECK(limit.crossing == Crossing::kUndecided);
  CHECK(
      limit.remark ==
      "no crossing shown: BER at most 0.02 fails at -2000, holds at 0, fails at 2000; it is crossed on both "
      "sides of the middle, search each by itself");
  rule.from = 1000.0;
  CHECK(find_limit(Scenario(), rule, model(1, snr_db, 20'000), 1).crossing == Crossing::kFailsThroughout);
}

TEST_CASE("a frame without lock fails a limit of SNR, however low the bound") {
  // Locks down to 4 dB of OSNR; what stands for a lost frame is a guess: half its bits wrong, SNR 0 dB.
  const SourceMaker source = [](const Scenario& scenario) -> FrameSource {
    const double osnr = scenario.number("channel.osnr_db");
    FrameResult result;
    result.unlocked = osnr < 4.0 ? 1 : 0;
    result.count = {result.unlocked > 0 ? 50'000U : 1'000U, 100'000};
    result.symbols = 50'000;
    result.noise_sum = result.symbols * from_db(result.unlocked > 0 ? 0.0 : 4.0 - osnr);
    return [result](std::uint64_t) { return result; };
  };
  LimitRule rule;
  rule.key = "channel.osnr_db";
  rule.from = 20, rule.to = -8;
  rule.criterion = parse_criterion("snr_db=-30", Scenario());
  const Limit limit = find_limit(Scenario(), rule, source, 1);
  REQUIRE(limit.crossed());
  CHECK(limit.holds >= 4.0);
  CHECK(limit.fails < 4.0);
  CHECK(limit.value >= limit.fails);
  CHECK(limit.value <= limit.holds);
  CHECK(limit.remark.starts_with("no lock in 1 of 1 frames at "));
  CHECK(limit.probes[1].unlocked == 1);
  CHECK(std::isnan(limit.probes[1].margin_db));
  rule.from = 3;
  CHECK(find_limit(Scenario(), rule, source, 1).crossing == Crossing::kFailsThroughout);
}

TEST_CASE("criteria are read by name, and what is wrong with one is said") {
  const Scenario scenario;
  CHECK(parse_criterion("ber", scenario).bound == 2e-2);
  CHECK(parse_criterion("ber=1e-3", scenario).bound == 1e-3);
  CHECK(parse_criterion("fec", scenario).kind == Criterion::Kind::kBer);
  // QPSK at 32 GBd: 128 Gb/s of both polarisations.
  const Criterion rate = parse_criterion("achievable_rate_gbps=96", scenario);
  CHECK(rate.threshold(scenario)->quality == Quality::kNgmi);
  CHECK(rate.threshold(scenario)->value == doctest::Approx(0.75));
  CHECK_THROWS_AS(parse_criterion("achievable_rate_gbps=130", scenario), InputError);
  // Shaped: 64QAM of 5 bits carries 320 Gb/s at 32 GBd, 6 x 0.1 bits less at an NGMI of 0.9.
  Scenario shaped_format;
  shaped_format.set("signal.modulation=64qam");
  shaped_format.set("signal.entropy_bits=5");
  CHECK(parse_criterion("achievable_rate_gbps=281.6", shaped_format).threshold(shaped_format)->value ==
        doctest::Approx(0.9));
  Scenario by_ngmi;
  by_ngmi.set("fec.threshold_ngmi=0.9");
  CHECK(parse_criterion("fec", by_ngmi).kind == Criterion::Kind::kNgmi);
  CHECK_THROWS_AS(parse_criterion("ber", by_ngmi), InputError);
  CHECK_THROWS_WITH_AS(parse_criterion("post_fec_ber=1e-4", scenario),
                       "post_fec_ber=1e-4: needs fec.decode = true", InputError);
  by_ngmi.set("fec.decode=true");
  CHECK(parse_criterion("post_fec_ber=1e-4", by_ngmi).kind == Criterion::Kind::kPostFec);
  CHECK(parse_criterion("q_db=9.8", scenario).bound == doctest::Approx(1e-3).epsilon(0.01));
  CHECK(parse_criterion("penalty_db=1", scenario).kind == Criterion::Kind::kPenalty);
  CHECK(parse_criterion("snr_db=9", scenario).needs_lock());
  CHECK(parse_criterion("q_db=9.8", scenario).needs_lock());
  CHECK_FALSE(parse_criterion("ber=1e-3", scenario).needs_lock());
  CHECK_THROWS_WITH_AS(parse_criterion("evm=3", scenario),
                       "evm=3: expected one of fec, ber, ber=..., q_db=..., post_fec_ber=..., ngmi=..., "
                       "achievable_rate_gbps=..., snr_db=..., penalty_db=..., snr_penalty_db=...",
                       InputError);
  CHECK_THROWS_WITH_AS(parse_criterion("snr_db", scenario),
                       "snr_db: a number must follow snr_db=", InputError);
  CHECK_THROWS_WITH_AS(parse_criterion("ber=0.5", scenario),
                       "ber=0.5: a BER between 1e-12 and 0.35 is needed", InputError);
}
