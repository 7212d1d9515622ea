// Addressed random streams: every source of randomness has its own, so that a frame is the same whatever the
// threads, the order or the selection of points.
//
// The numbers come from Philox4x32-10 (philox.h), so that number i of a stream is a function of the stream's
// key and of i: any engine, on any device, draws the same noise. The map, which whoever draws elsewhere must
// follow:
//   - The key is a 64-bit hash of the address (RandomStreams::stream). Block n with purpose 0 gives two
//   64-bit
//     words (philox::words), word 2 n and word 2 n + 1.
//   - Word w of 64 bits gives a pair of normals by Box and Muller (Ann. Math. Stat. 29(2) 610, 1958):
//       u = 1 - floor(w / 2^24) 2^-40, from 2^-40 to 1;  t = (w mod 2^24) 2^-24 turns, from 0 to below 1;
//       normal 2 w = sqrt(-2 ln u) cos 2 pi t,  normal 2 w + 1 = sqrt(-2 ln u) sin 2 pi t
//     (w here also the word's number). u and t are exact in double precision, t in single too. Normals reach
//     to 7.45 standard deviations; the chance of one beyond is 1e-13.
//   - Complex normal k of a stream is (normal 2 k + i normal 2 k + 1)/sqrt(2): one word each.
//   - Words of purpose 1, in order, are the bits; a uniform number is floor(word / 2^11) 2^-53.
#pragma once

#include <array>
#include <complex>
#include <cstddef>
#include <cstdint>
#include <span>
#include <string_view>

namespace cohlink {

/// One stream of random numbers. Normals can be had by number, in bulk, or one after the other; bits and
/// uniform numbers one after the other, and they use up no normals. Cheap to make and to copy.
class RandomStream {
 public:
  explicit RandomStream(std::uint64_t key) : key_(key) {}

  /// out[i] = deviation times normal number first + i: zero mean, unit variance.
  template <class Real>
  void fill_normals(std::uint64_t first, double deviation, std::span<Real> out) const;
  /// row[i] = rms times complex normal number first + i: circular, E|z|^2 = 1.
  template <class Real>
  void fill_noise(std::uint64_t first, double rms, std::span<std::complex<Real>> row) const;
  /// The same added to what the row holds.
  template <class Real>
  void add_noise(std::uint64_t first, double rms, std::span<std::complex<Real>> row) const;

  /// The next normal.
  double normal() {
    const std::size_t place = next_normal_ % kBuffer;
    if (place == 0) fill_normals(next_normal_, 1.0, std::span<double>(buffer_));
    ++next_normal_;
    return buffer_[place];
  }
  /// Circular complex Gaussian with E|z|^2 = 1, from the next two normals.
  std::complex<double> complex_normal() {
    const double re = normal(), im = normal();
    return {re * 0.70710678118654752440, im * 0.70710678118654752440};
  }
  /// Uniform in [0, 1).
  double uniform() { return static_cast<double>(bits() >> 11) * 0x1p-53; }
  /// 64 independent fair bits.
  std::uint64_t bits();

  /// The key of the whole stream, for engines that draw by themselves.
  std::uint64_t key() const { return key_; }

 private:
  static constexpr std::size_t kBuffer = 128;

  std::uint64_t key_, next_normal_ = 0, next_word_ = 0;
  std::array<std::uint64_t, 2> words_;
  std::array<double, kBuffer> buffer_;
};

/// Gives the stream addressed by (seed, source name, frame, point). Source names are the trade's: "bits",
/// "tx-phase", "lo-phase", "ase-span-3", "shot-noise". Streams with different addresses are independent
/// for any practical purpose: their keys are 64-bit hashes of the whole address.
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
