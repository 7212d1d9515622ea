#include "rx/receiver.h"

#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>
#include <string>

#include "rx/chain/knock_out.h"
#include "rx/chain/order.h"
#include "sim/link.h"
#include "tests/rx/generator.h"

using namespace cohlink;

namespace {

const char* kIdealChain[] = {"dsp.chain=resample,dispersion,matched-filter,genie-polarisation,decimate,phase",
                             "dsp.phase_recovery=genie"};

void two_lasers(Scenario& s, const char* khz) {
  s.set(std::string("transmitter.laser_linewidth_khz=") + khz);
  s.set(std::string("laser_lo.linewidth_khz=") + khz);
  s.set("laser_lo.frequency_offset_mhz=200");
  s.set("channel.polarisation_rotation_deg=37");
  s.set("channel.polarisation_retardance_deg=70");
}

struct Measured {
  ErrorCount count;
  std::size_t slips = 0;
  double penalty_db = 99.0;  // SNR by OSNR less the SNR that theory needs for the BER counted
  double error_db = 0.0;     // its standard error
};

// Standard error of an SNR told from bit errors: 1 / sqrt(errors) of the BER, over the slope of its
// logarithm.
double error_db(Modulation modulation, const ErrorCount& count) {
  const double snr = theory_snr(modulation, count.ber()), step_db = 0.05;
  const double slope = std::log(theory_ber(modulation, snr * from_db(-step_db)) /
                                theory_ber(modulation, snr * from_db(step_db))) /
                       (2.0 * step_db);
  return 1.0 / std::sqrt(static_cast<double>(count.errors)) / slope;
}

Measured measure(const Scenario& s, std::uint64_t frames) {
  const Link link(s, test::fft());
  const Receiver receiver(s, test::fft());
  Measured m;
  for (std::uint64_t f = 0; f < frames; ++f) {
    const ReceiverResult result = receiver(link(f));
    REQUIRE(result.score);
    m.count += result.score->both;
    m.slips += result.score->cycle_slips;
  }
  const Modulation modulation =
      s.text("signal.modulation") == "qpsk" ? Modulation::kQpsk : Modulation::kQam16;
  const double snr = *s.optional_number("channel.osnr_db") -
                     to_db(s.number("signal.symbol_rate_gbd") * 1e9 / kOsnrBandwidthHz);
  m.penalty_db = snr - to_db(theory_snr(modulation, m.count.ber()));
  m.error_db = error_db(modulation, m.count);
  return m;
}

// Keys on top of a scenario.
Measured measure_with(Scenario s, const std::string& assignment, std::uint64_t frames) {
  s.set(assignment);
  return measure(s, frames);
}

// Four standard errors of a difference between two measurements. Where they share data and noise the true
// error is smaller.
double four_errors(const Measured& a, const Measured& b) { return 4.0 * std::hypot(a.error_db, b.error_db); }

std::string refusal(const std::string& chain) {
  Scenario s;
  s.set("dsp.chain=" + chain);
  try {
    const Receiver receiver(s, test::fft());
  } catch (const InputError& error) {
    return error.what();
  }
  return "accepted";
}

bool says(const std::string& text, const std::string& part) { return text.find(part) != std::string::npos; }

}  // namespace

TEST_CASE("ADC rates below, above and unrelated to two samples a symbol cost what two samples a symbol do") {
  Scenario s = test::scenario_of({"signal.modulation=16qam", "channel.osnr_db=18", "signal.symbols=16384"});
  two_lasers(s, "100");
  const Measured usual = measure(s, 2);
  for (const char* rate : {"40", "80", "92.3456789"}) {
    const Measured there = measure_with(s, std::string("adc.sample_rate_gsa=") + rate, 2);
    MESSAGE(std::string(rate) << " GSa/s: " << there.penalty_db - usual.penalty_db << " dB more than "
                              << usual.penalty_db);
    CHECK(std::abs(there.penalty_db - usual.penalty_db) < four_errors(there, usual));
  }
}

