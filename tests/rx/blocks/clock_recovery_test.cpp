#include "rx/blocks/clock_recovery.h"

#include <doctest/doctest.h>

#include <cmath>
#include <string>

#include "rx/blocks/clock_tone.h"
#include "rx/blocks/lanes.h"
#include "rx/blocks/resample.h"
#include "rx/receiver.h"
#include "sim/link.h"
#include "tests/rx/generator.h"

using namespace cohlink;

namespace {

PulseShape pulse_of(double roll_off) { return {Pulse::kRrc, roll_off, test::kRate}; }

ClockResult recovered(const Scenario& s, std::uint64_t frame = 0) {
  const Capture capture = Link(s, test::fft())(frame);
  return ClockRecovery({pulse_of(s.number("signal.roll_off"))}, test::fft())(read_lanes(capture));
}

// rms of `delay` about the truth of a constant offset, whole and half symbols aside [symbols]; the ends,
// where fewer blocks are averaged, left out.
double timing_error(const std::vector<double>& delay, double ppm) {
  std::complex<double> mean = 0.0;
  std::vector<double> error;
  for (std::size_t b = 16; b + 16 < delay.size(); ++b) {
    const double centre = static_cast<double>((b + 1) * ClockRecovery::kHop);
    error.push_back(delay[b] - ppm / (1e6 + ppm) * centre);  // a symbol lasts 1 + ppm / 1e6 of our clock
    mean += std::polar(1.0, 2.0 * kTwoPi * error.back());
  }
  const double constant = std::arg(mean) / (2.0 * kTwoPi);
  double sum = 0.0;
  for (const double e : error) {
    const double rest = 0.5 * std::remainder(2.0 * (e - constant), 1.0);
    sum += rest * rest;
  }
  return std::sqrt(sum / static_cast<double>(error.size()));
}

}  // namespace

TEST_CASE("Interpolation reproduces a tone at any place between the samples") {
  const Interpolator interpolate(0.3);
  for (const double cycles : {-0.3, 0.1, 0.3}) {
    ComplexRow<float> row(400);
    for (std::size_t n = 0; n < row.size(); ++n)
      row[n] = std::complex<float>(std::polar(1.0, kTwoPi * cycles * static_cast<double>(n)));
    std::vector<double> places;
    for (double at = 50.0; at < 350.0; at += 0.7371) places.push_back(at);
    const auto out = interpolate(row, places);
    double error = 0.0;
    for (std::size_t i = 0; i < places.size(); ++i)
      error += std::norm(std::complex<double>(out[i]) - std::polar(1.0, kTwoPi * cycles * places[i]));
    // The nearest of 512 phases: a place is off by 1 / (512 sqrt(12)) rms, a phase by 2 pi cycles times that.
    const double nearest = kTwoPi * cycles / (512.0 * std::sqrt(12.0));
    CHECK(error / static_cast<double>(places.size()) < 1.5 * nearest * nearest + 1e-6);
  }
}

TEST_CASE(
    "The clock is found at roll-offs 0.05 to 1 and offsets to 1000 ppm, whatever the differential delay") {
  const std::string osnr[] = {"11.3", "17.8"};  // 1 dB above a BER of 2e-2
  int m = 0;
  for (const double roll_off : {0.05, 0.1, 0.3, 1.0})
    for (const double dgd : {0.0, 15.625, 31.25, 60.0}) {  // none, half a symbol, a symbol, two
      m = 1 - m;
      for (const double ppm : {-1000.0, -20.0, 100.0}) {
        const Scenario s = test::scenario_of(
            {std::string("signal.modulation=") + (m ? "16qam" : "qpsk"), "channel.osnr_db=" + osnr[m],
             "signal.symbols=16384", "signal.roll_off=" + std::to_string(roll_off),
             "channel.dgd_ps=" + std::to_string(dgd), "adc.clock_offset_ppm=" + std::to_string(ppm),
             "channel.polarisation_rotation_deg=30"});
        const ClockResult result = recovered(s);
        CAPTURE(roll_off);
        CAPTURE(dgd);
        CAPTURE(ppm);
        REQUIRE(result.locked);
        // A bin of the cross spectrum at the band's edge, half the signal's density, has the phase variance
        // 1/s + 1/(2 s^2), s half the SNR. Half of the roll-off's bins count, on two polarisations, over the
        // 1/1.5 of the window that a raised cosine is worth. Twice the resulting deviation is allowed, and
        // for the slope over 16384 symbols, three windows, the same.
        const double snr = from_db(std::stod(osnr[m])) * kOsnrBandwidthHz / test::kRate, edge = 0.5 * snr;
        const double bins = 8192.0 / 1.5 * roll_off;
        const double deviation = std::sqrt((1.0 / edge + 0.5 / (edge * edge)) / bins) / kTwoPi;
        CHECK(timing_error(result.delay, ppm) < 2.0 * deviation);
        CHECK(std::abs(result.offset_ppm - ppm) < 2.0 * deviation * std::sqrt(12.0) / 16384.0 * 1e6);
      }
    }
}

