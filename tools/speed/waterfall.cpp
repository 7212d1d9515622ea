// What a code leaves of the errors of white noise on QPSK, at stated error ratios before it.
//
// Words of zeros are sent, which is as good as any for a linear code and a symmetric decoder (the tests show
// it).
#include <boost/math/special_functions/erf.hpp>
#include <cmath>
#include <cstdio>
#include <cstdlib>
#include <cstring>
#include <string>
#include <vector>

#include "rx/fec/cfec.h"
#include "rx/fec/ofec_decoder.h"
#include "sim/signal/random.h"
#include "tools/speed/clock.h"
#include "tools/speed/speed.h"

namespace cohlink {
namespace {

struct Tally {
  double bits = 0, errors = 0, blocks = 0, bad = 0, seconds = 0;
};

// Noisy values of bits sent as +1, whose signs are wrong in a share `ber`.
class Channel {
 public:
  Channel(double ber, std::uint64_t seed)
      : sigma_(1.0 / (std::sqrt(2.0) * boost::math::erfc_inv(2.0 * ber))),
        stream_(RandomStreams(seed).stream("waterfall")) {}
  void operator()(std::span<float> out) {
    stream_.fill_normals(next_, sigma_, out);
    next_ += out.size();
    for (float& x : out) x += 1.0F;
  }

 private:
  double sigma_;
  RandomStream stream_;
  std::uint64_t next_ = 0;
};

Tally ofec_waterfall(double ber, double bits, std::uint64_t seed,
                     const fec::ofec::DecoderParameters& parameters) {
  using namespace fec::ofec;
  Channel channel(ber, seed);
  Decoder decoder(parameters);
  Tally tally;
  std::vector<float> values(kPairBits);
  PairValues llr;
  for (long n = 0; tally.bits < bits; ++n) {
    channel(values);
    quantise(values, 1.0, {llr[0].data(), values.size()});
    const double start = processor_time();
    const auto pair = decoder(llr);
    tally.seconds += processor_time() - start;
    if (n < decoder.delay() + 2 * kReach) continue;  // what knows the zeros before the beginning
    int errors = 0;
    for (int k = 0; k < kInformation; ++k) errors += __builtin_popcount((*pair)[k]);
    tally.errors += errors;
    tally.bad += errors > 0;
    tally.bits += kPairInformation;
    ++tally.blocks;
  }
  tally.seconds *= tally.blocks / (tally.blocks + decoder.delay() + 2 * kReach);
  return tally;
}

void count(const fec::staircase::Block& block, Tally& tally) {
  using namespace fec::staircase;
  int errors = 0;
  for (const auto& row : block.rows) {
    for (int word = 0; word < 7; ++word) errors += __builtin_popcountll(row[word]);
    errors += __builtin_popcountll(row[7] & ((std::uint64_t{1} << (kInformation % 64)) - 1));
  }
  tally.errors += errors;
  tally.bad += errors > 0;
  tally.bits += kBlockInformation;
  ++tally.blocks;
}

// The first blocks have known neighbours, and the decoder time to stall after them.
constexpr int kUncounted = 20;

Tally staircase_waterfall(double ber, double bits, std::uint64_t seed) {
  using namespace fec::staircase;
  RandomStream random = RandomStreams(seed).stream("waterfall");
  Decoder decoder;
  Tally tally;
  const double log_right = std::log1p(-ber);
  for (long n = 0; tally.bits < bits; ++n) {
    Block block;  // gaps between errors are geometric
    for (double at = std::log(1.0 - random.uniform()) / log_right; at < kBlockBits;
         at = std::floor(at) + 1.0 + std::log(1.0 - random.uniform()) / log_right)
      block.flip(static_cast<int>(at) / kColumns, static_cast<int>(at) % kColumns);
    const double start = processor_time();
    const auto decoded = decoder(block);
    const double seconds = processor_time() - start;
    if (n < decoder.delay() + kUncounted) continue;
    tally.seconds += seconds;
    count(*decoded, tally);
  }
  return tally;
}

Tally cfec_waterfall(double ber, double bits, std::uint64_t seed, int ranked) {
  using namespace fec;
  Channel channel(ber, seed);
  cfec::Decoder decoder({ranked, {}});
  Tally tally;
  std::vector<float> values(cfec::kFrameBits);
  std::vector<SoftPlaces> llr(values.size() / kLanes);
  for (long n = 0; tally.bits < bits; ++n) {
    channel(values);
    ofec::quantise(values, 1.0, {llr[0].data(), values.size()});
    const double start = processor_time();
    const auto blocks = decoder(llr);
    const double seconds = processor_time() - start;
    if (n * cfec::kBlocks < kUncounted) continue;
    tally.seconds += seconds;
    for (const auto& block : blocks) count(block, tally);
  }
  return tally;
}

Tally waterfall(const std::string& code, double ber, double bits, std::uint64_t seed, int ranked) {
  if (code == "staircase") return staircase_waterfall(ber, bits, seed);
  if (code == "cfec") return cfec_waterfall(ber, bits, seed, ranked);
  fec::ofec::DecoderParameters parameters;
  parameters.ranked = ranked;
  return ofec_waterfall(ber, bits, seed, parameters);
}

}  // namespace

int speed_of_waterfall(int argc, char** argv) {
  if (argc > 4 && std::strchr(argv[1], '/')) return speed_of_modulated_waterfall(argc, argv);
  if (argc < 6) {
    std::puts(
        "usage: speed waterfall ofec|cfec|staircase BITS SEED RANKED BER...\n"
        "       speed waterfall CODE/FORMAT[/ENTROPY] BITS SEED BER|NGMI...   CODE as fec.code spells it; "
        "above 0.5: NGMI");
    return 2;
  }
  const double bits = std::atof(argv[2]);
  const auto seed = static_cast<std::uint64_t>(std::atoll(argv[3]));
  std::puts("    before        bits   errors  BER after   blocks   bad  Mb/s");
  for (int a = 5; a < argc; ++a) {
    const Tally t = waterfall(argv[1], std::atof(argv[a]), bits, seed, std::atoi(argv[4]));
    std::printf("%10s %11.4g %8.0f %10.3g %8.0f %5.0f %5.1f\n", argv[a], t.bits, t.errors, t.errors / t.bits,
                t.blocks, t.bad, 1e-6 * t.bits / t.seconds);
    std::fflush(stdout);
  }
  return 0;
}

}  // namespace cohlink