TEST_CASE("An offset of 3.6 GHz costs nothing once frequency also stands before the matched filter") {
  Scenario s = test::scenario_of({"signal.modulation=qpsk", "channel.osnr_db=11.4", "signal.symbols=32768"});
  two_lasers(s, "100");
  s.set("dsp.chain=resample,frequency,dispersion,matched-filter,equaliser,frequency,phase");
  const Measured near = measure(s, 2);
  for (const char* offset : {"-3600", "3600"}) {
    const Measured far = measure_with(s, std::string("laser_lo.frequency_offset_mhz=") + offset, 2);
    MESSAGE(std::string(offset) << " MHz: " << far.penalty_db - near.penalty_db << " dB more than "
                                << near.penalty_db);
    CHECK(far.penalty_db - near.penalty_db < four_errors(far, near));
  }
}

TEST_CASE("The fourth-power law carries the blind chain at the cost of its phase's variance") {
  // Over N = 65 symbols of two rows the phase varies by k / (2 N 2 SNR): for QPSK k is 1 plus the noise of
  // the fourth power by itself, (16 n + 72 n^2 + 96 n^3 + 24 n^4) / (16 n) with n = 1 / SNR; for 16QAM by
  // QPSK partition 5.6 (half the symbols at equal weight; tests/published/estimator_bounds.cpp). A variance
  // of 1.2e-2 rad^2 (QPSK) or 2.3e-3 (16QAM) costs 1 dB at BER 1e-4, less at a higher BER, and smaller
  // variances less than in proportion (X. Yu et al., Opt. Express 18(12) 12088, 2010).
  struct Format {
    std::string modulation, osnr;
    double variance_of_one_db;
  };
  for (const auto& format : {Format{"qpsk", "12", 1.2e-2}, {"16qam", "22", 2.3e-3}}) {
    Scenario s = test::scenario_of(
        {"signal.modulation=" + format.modulation, "channel.osnr_db=" + format.osnr, "signal.symbols=32768"});
    two_lasers(s, "100");
    const Measured search = measure(s, 2), fourth = measure_with(s, "dsp.phase_recovery=fourth-power", 2);
    const double n = from_db(-std::stod(format.osnr)) * 32e9 / kOsnrBandwidthHz;
    const double k = format.modulation == "qpsk" ? 1.0 + 4.5 * n + 6.0 * n * n + 1.5 * n * n * n : 5.6;
    const double cost_db = k * n / (2.0 * 65.0 * 2.0) / format.variance_of_one_db;
    CAPTURE(format.modulation);
    MESSAGE(format.modulation << ": " << fourth.penalty_db - search.penalty_db << " dB more than "
                              << search.penalty_db << ", by the variance " << cost_db);
    CHECK(fourth.penalty_db - search.penalty_db < cost_db + four_errors(fourth, search));
  }
}

TEST_CASE("A capture without truth gets everything but a score") {
  Scenario s = test::scenario_of({"signal.modulation=qpsk", "channel.osnr_db=15", "signal.symbols=16384"});
  two_lasers(s, "100");
  Capture capture = Link(s, test::fft())(0);
  const Receiver receiver(s, test::fft());
  const ReceiverResult with = receiver(capture);
  capture.truth.reset();
  const ReceiverResult without = receiver(capture);
  CHECK(with.score);
  CHECK(!without.score);
  REQUIRE(with.channel);
  REQUIRE(without.channel);
  CHECK(without.channel->dgd == with.channel->dgd);
  CHECK(without.symbols.x == with.symbols.x);
  CHECK(without.stages.size() == 10);
  CHECK(without.used_known_data.empty());
  // Few decisions are wrong at 11 dB SNR: decision-aided and data-aided SNR agree.
  CHECK(without.snr_db == doctest::Approx(with.snr_db).epsilon(0.02));
  CHECK(std::abs(without.frequency_offset_hz.value() - 200e6) < 2e6);
}

