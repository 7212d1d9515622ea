#include "rx/information.h"

#include <algorithm>
#include <array>
#include <cmath>
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

struct Loss {
  double symbol = 0.0, bit = 0.0;  // bits
};

void add_loss(Loss& loss, const Axis& axis, double y, double sent, double noise) {
  std::array<double, 4> likelihood{};
  std::size_t label = 0;
  double least = 1e300;
  for (std::size_t i = 0; i < axis.levels(); ++i) {
    if (std::abs(sent - axis.level[i]) < std::abs(sent - axis.level[label])) label = i;
    const double d = y - axis.level[i];
    least = std::min(least, likelihood[i] = d * d);
  }
  double total = 0.0;  // the nearest level counts 1, so that not all underflow
  for (std::size_t i = 0; i < axis.levels(); ++i)
    total += likelihood[i] = std::exp((least - likelihood[i]) / noise);
  loss.symbol += std::log2(total / likelihood[label]);
  for (std::size_t bit = 0; bit < axis.bits; ++bit) {
    double as_sent = 0.0;
    for (std::size_t i = 0; i < axis.levels(); ++i)
      if (((i ^ label) >> bit & 1u) == 0) as_sent += likelihood[i];
    loss.bit += std::log2(total / as_sent);
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
  for (std::size_t k = 0; k < received.size(); ++k) {
    add_loss(loss, axis, received[k].real(), sent[k].real(), noise);
    add_loss(loss, axis, received[k].imag(), sent[k].imag(), noise);
  }
  const double bits = bits_per_symbol(modulation), count = static_cast<double>(received.size());
  Information information;
  information.mutual_bits = bits - loss.symbol / count;
  information.generalised_bits = bits - loss.bit / count;
  information.normalised = information.generalised_bits / bits;
  return information;
}

Information mean(const Information& x, const Information& y) {
  return {0.5 * (x.mutual_bits + y.mutual_bits), 0.5 * (x.generalised_bits + y.generalised_bits),
          0.5 * (x.normalised + y.normalised)};
}

}  // namespace cohlink
