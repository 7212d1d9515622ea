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

#include "rx/fec/ofec_decoder.h"
#include "sim/signal/random.h"
#include "tools/bench/bench.h"
#include "tools/bench/clock.h"

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

}  // namespace

int bench_waterfall(int argc, char** argv) {
  if (argc < 5) {
    std::puts("usage: bench waterfall ofec BITS SEED RANKED BER...");
    return 2;
  }
  const double bits = std::atof(argv[2]);
  const auto seed = static_cast<std::uint64_t>(std::atoll(argv[3]));
  fec::ofec::DecoderParameters parameters;
  parameters.ranked = std::atoi(argv[4]);
  std::puts("    before        bits   errors  BER after   blocks   bad  Mb/s");
  for (int a = 5; a < argc; ++a) {
    const Tally t = ofec_waterfall(std::atof(argv[a]), bits, seed, parameters);
    std::printf("%10s %11.4g %8.0f %10.3g %8.0f %5.0f %5.1f\n", argv[a], t.bits, t.errors, t.errors / t.bits,
                t.blocks, t.bad, 1e-6 * t.bits / t.seconds);
    std::fflush(stdout);
  }
  return 0;
}

}  // namespace cohlink
