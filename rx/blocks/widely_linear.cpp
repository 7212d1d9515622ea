#include "rx/blocks/widely_linear.h"

#include <algorithm>
#include <cmath>
#include <utility>

#include "rx/blocks/decision.h"
#include "rx/blocks/symbol_arithmetic.h"
#include "sim/signal/units.h"

namespace cohlink {
namespace {

constexpr std::size_t kBlock = Equaliser::kBlock;
constexpr std::size_t kInputs = 6;
constexpr int kTestPhases = 32;

using Complex = std::complex<float>;

}  // namespace

WidelyLinear::WidelyLinear(const EqualiserParameters& parameters, const ButterflyInput& in,
                           const Butterfly& start, const Drive& drive, Execution execution)
    : p_(parameters),
      execution_(std::move(execution)),
      in_(in),
      local_(kInputs, kBlock, parameters.taps),
      filters_(parameters.taps, kInputs),
      search_({parameters.modulation, static_cast<int>(kBlock), kTestPhases}),
      cycles_(drive.cycles),
      removed_cycles_(drive.removed_cycles),
      first_(drive.first),
      last_(drive.last) {
  for (std::size_t i = 0; i < 2; ++i)
    for (std::size_t j = 0; j < 2; ++j)
      for (std::size_t n = 0; n < static_cast<std::size_t>(p_.taps); ++n)
        filters_.set_tap(i, j, n, start.tap(i, j, n));
  for (int n = -(p_.taps / 2); n < static_cast<int>(2 * kBlock) + p_.taps / 2; ++n) {
    turn_.emplace_back(std::polar(1.0, -kTwoPi * cycles_ * 0.5 * n));
    image_turn_.emplace_back(std::polar(1.0, -kTwoPi * (cycles_ + 2.0 * removed_cycles_) * 0.5 * n));
  }
  align_rows();
}

// The block at symbol k, its carrier at `phase` there.
void WidelyLinear::take_off_carrier(std::size_t k, double phase) {
  const double image_cycles = std::fmod(2.0 * removed_cycles_ * static_cast<double>(k), 1.0);
  const Complex base(std::polar(1.0, -phase)), image_base(std::polar(1.0, -phase - kTwoPi * image_cycles));
  const int before = p_.taps / 2;
  for (std::size_t t = 0; t < turn_.size(); ++t) {
    const int n = static_cast<int>(t) - before;
    const Complex back = base * turn_[t], image_back = image_base * image_turn_[t];
    for (std::size_t j = 0; j < 2; ++j) {
      const auto x = without_carrier<float>({*in_.re(j, k, n), *in_.im(j, k, n)}, back, image_back);
      local_.set(j, n, x.direct);
      local_.set(2 + j, n, std::conj(x.direct));
      local_.set(4 + j, n, x.image);
    }
  }
}

// Both outputs to the angle of the grid: a common carrier phase then serves both.
void WidelyLinear::align_rows() {
  ButterflyBlock y;
  take_off_carrier(first_, 0.0);
  filters_.filter(local_, 0, y);
  for (std::size_t i = 0; i < 2; ++i) {
    Complex row[kBlock];
    for (std::size_t s = 0; s < kBlock; ++s) row[s] = {y.re[i][s], y.im[i][s]};
    const Complex back(std::polar(1.0, -search_.block_phase(row)));
    for (std::size_t j = 0; j < 2; ++j)
      for (std::size_t n = 0; n < static_cast<std::size_t>(p_.taps); ++n)
        filters_.set_tap(i, j, n, filters_.tap(i, j, n) * back);
  }
}

// The rule's error of an output z on the constellation's axes, nearest to `decision`.
Complex WidelyLinear::gradient(Complex z, Complex decision) const {
  if (p_.rule == EqualiserRule::kDecisionDirected) return decision - z;
  if (by_rings()) {
    const float power = size_squared(z.real(), z.imag());
    return ring_error(nearest_ring(power, constellation(p_.modulation)), power, z.real(), z.imag());
  }
  return axis_error(static_cast<float>(constellation(p_.modulation).axis_modulus()), z);
}

// The rule's error of y, on whose axes a block search puts it; gives the phase that was left.
double WidelyLinear::error(const ButterflyBlock& y, ButterflyBlock& e) {
  Complex both[2 * kBlock];
  const float scale = 1.0f / gain_;
  for (std::size_t i = 0; i < 2; ++i)
    for (std::size_t s = 0; s < kBlock; ++s)
      both[i * kBlock + s] = scale * Complex(y.re[i][s], y.im[i][s]) * std::conj(angle_[i]);
  const double phase = search_.block_phase(both);
  const Complex carrier(std::polar(1.0, phase));
  float aligned = 0.0f, power = 0.0f;
  Complex decisions[2 * kBlock];
  with_decision(constellation(p_.modulation), [&](const auto& decide) {
    for (std::size_t n = 0; n < 2 * kBlock; ++n) decisions[n] = decide(both[n] *= std::conj(carrier));
  });
  for (std::size_t i = 0; i < 2; ++i) {
    const Complex forth = carrier * angle_[i];
    TurnSums<float> sums;
    for (std::size_t s = 0; s < kBlock; ++s) {
      const Complex z = both[i * kBlock + s], decision = decisions[i * kBlock + s];
      sums.add(z, decision);
      const Complex wrong = gradient(gain_ * z, decision) * forth;
      e.re[i][s] = wrong.real();
      e.im[i][s] = wrong.imag();
    }
    aligned += sums.turn.real();
    power += sums.power;
    if (by_rings()) angle_[i] *= std::polar(1.0f, 0.05f * std::arg(sums.turn));
  }
  gain_ = moved_gain(gain_, aligned, power);
  return phase;
}

double WidelyLinear::error(const ButterflyBlock& y, const std::array<Symbols, 2>& known, std::size_t k,
                           ButterflyBlock& e) const {
  Complex sum = 0.0f;
  for (std::size_t i = 0; i < 2; ++i)
    for (std::size_t s = 0; s < kBlock; ++s)
      sum += Complex(y.re[i][s], y.im[i][s]) * std::conj(Complex(known[i][k + s]));
  const double phase = std::arg(sum);
  const Complex carrier(std::polar(1.0, phase));
  for (std::size_t i = 0; i < 2; ++i)
    for (std::size_t s = 0; s < kBlock; ++s) {
      const Complex wanted = Complex(known[i][k + s]) * carrier;
      e.re[i][s] = wanted.real() - y.re[i][s];
      e.im[i][s] = wanted.imag() - y.im[i][s];
    }
  return phase;
}

void WidelyLinear::adapt(std::size_t to, double step, const std::array<Symbols, 2>* known) {
  ButterflyBlock y, e;
  double phase = 0.0;
  for (std::size_t k = first_; k + kBlock <= to; k += kBlock) {
    execution_.check();
    take_off_carrier(k, phase);
    filters_.filter(local_, 0, y);
    const double left = known != nullptr ? error(y, *known, k, e) : error(y, e);
    filters_.adapt(local_, 0, e, static_cast<float>(step), true);
    phase += left + kTwoPi * cycles_ * kBlock;
  }
}

void WidelyLinear::store(const ButterflyBlock& y, std::size_t k, std::size_t origin, double carrier,
                         Field<float>& out) const {
  const auto centre = static_cast<std::size_t>(p_.taps / 2);
  const Complex base(std::polar(1.0, carrier));
  for (std::size_t s = 0; s < std::min(kBlock, out.size() - (k - origin)); ++s) {
    const Complex forth = base * std::conj(turn_[centre + 2 * s]);
    out.x[k - origin + s] = Complex(y.re[0][s], y.im[0][s]) * forth;
    out.y[k - origin + s] = Complex(y.re[1][s], y.im[1][s]) * forth;
  }
}

Field<float> WidelyLinear::filtered(std::size_t to, double symbol_rate) {
  Field<float> out(to - first_, symbol_rate);
  ButterflyBlock y, e;
  double phase = 0.0;
  for (std::size_t k = first_; k < to; k += kBlock) {
    execution_.check();
    take_off_carrier(k, phase);
    filters_.filter(local_, 0, y);
    store(y, k, first_, 0.0, out);
    phase += error(y, e) + kTwoPi * cycles_ * kBlock;
  }
  return out;
}

Field<float> WidelyLinear::equalise(double symbol_rate) {
  Field<float> out(in_.symbols(), symbol_rate);
  ButterflyBlock y, e;
  // Blocks are those of adapt(), whose carrier starts from nought at `first`; before it only the offset
  // turns.
  double phase = -kTwoPi * cycles_ * static_cast<double>(first_);
  for (std::size_t k = 0; k < first_; k += kBlock) {
    execution_.check();
    take_off_carrier(k, phase + kTwoPi * cycles_ * static_cast<double>(k));
    filters_.filter(local_, 0, y);
    store(y, k, 0, phase + kTwoPi * cycles_ * static_cast<double>(k), out);
  }
  phase = 0.0;
  for (std::size_t k = first_; k < in_.symbols(); k += kBlock) {
    execution_.check();
    take_off_carrier(k, phase);
    filters_.filter(local_, 0, y);
    store(y, k, 0, phase, out);
    double left = 0.0;
    if (k + kBlock <= last_) {
      left = error(y, e);
      filters_.adapt(local_, 0, e, static_cast<float>(p_.step), true);
    }
    phase += left + kTwoPi * cycles_ * kBlock;
  }
  return out;
}

}  // namespace cohlink
