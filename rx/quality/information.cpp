#include "rx/quality/information.h"

#include <Eigen/Dense>
#include <algorithm>
#include <bit>
#include <cmath>
#include <limits>
#include <stdexcept>
#include <vector>

namespace cohlink {
namespace {

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

// Scratch of add_loss: a likelihood for each value that may have been sent, a label bit for each place.
struct Scratch {
  std::vector<Block> likelihood, sent_bit;
};

// Of values with labels of `bits` bits in white noise. `from_received(i)`, `from_sent(i)`: squared distances
// of the block's received and sent values to value i.
template <class FromReceived, class FromSent>
void add_loss(Loss& loss, std::size_t bits, const FromReceived& from_received, const FromSent& from_sent,
              double noise, Scratch& scratch) {
  const std::size_t count = std::size_t{1} << bits;
  auto& [likelihood, sent_bit] = scratch;
  likelihood.resize(count);
  for (std::size_t i = 0; i < count; ++i) likelihood[i] = from_received(i) / -noise;  // logarithms at first
  Block most = likelihood[0], of_sent = likelihood[0], away = from_sent(0);
  sent_bit.assign(bits, Block::Zero(most.size()));
  for (std::size_t i = 1; i < count; ++i) {
    most = most.max(likelihood[i]);
    const Block from_this = from_sent(i);
    const auto closer = (from_this < away).eval();
    of_sent = closer.select(likelihood[i], of_sent);
    for (std::size_t bit = 0; bit < bits; ++bit)
      sent_bit[bit] = closer.select(static_cast<double>(i >> bit & 1u), sent_bit[bit]);
    away = away.min(from_this);
  }
  Block total = Block::Zero(most.size());  // the nearest value counts 1, so that not all underflow
  for (std::size_t i = 0; i < count; ++i) total += likelihood[i] = (likelihood[i] - most).exp();
  const Block log_total = total.log();
  const double symbol_loss = (log_total + most - of_sent).sum();
  loss.symbol += symbol_loss;
  if (bits == 1) {
    loss.bit += symbol_loss;
    return;
  }
  for (std::size_t bit = 0; bit < bits; ++bit) {
    Block as_sent = Block::Zero(most.size());
    for (std::size_t i = 0; i < count; ++i) as_sent += likelihood[i] * same_bit(i, bit, sent_bit[bit]);
    loss.bit += (log_total - as_sent.max(std::numeric_limits<double>::min()).log()).sum();
  }
}

// A square constellation's axes have noise, levels and bits of their own: every likelihood is a product and
// every loss a sum of two.
void add_loss_of_axis(Loss& loss, const AxisLevels& axis, const Block& y, const Block& sent, double noise,
                      Scratch& scratch) {
  const auto from = [&](const Block& values) {
    return [&](std::size_t i) -> Block { return (values - axis.level[i]).square(); };
  };
  add_loss(loss, static_cast<std::size_t>(std::countr_zero(axis.count())), from(y), from(sent), noise,
           scratch);
}

struct ComplexBlock {
  Block re, im;
};

void add_loss_of_points(Loss& loss, const Constellation& points, const ComplexBlock& y,
                        const ComplexBlock& sent, double noise, Scratch& scratch) {
  const auto from = [&](const ComplexBlock& values) {
    return [&](std::size_t i) -> Block {
      return (values.re - points[i].real()).square() + (values.im - points[i].imag()).square();
    };
  };
  add_loss(loss, static_cast<std::size_t>(points.bits()), from(y), from(sent), noise, scratch);
}

}  // namespace

Information achievable_information(std::span<const std::complex<float>> received,
                                   std::span<const std::complex<double>> sent, double noise,
                                   Modulation modulation, const Execution& execution) {
  if (received.size() != sent.size() || received.empty())
    throw std::invalid_argument("information needs as many sent as received symbols");
  if (!(noise > 0.0)) throw std::invalid_argument("information needs a noise power above zero");
  if (constellation(modulation).empty())
    throw std::invalid_argument("information of a constellation: Gaussian symbols have none");
  const Constellation& points = constellation(modulation);
  Loss loss;
  Scratch scratch;
  for (std::size_t from = 0; from < received.size(); from += kBlock) {
    execution.check();
    const auto count = std::min(kBlock, static_cast<Eigen::Index>(received.size() - from));
    const Eigen::Map<const Eigen::ArrayXcf> y(received.data() + from, count);
    const Eigen::Map<const Eigen::ArrayXcd> a(sent.data() + from, count);
    const ComplexBlock received_block{y.real().cast<double>(), y.imag().cast<double>()},
        sent_block{a.real(), a.imag()};
    if (points.axis().count() == 0) {
      add_loss_of_points(loss, points, received_block, sent_block, noise, scratch);
      continue;
    }
    add_loss_of_axis(loss, points.axis(), received_block.re, sent_block.re, noise, scratch);
    add_loss_of_axis(loss, points.axis(), received_block.im, sent_block.im, noise, scratch);
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
