#include "rx/quality/residual_offset.h"

#include <doctest/doctest.h>

#include <cmath>
#include <string>

#include "rx/receiver.h"
#include "sim/link.h"
#include "tests/rx/generator.h"

using namespace cohlink;

namespace {

// Mean SNR of `frames` frames that lock, dB of the mean noise.
double mean_snr_db(const Scenario& s, std::uint64_t frames) {
  const Link link(s, test::fft());
  const Receiver receiver(s, test::fft());
  double noise = 0.0, locked = 0.0;
  for (std::uint64_t f = 0; f < frames; ++f)
    if (const ReceiverResult result = receiver(link(f), false); result.locked)
      noise += from_db(-result.snr_db), locked += 1.0;
  return -to_db(noise / locked);
}

}  // namespace

TEST_CASE("A frame without noise keeps all of its signal, however short") {
  // The means of 1024 symbols would cost 30 dB, those of 65536 48. 16 bits, 12 dB below full scale, have a
  // step of 2 x 3.98 / 65536 of the rms and a noise of its square over 12, -89 dB, half of which is outside
  // the matched filter: -92 dB. The filter's reach leaves as much again at most.
  for (const char* symbols : {"1024", "65536"})
    for (const char* modulation : {"qpsk", "16qam"}) {
      const Scenario s = test::scenario_of(
          {std::string("signal.symbols=") + symbols, std::string("signal.modulation=") + modulation,
           "adc.bits=16", "adc.loading_db=-12", "dsp.phase_recovery=genie",
           "dsp.chain=resample,matched-filter,genie-polarisation,decimate,phase"});
      CAPTURE(symbols);
      CAPTURE(modulation);
      CHECK(mean_snr_db(s, 1) > 90.0);
    }
}

TEST_CASE(
    "Behind the decisions an offset is taken off that turns with the removed carrier, and nothing else") {
  constexpr std::size_t kCount = 4096;
  const auto sent = test::random_symbols(Modulation::kQam16, kCount);
  CarrierRemoved carrier;
  carrier.cycles_per_symbol = 0.0371;
  carrier.phase_rad = {test::wiener_phase(kCount, 1e6), test::wiener_phase(kCount, 1e6)};
  Field<float> noisy = test::at_symbol_rate(sent.symbols);
  test::add_noise(noisy, from_db(-16.0));
  Field<float> untouched = noisy;
  remove_residual_offset(untouched, 0, kCount, Modulation::kQam16, carrier);
  CHECK(untouched.x == noisy.x);
  Field<float> shifted = noisy;
  for (std::size_t k = 0; k < kCount; ++k) {
    const double turned = -kTwoPi * carrier.cycles_per_symbol * static_cast<double>(k);
    for (std::size_t p = 0; p < 2; ++p)
      (*shifted.rows()[p])[k] += std::complex<float>(std::polar(0.1, 0.4 + turned - carrier.phase_rad[p][k]));
  }
  CHECK(test::error_db(shifted, noisy, 0, kCount) < -19.9);
  remove_residual_offset(shifted, 0, kCount, Modulation::kQam16, carrier);
  // Known to the noise over 4096 symbols, -52 dB; once in 3000 rows eight times that.
  CHECK(test::error_db(shifted, noisy, 0, kCount) < -43.0);
}

TEST_CASE("Frames of 1024 symbols have the SNR of long ones within 0.1 dB, with offsets in the lanes too") {
  // 40 frames of 1024 symbols on two polarisations: a deviation of 1 / sqrt(81920), 0.015 dB. Without an
  // adaptive equaliser, which 1024 symbols do not bring to its end. 1.5 % of full scale: 25 dB below the rms
  // of a lane, whose mean over 1024 symbols is 30 dB below.
  for (const char* offset : {"0", "1.5"})
    for (const auto& tried : {std::pair{"qpsk", "10.33"}, {"16qam", "20"}}) {
      const auto& modulation = std::get<0>(tried);
      const auto& osnr = std::get<1>(tried);
      const auto frames_of = [&](const char* symbols) {
        return test::scenario_of(
            {std::string("signal.symbols=") + symbols, std::string("signal.modulation=") + modulation,
             std::string("channel.osnr_db=") + osnr, std::string("adc.offset_spread_percent=") + offset,
             "dsp.chain=resample,clock,matched-filter,decimate,frequency,phase"});
      };
      CAPTURE(modulation);
      CAPTURE(offset);
      CHECK(std::abs(mean_snr_db(frames_of("1024"), 40) - mean_snr_db(frames_of("32768"), 2)) < 0.1);
    }
}