TEST_CASE(
    "Half a symbol of differential delay at 45 degrees extinguishes the plain clock tone, not the "
    "determinant") {
  const Scenario s =
      test::scenario_of({"channel.osnr_db=20", "channel.dgd_ps=15.625", "signal.symbols=4096"});
  const Field<float> signal = read_lanes(Link(s, test::fft())(0));
  ClockTone tone(pulse_of(0.1), 4096, test::fft());
  ClockTone::CrossSpectra cross;
  tone(signal, 2048, cross);
  const Jones m = clock_matrix(cross);
  const double norm =
      std::sqrt(std::norm(m[0][0]) + std::norm(m[0][1]) + std::norm(m[1][0]) + std::norm(m[1][1]));
  // 2048 x 0.1 / 2 bins of unequal symbol powers and little noise: about 10 % of random residue.
  CHECK(std::abs(m[0][0] + m[1][1]) < 0.15 * norm);
  CHECK(std::abs(m[0][0] * m[1][1] - m[0][1] * m[1][0]) > 0.4 * norm * norm);  // at most 1/2, unitary
}

TEST_CASE("With an ideal clock, recovering it costs less than 0.02 dB") {
  for (const auto& tried : {std::tuple{"qpsk", "10.4", "0.1"},
                            {"16qam", "17", "0.1"},
                            {"16qam", "22", "0.05"},
                            {"16qam", "22", "1"}}) {
    const auto& modulation = std::get<0>(tried);
    const auto& osnr = std::get<1>(tried);
    const auto& roll_off = std::get<2>(tried);
    Scenario s =
        test::scenario_of({std::string("signal.modulation=") + modulation,
                           std::string("channel.osnr_db=") + osnr, std::string("signal.roll_off=") + roll_off,
                           "signal.symbols=32768", "dsp.phase_recovery=genie", "adc.bits=12"});
    s.set("dsp.chain=resample,matched-filter,decimate,phase");
    const Capture capture = Link(s, test::fft())(0);
    const auto plain = Receiver(s, test::fft())(capture);
    s.set("dsp.chain=resample,clock,matched-filter,decimate,phase");
    const auto recovered = Receiver(s, test::fft())(capture);
    CAPTURE(modulation);
    CAPTURE(roll_off);
    REQUIRE(recovered.score);
    CHECK(recovered.score->delay_symbols[0] == 0);
    CHECK(plain.snr_db - recovered.snr_db < 0.02);  // the same noise in both
  }
}

TEST_CASE("A clock 20 or 100 ppm off costs nothing and the score keeps one delay, QPSK and 16QAM") {
  for (const auto& [modulation, osnr, ppm] : {std::tuple{"qpsk", "11", "100"},
                                              {"qpsk", "11", "-20"},
                                              {"16qam", "18", "-100"},
                                              {"16qam", "18", "20"}}) {
    Scenario s = test::scenario_of({std::string("signal.modulation=") + modulation,
                                    std::string("channel.osnr_db=") + osnr, "signal.symbols=32768",
                                    "channel.polarisation_rotation_deg=37"});
    const auto ideal = Receiver(s, test::fft())(Link(s, test::fft())(0));
    s.set(std::string("adc.clock_offset_ppm=") + ppm);
    const auto off = Receiver(s, test::fft())(Link(s, test::fft())(0));
    REQUIRE(off.score);
    REQUIRE(off.clock_offset_ppm);
    CHECK(std::abs(*off.clock_offset_ppm - std::stod(ppm)) < 0.5);
    CHECK(std::abs(off.score->delay_symbols[0]) <= 1);
    // Quantised and sampled elsewhere, but the same noise: 0.02 dB of chance over 65536 symbols.
    CHECK(ideal.snr_db - off.snr_db < 0.05);
  }
}