TEST_CASE("DGD of 20 and 31 ps is read off the taps the same with truth and without") {
  // 31 ps are all but a whole symbol, which a blind equaliser may leave between its outputs. Its axes lie
  // between X and Y here, so that no shift of an output looks like it, and it must be read in full: to 1 ps,
  // the noise of the taps at 15 dB.
  for (const auto& [dgd, expected] : {std::pair{"20", 20.0}, {"31", 31.0}}) {
    Scenario s = test::scenario_of({"signal.modulation=qpsk", "channel.osnr_db=19", "signal.symbols=32768",
                                    std::string("channel.dgd_ps=") + dgd});
    two_lasers(s, "100");
    Capture capture = Link(s, test::fft())(0);
    const Receiver receiver(s, test::fft());
    const ReceiverResult with = receiver(capture);
    capture.truth.reset();
    const ReceiverResult without = receiver(capture);
    REQUIRE(with.channel);
    REQUIRE(without.channel);
    MESSAGE(std::string(dgd) << " ps read as " << 1e12 * with.channel->dgd << " ps");
    CHECK(with.channel->dgd == without.channel->dgd);
    CHECK(std::abs(1e12 * with.channel->dgd - expected) < 1.0);
  }
}

TEST_CASE("Stages come one per block, thinned, at their sampling") {
  Scenario s = test::scenario_of(
      {"signal.modulation=qpsk", "channel.osnr_db=15", "signal.symbols=16384", "adc.sample_rate_gsa=80"});
  const ReceiverResult result = Receiver(s, test::fft())(Link(s, test::fft())(0));
  const double sampling[] = {2.5, 2.5, 2, 2, 2, 2, 2, 1, 1, 1};
  REQUIRE(result.stages.size() == 10);
  for (std::size_t i = 0; i < 10; ++i) {
    CHECK(result.stages[i].block == s.list("dsp.chain")[i]);
    CHECK(result.stages[i].samples_per_symbol == doctest::Approx(sampling[i]));
    CHECK(result.stages[i].points[0].size() <= 4096);
    CHECK(result.stages[i].points[1].size() > 1000);
  }
  CHECK(result.discarded_symbols > 0);
  CHECK(result.score->symbols + result.discarded_symbols == result.symbols.size());
}

TEST_CASE("Known data is admitted to") {
  Scenario s = test::scenario_of({"signal.modulation=qpsk", "channel.osnr_db=15", "signal.symbols=8192",
                                  kIdealChain[0], kIdealChain[1]});
  Capture capture = Link(s, test::fft())(0);
  const ReceiverResult ideal = Receiver(s, test::fft())(capture);
  CHECK(ideal.used_known_data == std::vector<std::string>{"genie-polarisation", "phase (genie)"});
  Scenario t =
      test::scenario_of({"signal.modulation=qpsk", "signal.symbols=8192", "dsp.training_symbols=2000"});
  const ReceiverResult trained = Receiver(t, test::fft())(capture);
  CHECK(trained.used_known_data == std::vector<std::string>{"equaliser (2000 training symbols)"});
  CHECK(trained.score);
  capture.truth.reset();
  CHECK_THROWS_AS(Receiver(s, test::fft())(capture), InputError);
  CHECK_THROWS_AS(Receiver(t, test::fft())(capture), InputError);
}

TEST_CASE("Training carries the equaliser where no blind rule can: Gaussian symbols through a rotation") {
  Scenario s = test::scenario_of({"signal.modulation=gaussian", "channel.osnr_db=18", "signal.symbols=16384",
                                  "dsp.training_symbols=8192", "dsp.phase_recovery=genie",
                                  "channel.polarisation_rotation_deg=50"});
  s.set("dsp.chain=resample,dispersion,matched-filter,equaliser,phase");
  const ReceiverResult result = Receiver(s, test::fft())(Link(s, test::fft())(0));
  REQUIRE(result.score);
  // The constant angle of each row stays on Gaussian symbols; the fitted gain of the SNR takes it out.
  CHECK(18.0 - to_db(32e9 / kOsnrBandwidthHz) - result.snr_db < 0.4);
}

TEST_CASE("A capture shorter than the filters' edges is refused with the length needed") {
  Scenario s = test::scenario_of({"signal.modulation=qpsk", "channel.osnr_db=15", "signal.symbols=1024",
                                  "channel.extra_dispersion_ps_per_nm=50000"});
  const Capture capture = Link(s, test::fft())(0);
  try {
    Receiver(s, test::fft())(capture);
    FAIL("accepted");
  } catch (const InputError& error) {
    CHECK(says(error.what(),
               "capture too short: it holds 1024 symbols, and this receiver chain needs at least"));
  }
}

