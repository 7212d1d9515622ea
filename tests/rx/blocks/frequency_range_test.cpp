// Coarse and fine frequency together, over the whole range, on lines that are not kind.
#include <doctest/doctest.h>

#include <cmath>
#include <string>

#include "rx/receiver.h"
#include "sim/link.h"
#include "tests/rx/generator.h"

using namespace cohlink;

namespace {

Scenario scenario_of(const std::string& modulation, double offset_mhz) {
  Scenario s;
  for (const auto& setting :
       {std::string("run.fft_planning=estimated"), "signal.modulation=" + modulation,
        std::string("channel.osnr_db=") + (modulation == "qpsk" ? "12" : "18.5"),
        std::string("signal.symbols=16384"), std::string("channel.polarisation_rotation_deg=30"),
        std::string("transmitter.laser_linewidth_khz=100"), std::string("laser_lo.linewidth_khz=100"),
        "laser_lo.frequency_offset_mhz=" + std::to_string(offset_mhz)})
    s.set(setting);
  return s;
}

}  // namespace

TEST_CASE("Offsets to a quarter of the symbol rate are found and cost nothing, whatever the line") {
  for (const char* modulation : {"qpsk", "16qam"})
    for (const double offset : {-8000.0, -3600.0, 3600.0, 8000.0})
      for (const auto& tried :
           {std::tuple{"0", "0", "0.05"}, {"15.625", "20000", "0.1"}, {"40", "-5000", "0.3"}}) {
        const auto& dgd = std::get<0>(tried);
        const auto& dispersion = std::get<1>(tried);
        const auto& roll_off = std::get<2>(tried);
        Scenario s = scenario_of(modulation, offset);
        s.set(std::string("channel.dgd_ps=") + dgd);
        s.set(std::string("channel.extra_dispersion_ps_per_nm=") + dispersion);
        s.set(std::string("signal.roll_off=") + roll_off);
        const ReceiverResult far = Receiver(s, test::fft())(Link(s, test::fft())(0));
        s.set("laser_lo.frequency_offset_mhz=0");
        const ReceiverResult near = Receiver(s, test::fft())(Link(s, test::fft())(0));
        CAPTURE(modulation);
        CAPTURE(offset);
        CAPTURE(dgd);
        REQUIRE(far.score);
        REQUIRE(near.score);
        // Laser noise of 2 x 100 kHz moves the mean frequency over 0.5 us by 0.25 MHz rms.
        CHECK(std::abs(far.frequency_offset_hz.value() - 1e6 * offset) < 2e6);
        // Both share data and noise, so that the difference is known better than either SNR: a standard
        // error.
        CHECK(near.snr_db - far.snr_db < 10.0 / std::log(10.0) * std::hypot(near.snr_spread, far.snr_spread));
      }
}

TEST_CASE(
    "Without the coarse block an offset beyond an eighth of the symbol rate is taken for one a quarter "
    "lower") {
  Scenario s = scenario_of("qpsk", 4200.0);
  s.set("dsp.chain=resample,clock,equaliser,frequency,phase");  // no matched filter, which would cut an edge
  s.set("channel.osnr_db=25");
  const ReceiverResult result = Receiver(s, test::fft())(Link(s, test::fft())(0));
  CHECK(std::abs(result.frequency_offset_hz.value() - (4.2e9 - 8e9)) < 5e6);
}
