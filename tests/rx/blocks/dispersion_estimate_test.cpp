#include "rx/blocks/dispersion_estimate.h"

#include <doctest/doctest.h>

#include <cmath>
#include <string>

#include "rx/blocks/lanes.h"
#include "rx/receiver.h"
#include "sim/link.h"
#include "sim/signal/units.h"
#include "tests/rx/generator.h"

using namespace cohlink;

namespace {

DispersionEstimate estimated(const Scenario& s, std::uint64_t frame = 0) {
  const PulseShape pulse{Pulse::kRrc, s.number("signal.roll_off"), s.number("signal.symbol_rate_gbd") * 1e9};
  return DispersionEstimator({pulse}, test::fft())(read_lanes(Link(s, test::fft())(frame)));
}

}  // namespace

TEST_CASE(
    "Dispersion of +-50,000 ps/nm is found blindly within 50 ps/nm, lasers of 100 kHz, any clock and DGD") {
  // At the OSNR of a BER of 2e-2. The deviation measured there over 65536 QPSK symbols is 13 ps/nm at
  // roll-off 0.1 and 4 at 0.2; three of them fit into 50. At 0.05 it is 40: four times the symbols are asked
  // for.
  for (const auto& sent : {std::pair{"0.05", "262144"}, {"0.1", "65536"}, {"0.2", "32768"}, {"1", "16384"}}) {
    const auto &roll_off = sent.first, &symbols = sent.second;
    std::uint64_t frame = 0;
    for (const auto& tried : {std::tuple{"-50000", "qpsk", "10.4"},
                              {"50000", "16qam", "16.8"},
                              {"50000", "qpsk", "10.4"},
                              {"0", "qpsk", "10.4"},
                              {"-1234", "16qam", "16.8"}}) {
      const auto& dispersion = std::get<0>(tried);
      const auto& modulation = std::get<1>(tried);
      const auto& osnr = std::get<2>(tried);
      Scenario s;
      for (const auto& setting :
           {std::string("run.fft_planning=estimated"), std::string("signal.modulation=") + modulation,
            std::string("channel.osnr_db=") + osnr, std::string("signal.symbols=") + symbols,
            std::string("signal.roll_off=") + roll_off,
            std::string("channel.extra_dispersion_ps_per_nm=") + dispersion,
            std::string("transmitter.laser_linewidth_khz=100"), std::string("laser_lo.linewidth_khz=100"),
            std::string("adc.clock_offset_ppm=") + (frame % 2 ? "-100" : "20"),
            std::string("channel.dgd_ps=") + (frame % 2 ? "60" : "15.6")})
        s.set(setting);
      const DispersionEstimate e = estimated(s, frame++);
      CAPTURE(roll_off);
      CAPTURE(dispersion);
      REQUIRE(e.found());
      CHECK(std::abs(beta2_length_to_accumulated(e.beta2_length) - std::stod(dispersion)) < 50.0);
    }
  }
}

TEST_CASE("Dispersion is found at 60 GBd too, to the end of the range") {
  for (const char* dispersion : {"-60000", "58000"}) {
    Scenario s;
    for (const auto& setting :
         {std::string("run.fft_planning=estimated"), std::string("signal.modulation=16qam"),
          std::string("channel.osnr_db=20.35"), std::string("signal.symbols=65536"),
          std::string("signal.symbol_rate_gbd=59.84375"),
          std::string("channel.extra_dispersion_ps_per_nm=") + dispersion})
      s.set(setting);
    const DispersionEstimate e = estimated(s);
    REQUIRE(e.found());
    CHECK(std::abs(beta2_length_to_accumulated(e.beta2_length) - std::stod(dispersion)) < 20.0);
  }
}

TEST_CASE("A frame that its clock makes some samples shorter than a block still tells its dispersion") {
  // 16384 symbols at 59.84 GBd are one block; 100 ppm take three samples from it. At the OSNR of 1.25e-2.
  for (const char* clock : {"-20", "-100", "0", "100"})
    for (const char* dispersion : {"-40000", "3000", "58000"}) {
      const Scenario s =
          test::scenario_of({"signal.modulation=16qam", "channel.osnr_db=20.35", "signal.symbols=16384",
                             "signal.symbol_rate_gbd=59.84375", "signal.roll_off=0.2",
                             std::string("adc.clock_offset_ppm=") + clock,
                             std::string("channel.extra_dispersion_ps_per_nm=") + dispersion});
      CAPTURE(clock);
      CAPTURE(dispersion);
      const DispersionEstimate e = estimated(s);
      REQUIRE(e.found());
      CHECK(std::abs(beta2_length_to_accumulated(e.beta2_length) - std::stod(dispersion)) < 50.0);
    }
}

TEST_CASE("In noise alone no dispersion is found, nor in a row shorter than half a block") {
  Field<float> noise(65536, 2.0 * test::kRate);
  test::add_noise(noise, 1.0);
  const DispersionEstimator estimate({{Pulse::kRrc, 0.1, test::kRate}}, test::fft());
  CHECK(!estimate(noise).found());
  noise.x.resize(4000), noise.y.resize(4000);
  CHECK(!estimate(noise).found());
}

TEST_CASE("dsp.dispersion = blind: the chain locks without being told, and prints what it found") {
  for (const char* symbols : {"65536", "8192"}) {
    Scenario s;
    for (const auto& setting :
         {std::string("run.fft_planning=estimated"), std::string("channel.osnr_db=12"),
          std::string("signal.symbols=") + symbols, std::string("channel.extra_dispersion_ps_per_nm=20000"),
          std::string("laser_lo.frequency_offset_mhz=3000")})
      s.set(setting);
    const Capture capture = Link(s, test::fft())(0);
    const auto told = Receiver(s, test::fft())(capture);
    s.set("dsp.dispersion=blind");
    const auto blind = Receiver(s, test::fft())(capture);
    REQUIRE(told.score);
    REQUIRE(blind.score);
    REQUIRE(blind.beta2_length);
    CHECK(!told.beta2_length);
    CHECK(std::abs(beta2_length_to_accumulated(*blind.beta2_length) - 20000.0) < 200.0);
    // What is left, under a tenth of a symbol of spread, is the equaliser's.
    CHECK(told.snr_db - blind.snr_db < 0.1);
  }
  Scenario both;
  both.set("dsp.dispersion=blind");
  both.set("dsp.dispersion_ps_per_nm=100");
  CHECK_THROWS_AS(Receiver(both, test::fft()), InputError);
  Scenario none;
  none.set("dsp.dispersion=blind");
  none.set("dsp.chain=resample,matched-filter,equaliser,frequency,phase");
  CHECK_THROWS_AS(Receiver(none, test::fft()), InputError);
}