TEST_CASE("A lost polarisation is reported, not given a BER of one half") {
  const auto sent = test::random_symbols(Modulation::kQpsk, 16384);
  Field<float> field = test::shaped(sent.symbols, 2);
  field.y = field.x;  // a polariser in the path
  test::add_noise(field, 0.05);
  const Scenario s = test::scenario_of({"signal.modulation=qpsk"});
  const ReceiverResult result = Receiver(s, test::fft())(test::as_capture(field, sent));
  CHECK(!result.score);
  CHECK(!result.locked);
  REQUIRE(!result.warnings.empty());
  CHECK(says(result.warnings[0], "both outputs"));
  CHECK(result.counters.at("equaliser_singularities") > 0);
}

TEST_CASE("16QAM with pilots at every 2nd, 4th and 8th symbol meets theory, whichever modulator sends it") {
  // Loaded noise at 13.85 dB of SNR, perfect receiver, 2 x 65536 symbols: the BER within four of its binomial
  // standard errors; the SNR within four of its own, of which the noise's power has 1/sqrt(symbols) and the
  // frame's, |a|^2 varying by 0.32, sqrt(0.32 / symbols): 0.055 dB. The filters must not show.
  for (const char* spacing : {"2", "4", "8"})
    for (const char* modulator : {"ideal", "iq"}) {
      Scenario s = test::scenario_of({"signal.modulation=16qam", "channel.osnr_db=17.93",
                                      "signal.symbols=65536", std::string("signal.pilot_spacing=") + spacing,
                                      std::string("transmitter.modulator=") + modulator,
                                      "transmitter.dac_output_rms_v=0.02", kIdealChain[0], kIdealChain[1]});
      const ReceiverResult result = Receiver(s, test::fft())(Link(s, test::fft())(0));
      CAPTURE(spacing);
      CAPTURE(modulator);
      REQUIRE(result.score);
      CHECK(result.locked);
      const double snr_db = 17.93 - to_db(32e9 / kOsnrBandwidthHz);
      const double theory = theory_ber(Modulation::kQam16, from_db(snr_db));
      const auto bits = static_cast<double>(result.score->both.bits);
      MESSAGE("spacing " << std::string(spacing) << ", " << std::string(modulator) << ": SNR "
                         << result.snr_db << " of " << snr_db << " dB, BER over theory "
                         << result.score->both.ber() / theory);
      CHECK(std::abs(result.snr_db - snr_db) < 4.0 * to_db(1.0 + std::sqrt(1.32 / (2 * 65536.0))));
      CHECK(std::abs(result.score->both.ber() - theory) < 4.0 * std::sqrt(theory / bits));
    }
}

TEST_CASE("A receiver that expects pilots and finds none has not locked and claims no known data") {
  const Scenario without =
      test::scenario_of({"signal.modulation=qpsk", "channel.osnr_db=15", "signal.symbols=16384"});
  Scenario with = without;
  with.set("signal.pilot_spacing=32");
  Capture capture = Link(without, test::fft())(0);
  for (const bool truth : {true, false}) {
    if (!truth) capture.truth.reset();
    const ReceiverResult result = Receiver(with, test::fft())(capture);
    CHECK(!result.locked);
    CHECK(result.used_known_data.empty());
    REQUIRE(!result.warnings.empty());
    CHECK(says(result.warnings[0], "no pilots found in output X"));
  }
  const ReceiverResult found = Receiver(with, test::fft())(Link(with, test::fft())(0));
  CHECK(found.locked);
  CHECK(found.used_known_data == std::vector<std::string>{"phase (pilot symbols)"});
  with.set("signal.pilot_spacing=256");
  try {
    const Receiver receiver(with, test::fft());
    FAIL("accepted");
  } catch (const InputError& error) {
    CHECK(says(error.what(), "signal.pilot_spacing"));
    CHECK(says(error.what(), "spacing 2 to 64"));
  }
}

