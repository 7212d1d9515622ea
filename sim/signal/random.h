// Addressed random streams: every source of randomness has its own, so that a frame is the same
// whatever the threads, the order or the selection of points.
#pragma once

#include <boost/random/mersenne_twister.hpp>
#include <boost/random/normal_distribution.hpp>
#include <boost/random/uniform_01.hpp>
#include <complex>
#include <cstdint>
#include <string_view>

namespace cohlink {

/// One stream of random numbers. Mersenne twister 19937 (Matsumoto and Nishimura, ACM TOMACS 8(1), 1998)
/// and the ziggurat normal of Boost.Random.
class RandomStream {
 public:
  explicit RandomStream(std::uint64_t seed) : engine_(seed) {}

  /// Standard normal: zero mean, unit variance.
  double normal() { return normal_(engine_); }
  /// Circular complex Gaussian with E|z|^2 = 1.
  std::complex<double> complex_normal() {
    const double re = normal(), im = normal();
    return {re * 0.70710678118654752440, im * 0.70710678118654752440};
  }
  /// Uniform in [0, 1).
  double uniform() { return uniform_(engine_); }
  /// 64 independent fair bits.
  std::uint64_t bits() { return engine_(); }

 private:
  boost::random::mt19937_64 engine_;
  boost::random::normal_distribution<double> normal_{0.0, 1.0};
  boost::random::uniform_01<double> uniform_;
};

/// Gives the stream addressed by (seed, source name, frame, point). Source names are the trade's: "bits",
/// "tx-phase", "lo-phase", "ase-span-3", "shot-noise". Streams with different addresses are independent
/// for any practical purpose: their twister seeds are 64-bit hashes of the whole address.
class RandomStreams {
 public:
  explicit RandomStreams(std::uint64_t seed, std::uint64_t frame = 0, std::uint64_t point = 0)
      : seed_(seed), frame_(frame), point_(point) {}
  RandomStream stream(std::string_view source) const;

  /// The same address for another instance of the same hardware, e.g. the transmitter of "channel-3": its
  /// streams are independent of all others.
  RandomStreams of(std::string_view instance) const;

  std::uint64_t seed() const { return seed_; }
  std::uint64_t frame() const { return frame_; }
  std::uint64_t point() const { return point_; }

 private:
  std::uint64_t seed_, frame_, point_;
};

}  // namespace cohlink