TEST_CASE("Sinusoidal jitter slower than the window is followed") {
  const Scenario s =
      test::scenario_of({"channel.osnr_db=20", "signal.symbols=262144", "adc.sine_jitter_fs=3000",
                         "adc.sine_jitter_rate_mhz=1", "adc.clock_offset_ppm=20"});
  const ClockResult result = recovered(s);
  REQUIRE(result.locked);
  // 3 ps peak at 32 GBd are 0.068 symbols rms. A raised cosine 8192 symbols wide passes sinc(x) / (1 - x^2),
  // x = 0.26 of a cycle in it: 0.957; the fitted line takes up to 6 / (pi 8.2)^2 of the power of 8.2 periods.
  CHECK(result.wander_ui > 0.94 * 0.068);
  CHECK(result.wander_ui < 0.97 * 0.068);
}

TEST_CASE("Where there is no clock, none is claimed and the samples are left alone") {
  Field<float> noise(65536, 2.0 * test::kRate);
  test::add_noise(noise, 1.0);
  const ClockResult result = ClockRecovery({pulse_of(0.1)}, test::fft())(noise);
  CHECK(!result.locked);
  CHECK(result.signal.x == noise.x);
}

TEST_CASE("A symbol rate told wrongly by more than a clock can be off is no lock, and no smaller offset") {
  // Blocks of 512 symbols, 256 apart, see 1953 ppm turn by half a symbol and 3906 ppm by a whole one, as if
  // there were none: the classic alias.
  const Capture capture =
      Link(test::scenario_of({"channel.osnr_db=12", "signal.symbols=16384"}), test::fft())(0);
  for (const double ppm : {-100000.0, -5000.0, -3906.25, -1953.125, -1500.0, -1000.0, 1000.0, 1500.0,
                           1953.125, 3906.25, 5000.0, 100000.0}) {
    const PulseShape told{Pulse::kRrc, 0.1, test::kRate * (1.0 + 1e-6 * ppm)};
    const Resampler resampler({2.0 * told.symbol_rate, pulse_band_edge(told), told.symbol_rate / 8});
    const ClockResult result = ClockRecovery({told}, test::fft())(resampler(read_lanes(capture)));
    CAPTURE(ppm);
    CHECK(result.locked == (std::abs(ppm) < 1100.0));
    // Twenty frames like this one: 0.7 ppm of deviation; four of it are allowed.
    if (result.locked) CHECK(std::abs(result.offset_ppm - ppm) < 3.0);
  }
}

TEST_CASE("Short frames at a small roll-off lock") {
  // 7.25 dB of SNR: at a BER of 1.1e-2 a code still corrects, and a frame without lock counts as lost.
  const Scenario s = test::scenario_of(
      {"channel.osnr_db=11.33", "signal.symbols=4096", "signal.roll_off=0.05", "adc.clock_offset_ppm=20"});
  for (std::uint64_t frame = 0; frame < 20; ++frame) CHECK(recovered(s, frame).locked);
}

TEST_CASE("A signal too dispersed for its clock says so in the receiver's warnings") {
  const Scenario s =
      test::scenario_of({"channel.osnr_db=20", "signal.symbols=16384", "dsp.dispersion_ps_per_nm=0",
                         "channel.extra_dispersion_ps_per_nm=30000"});
  const auto result = Receiver(s, test::fft())(Link(s, test::fft())(0));
  CHECK(!result.clock_offset_ppm);
  bool said = false;
  for (const auto& w : result.warnings) said = said || w.find("no clock tone") != std::string::npos;
  CHECK(said);
}