TEST_CASE(
    "The widely linear form removes the receiver's image behind an offset that the chain took off before") {
  // 6 ps of skew: the image of a receiver, which no block before the equaliser knows of. Removed or not, the
  // offset must make no difference beyond a few tenths.
  double snr[2][2];
  for (const bool widely : {false, true})
    for (const bool offset : {false, true}) {
      const Scenario s = test::scenario_of(
          {"signal.modulation=16qam", "channel.osnr_db=20", "signal.symbols=65536", "frontend.iq_skew_ps=6",
           std::string("laser_lo.frequency_offset_mhz=") + (offset ? "300" : "0"),
           std::string("dsp.equaliser_form=") + (widely ? "widely-linear" : "complex")});
      const ReceiverResult result = Receiver(s, test::fft())(Link(s, test::fft())(0));
      REQUIRE(result.score);
      snr[widely][offset] = result.snr_db;
      MESSAGE(s.text("dsp.equaliser_form") << ", offset " << offset << ": " << result.snr_db << " dB");
    }
  CHECK(snr[true][true] > snr[true][false] - 0.15);
  CHECK(snr[true][true] > snr[false][true] + 1.0);
}

TEST_CASE("Every block is left out in turn, and what cannot be missing is named") {
  const Scenario s;
  const auto variants = knock_outs(s.list("dsp.chain"));
  REQUIRE(variants.size() == s.list("dsp.chain").size() + 1);
  for (const auto& variant : variants) {
    CHECK(variant.refusal.empty() == (variant.without != "resample" && variant.without != "equaliser"));
    CHECK((variant.refusal.empty() ? chain_fault(variant.chain).empty() : true));
  }
  CHECK(std::any_of(variants.begin(), variants.end(), [](const ChainVariant& variant) {
    return variant.without == "equaliser, decimate in its place";
  }));
}

TEST_CASE("Chains that cannot work are refused with the reason") {
  CHECK(refusal("resample,dispersion,matched-filter,equaliser,frequency,phase") == "accepted");
  CHECK(refusal("resample,equaliser") == "accepted");
  CHECK(says(refusal("equaliser,resample,phase"),
             "equaliser takes two samples a symbol and gives one; here it would get the ADC's rate"));
  CHECK(says(refusal("resample,phase,equaliser"),
             "phase works on symbols, one sample each; here it would get two samples a symbol"));
  CHECK(says(refusal("resample,dispersion"), "it ends at two samples a symbol"));
  CHECK(says(refusal("resample,equaliser,decimate"), "decimate takes two samples a symbol"));
  CHECK(says(refusal("resample,orthonormalise,equaliser"),
             "orthonormalise corrects the hybrids' I and Q lanes"));
  CHECK(says(refusal("resample,equaliser,phase,frequency"), "frequency must come before phase"));
  CHECK(refusal("resample,frequency,dispersion,matched-filter,equaliser,frequency,phase") == "accepted");
  CHECK(says(refusal("resample,equaliser,frequency,frequency"),
             "frequency stands twice at one sample a symbol"));
  CHECK(says(refusal("frequency,resample,equaliser"), "here it would get the ADC's rate"));
  CHECK(says(refusal("resample,dispersion,dispersion,equaliser"), "dispersion stands twice"));
  CHECK(says(chain_fault({"resample", "equalizer"}), "there is no block 'equalizer'"));
}

TEST_CASE("Gaussian symbols get an SNR, and settings that need a constellation are refused") {
  Scenario s = test::scenario_of({"signal.modulation=gaussian", "channel.osnr_db=15", "signal.symbols=16384",
                                  kIdealChain[0], kIdealChain[1]});
  const ReceiverResult result = Receiver(s, test::fft())(Link(s, test::fft())(0));
  REQUIRE(result.score);
  CHECK(result.score->both.bits == 0);
  // 2 x 16000 symbols: 1/sqrt(32000) = 0.025 dB; four of them.
  CHECK(std::abs(result.snr_db - (15.0 - to_db(32e9 / kOsnrBandwidthHz))) < 0.1);
  Scenario blind = test::scenario_of({"signal.modulation=gaussian"});
  CHECK_THROWS_AS(Receiver(blind, test::fft()), InputError);
}

