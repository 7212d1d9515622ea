// What a code leaves of the errors of white noise on any format, decoded as the receiver does it: its LLRs
// (with the probabilities of shaped points), its interleaver, its number of tested places.
#include <cmath>
#include <cstdio>
#include <cstdlib>
#include <stdexcept>
#include <string>
#include <vector>

#include "rx/fec/post_fec.h"
#include "rx/quality/bit_likelihood.h"
#include "sim/signal/awgn_information.h"
#include "sim/signal/shaping.h"
#include "sim/signal/units.h"
#include "tools/speed/clock.h"
#include "tools/speed/speed.h"

namespace cohlink {
namespace {

constexpr std::size_t kWholes = 12;  // of what the code is decoded in, one frame

// CODE/FORMAT or CODE/FORMAT/ENTROPY.
struct Setting {
  std::string code;
  Modulation modulation;
};

Setting setting_of(const std::string& text) {
  const std::size_t slash = text.find('/'), second = text.find('/', slash + 1);
  const Modulation modulation = modulation_named(text.substr(slash + 1, second - slash - 1));
  if (constellation(modulation).empty()) throw std::invalid_argument("a format without points has no bits");
  if (second == std::string::npos) return {text.substr(0, slash), modulation};
  return {text.substr(0, slash), shaped(modulation, std::atof(text.c_str() + second + 1))};
}

Bits random_bits(Modulation modulation, std::size_t count, RandomStream random) {
  if (constellation(modulation).is_shaped()) return shaped_bits(modulation, count, random);
  Bits bits(count * static_cast<std::size_t>(bits_per_symbol(modulation)));
  for (auto& bit : bits) bit = static_cast<std::uint8_t>(random.bits() & 1U);
  return bits;
}

std::vector<float> likelihoods(const Setting& setting, double snr, std::uint64_t seed, std::uint64_t frame) {
  const std::size_t each = static_cast<std::size_t>(bits_per_symbol(setting.modulation)),
                    count = (kWholes * fec::least_bits(setting.code) + each - 1) / each;
  const RandomStreams streams(seed, frame);
  const Symbols sent =
      map_bits(setting.modulation, random_bits(setting.modulation, count, streams.stream("bits")), false);
  std::vector<std::complex<float>> received(count);
  streams.stream("noise").fill_noise(0, std::sqrt(1.0 / snr), std::span(received));
  for (std::size_t k = 0; k < count; ++k) received[k] += std::complex<float>(sent[k]);
  return flipped_likelihoods(received, sent, 1.0 / snr, setting.modulation);
}

struct Before {
  double bits = 0, wrong = 0, lost_information = 0;
  void add(const std::vector<float>& llr) {
    bits += static_cast<double>(llr.size());
    for (const float x : llr) {
      wrong += x < 0.0F;
      lost_information += std::log1p(std::exp(-static_cast<double>(x))) / std::log(2.0);
    }
  }
};

}  // namespace

int speed_of_modulated_waterfall(int argc, char** argv) {
  const Setting setting = setting_of(argv[1]);
  const double bits = std::atof(argv[2]);
  const auto seed = static_cast<std::uint64_t>(std::atoll(argv[3]));
  std::puts("   asked   SNR dB     before    NGMI        bits   errors  BER after   blocks   bad  Mb/s");
  for (int a = 4; a < argc; ++a) {
    const double asked = std::atof(argv[a]);
    const double snr = asked > 0.5 ? awgn_snr_for_ngmi(constellation(setting.modulation), asked)
                                   : theory_snr(setting.modulation, asked);
    Before before;
    fec::PostFec left;
    double seconds = 0.0;
    for (std::uint64_t frame = 0; static_cast<double>(left.bits) < bits; ++frame) {
      const std::vector<float> llr = likelihoods(setting, snr, seed, frame);
      before.add(llr);
      seconds += processor_seconds([&] { left += fec::decode_flipped(setting.code, llr); });
    }
    const auto decoded = static_cast<double>(left.bits);
    std::printf("%8s %8.3f %10.4g %7.4f %11.4g %8.0f %10.3g %8.0f %5.0f %5.1f\n", argv[a], to_db(snr),
                before.wrong / before.bits, 1.0 - before.lost_information / before.bits, decoded,
                static_cast<double>(left.errors), left.ber(), static_cast<double>(left.blocks),
                static_cast<double>(left.lost_blocks), 1e-6 * decoded / seconds);
    std::fflush(stdout);
  }
  return 0;
}

}  // namespace cohlink
