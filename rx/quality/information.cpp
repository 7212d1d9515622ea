#include "rx/quality/information.h"

#include <Eigen/Dense>
#include <algorithm>
#include <array>
#include <cmath>
#include <limits>
#include <stdexcept>

namespace cohlink {
namespace {

// One axis of a square, Gray-mapped constellation: its noise, levels and bits are independent of the other's,
// so every likelihood is a product and every loss a sum of two.
struct Axis {
  std::size_t bits;
  std::array<double, 4> level{};  // index = the axis's bits read as a number

  explicit Axis(Modulation modulation) : bits(static_cast<std::size_t>(bits_per_symbol(modulation)) / 2) {
    const auto& points = constellation(modulation);
    for (std::size_t i = 0; i < levels(); ++i) level[i] = points[i << bits].real();
  }
  std::size_t levels() const { return std::size_t{1} << bits; }
};

// Values of a block of symbols side by side, so that exponentials and logarithms run in vectors.
constexpr Eigen::Index kBlock = 256;
using Block = Eigen::Array<double, Eigen::Dynamic, 1, 0, kBlock, 1>;

struct Loss {
  double symbol = 0.0, bit = 0.0;  // nats
};

// 1 where the bit of `level` is that of the level sent, which is 1 or 0 in `sent_bit`.
Block same_bit(std::size_t level, std::size_t bit, const Block& sent_bit) {
  return (level >> bit & 1u) != 0 ? sent_bit : Block(1.0 - sent_bit);
}

void add_loss(Loss& loss, const Axis& axis, const Block& y, const Block& sent, double noise) {
  std::array<Block, 4> likelihood;  // logarithms at first
  std::array<Block, 2> sent_bit;
  for (std::size_t i = 0; i < axis.levels(); ++i) likelihood[i] = (y - axis.level[i]).square() / -noise;
  Block most = likelihood[0], of_sent = likelihood[0], away = (sent - axis.level[0]).abs();
  sent_bit.fill(Block::Zero(y.size()));
  for (std::size_t i = 1; i < axis.levels(); ++i) {
    most = most.max(likelihood[i]);
    const Block from_this = (sent - axis.level[i]).abs();
    const auto closer = (from_this < away).eval();
    of_sent = closer.select(likelihood[i], of_sent);
    for (std::size_t bit = 0; bit < axis.bits; ++bit)
      sent_bit[bit] = closer.select(static_cast<double>(i >> bit & 1u), sent_bit[bit]);
    away = away.min(from_this);
  }
  Block total = Block::Zero(y.size());  // the nearest level counts 1, so that not all underflow
  for (std::size_t i = 0; i < axis.levels(); ++i) total += likelihood[i] = (likelihood[i] - most).exp();
  const Block log_total = total.log();
  const double symbol_loss = (log_total + most - of_sent).sum();
  loss.symbol += symbol_loss;
  if (axis.bits == 1) {
    loss.bit += symbol_loss;
    return;
  }
  for (std::size_t bit = 0; bit < axis.bits; ++bit) {
    Block as_sent = Block::Zero(y.size());
    for (std::size_t i = 0; i < axis.levels(); ++i)
      as_sent += likelihood[i] * same_bit(i, bit, sent_bit[bit]);
    loss.bit += (log_total - as_sent.max(std::numeric_limits<double>::min()).log()).sum();
  }
}

}  // namespace

Information achievable_information(std::span<const std::complex<float>> received,
                                   std::span<const std::complex<double>> sent, double noise,
                                   Modulation modulation) {
  if (received.size() != sent.size() || received.empty())
    throw std::invalid_argument("information needs as many sent as received symbols");
  if (!(noise > 0.0)) throw std::invalid_argument("information needs a noise power above zero");
  if (modulation == Modulation::kGaussian)
    throw std::invalid_argument("information of a constellation: Gaussian symbols have none");
  const Axis axis(modulation);
  Loss loss;
  for (std::size_t from = 0; from < received.size(); from += kBlock) {
    const auto count = std::min(kBlock, static_cast<Eigen::Index>(received.size() - from));
    const Eigen::Map<const Eigen::ArrayXcf> y(received.data() + from, count);
    const Eigen::Map<const Eigen::ArrayXcd> a(sent.data() + from, count);
    add_loss(loss, axis, y.real().cast<double>(), a.real(), noise);
    add_loss(loss, axis, y.imag().cast<double>(), a.imag(), noise);
  }
  const double bits = bits_per_symbol(modulation),
               nats = std::log(2.0) * static_cast<double>(received.size());
  Information information;
  information.mutual_bits = bits - loss.symbol / nats;
  information.generalised_bits = bits - loss.bit / nats;
  information.normalised = information.generalised_bits / bits;
  return information;
}

Information mean(const Information& x, const Information& y) {
  return {0.5 * (x.mutual_bits + y.mutual_bits), 0.5 * (x.generalised_bits + y.generalised_bits),
          0.5 * (x.normalised + y.normalised)};
}

}  // namespace cohlink