TEST_CASE("Differential coding: the blind chain is near differential theory") {
  Scenario s =
      test::scenario_of({"signal.modulation=qpsk", "channel.osnr_db=12.5", "signal.differential=true"});
  two_lasers(s, "100");
  const Link link(s, test::fft());
  const Receiver receiver(s, test::fft());
  ErrorCount count;
  for (std::uint64_t f = 0; f < 3; ++f) {
    const auto result = receiver(link(f));
    REQUIRE(result.score);
    count += result.score->both;
  }
  const double snr = from_db(12.5) * kOsnrBandwidthHz / 32e9;
  const double expected = theory_ber_differential(Modulation::kQpsk, snr);
  // 0.15 dB of the blind chain is a factor 1.15 here; 4000 errors in pairs add 2 % each way.
  CHECK(count.ber() > 0.93 * expected);
  CHECK(count.ber() < 1.25 * expected);
}

TEST_CASE("One polarisation alone is received as such, by every rule, and noise in its place is no lock") {
  // X recorded alone, 1 dB above the SNR of BER 2e-2, is received as it is with Y beside it: to four standard
  // errors of what some thousand bit errors say of the SNR.
  struct Tried {
    Modulation modulation;
    std::string rule, method;
  };
  for (const auto& tried : {Tried{Modulation::kQpsk, "cma", "bps"},
                            {Modulation::kQpsk, "auto", "fourth-power"},
                            {Modulation::kQam16, "auto", "bps"},
                            {Modulation::kQam16, "decision-directed", "bps"}}) {
    const Modulation modulation = tried.modulation;
    const std::string name(modulation_name(modulation));
    Scenario s = test::scenario_of(
        {"signal.modulation=" + name, "dsp.equaliser=" + tried.rule, "dsp.phase_recovery=" + tried.method});
    const auto sent = test::random_symbols(modulation, 65536);
    Field<float> field = test::shaped(sent.symbols, 2);
    const auto phase = test::wiener_phase(field.size(), 50e3);
    for (std::size_t n = 0; n < field.size(); ++n) {
      const std::complex<float> turn(
          std::polar(1.0, phase[n] + kTwoPi * 4e8 / 64e9 * static_cast<double>(n)));
      field.x[n] *= turn;
      field.y[n] *= turn;
    }
    const double snr_db = to_db(theory_snr(modulation, 2e-2)) + 1.0;
    test::add_noise(field, 2.0 * from_db(-snr_db));
    Capture capture = test::as_capture(field, sent);
    const ErrorCount beside_y = Receiver(s, test::fft())(capture).score.value().polarisation[0];
    capture.lanes = test::x_alone(capture.lanes);
    CAPTURE(name);
    CAPTURE(tried.rule);
    const ReceiverResult result = Receiver(s, test::fft())(capture);
    REQUIRE(result.score);
    CHECK(result.locked);
    CHECK(result.one_polarisation);
    CHECK(result.counters.at("equaliser_singularities") == 0);
    CHECK(result.score->polarisation[1].bits == 0);
    const ErrorCount& alone = result.score->polarisation[0];
    const double gap_db = to_db(theory_snr(modulation, beside_y.ber()) / theory_snr(modulation, alone.ber()));
    MESSAGE(name << ", " << tried.rule << ": " << gap_db << " dB below X beside Y, whose penalty is "
                 << snr_db - to_db(theory_snr(modulation, beside_y.ber())));
    CHECK(std::abs(gap_db) < 4.0 * std::hypot(error_db(modulation, alone), error_db(modulation, beside_y)));
    CHECK(std::abs(result.frequency_offset_hz.value() - 4e8) < 2e6);
    capture.truth.reset();
    const ReceiverResult blind = Receiver(s, test::fft())(capture);
    CHECK(blind.locked);
    CHECK(blind.warnings.empty());
    CHECK(blind.symbols.x == result.symbols.x);
    field = Field<float>(field.size(), 64e9);
    test::add_noise(field, 1.0);
    capture.lanes = test::x_alone(test::as_capture(field, sent).lanes);
    CHECK(!Receiver(s, test::fft())(capture).locked);
    s.set("dsp.equaliser_form=widely-linear");
    CHECK_THROWS_AS(Receiver(s, test::fft())(capture), InputError);
  }
}
