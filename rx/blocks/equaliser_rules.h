// The equaliser's rules: what error each block of outputs gives its taps.
#pragma once

#include <algorithm>
#include <array>
#include <cmath>
#include <complex>
#include <vector>

#include "rx/blocks/blind_phase_search.h"
#include "rx/blocks/butterfly.h"
#include "rx/blocks/decision.h"
#include "rx/blocks/symbol_arithmetic.h"
#include "sim/signal/constellation.h"
#include "sim/signal/frame_layout.h"
#include "sim/signal/units.h"

namespace cohlink {

// e = (R - |y|^2) y with the modulus that the constellation has on average.
struct ConstantModulusError {
  float modulus;
  void operator()(std::size_t, const ButterflyBlock& y, ButterflyBlock& e) const {
    for (std::size_t i = 0; i < 2; ++i)
      for (std::size_t s = 0; s < ButterflyBlock::kSize; ++s) {
        const std::complex<float> error = modulus_error(modulus, y.re[i][s], y.im[i][s]);
        e.re[i][s] = error.real();
        e.im[i][s] = error.imag();
      }
  }
};

// The same with the nearest of the constellation's rings.
struct RadiusDirectedError {
  const std::vector<Ring>& rings;
  void operator()(std::size_t, const ButterflyBlock& y, ButterflyBlock& e) const {
    for (std::size_t i = 0; i < 2; ++i) {
      float power[ButterflyBlock::kSize], nearest[ButterflyBlock::kSize];
      for (std::size_t s = 0; s < ButterflyBlock::kSize; ++s) {
        power[s] = size_squared(y.re[i][s], y.im[i][s]);
        nearest[s] = static_cast<float>(rings.front().power);
      }
      for (std::size_t r = 0; r + 1 < rings.size(); ++r) {
        const auto border = static_cast<float>(rings[r].border),
                   outer = static_cast<float>(rings[r + 1].power);
        for (std::size_t s = 0; s < ButterflyBlock::kSize; ++s)
          nearest[s] = nearer_ring(power[s], border, nearest[s], outer);
      }
      for (std::size_t s = 0; s < ButterflyBlock::kSize; ++s) {
        const std::complex<float> error = ring_error(nearest[s], power[s], y.re[i][s], y.im[i][s]);
        e.re[i][s] = error.real();
        e.im[i][s] = error.imag();
      }
    }
  }
};

// Turns symbols [k, k + ButterflyBlock::kSize) back by the carrier offset.
class OffsetRotation {
 public:
  explicit OffsetRotation(double cycles_per_symbol) : cycles_(cycles_per_symbol) {
    for (std::size_t s = 0; s < ButterflyBlock::kSize; ++s)
      turn_[s] = std::complex<float>(std::polar(1.0, -kTwoPi * cycles_ * static_cast<double>(s)));
  }
  void fill(std::size_t k, std::complex<float>* phasors) const {
    const std::complex<float> base(
        std::polar(1.0, -kTwoPi * std::fmod(cycles_ * static_cast<double>(k), 1.0)));
    for (std::size_t s = 0; s < ButterflyBlock::kSize; ++s) phasors[s] = base * turn_[s];
  }

 private:
  double cycles_;
  std::array<std::complex<float>, ButterflyBlock::kSize> turn_;
};

// e = decision, carrier put back, minus y. The decision is the same whichever quarter turn the phase search
// names, so the loop knows no cycle slips. Minimising the error shrinks the signal (y = g a + noise,
// g < 1); the running gain undoes that before the decision.
class DecisionDirectedError {
 public:
  static constexpr int kTestPhases = 32;  // of the carrier search inside the loop

  DecisionDirectedError(Modulation modulation, double cycles_per_symbol)
      : points_(constellation(modulation)),
        rotation_(cycles_per_symbol),
        search_({modulation, static_cast<int>(ButterflyBlock::kSize), kTestPhases}) {}

  void operator()(std::size_t k, const ButterflyBlock& y, ButterflyBlock& e) {
    std::complex<float> phasors[ButterflyBlock::kSize], turned[ButterflyBlock::kSize];
    rotation_.fill(k, phasors);
    for (std::size_t i = 0; i < 2; ++i) {
      const float scale = 1.0f / gain_[i];
      for (std::size_t s = 0; s < ButterflyBlock::kSize; ++s)
        turned[s] = scale * std::complex<float>(y.re[i][s], y.im[i][s]) * phasors[s];
      const double phase = search_.block_phase(turned);
      const std::complex<float> carrier(std::polar(1.0, phase));
      std::complex<float> decisions[ButterflyBlock::kSize];
      with_decision(points_, [&](const auto& decide) {
        for (std::size_t s = 0; s < ButterflyBlock::kSize; ++s)
          decisions[s] = decide(turned[s] *= std::conj(carrier));
      });
      GainSums<float> sums;
      for (std::size_t s = 0; s < ButterflyBlock::kSize; ++s) {
        sums.add(turned[s], decisions[s]);
        const std::complex<float> error =
            decision_error(decisions[s], carrier, phasors[s], {y.re[i][s], y.im[i][s]});
        e.re[i][s] = error.real();
        e.im[i][s] = error.imag();
      }
      gain_[i] = moved_gain(gain_[i], sums.aligned, sums.power);
    }
  }

 private:
  const Constellation& points_;
  OffsetRotation rotation_;
  BlindPhaseSearch search_;
  std::array<float, 2> gain_ = {1.0f, 1.0f};
};

// e = decision, carrier put back, minus y, at a carrier phase that is known from elsewhere; gain as above.
class GuidedError {
 public:
  GuidedError(Modulation modulation, bool at_known_alone)
      : points_(constellation(modulation)), at_known_alone_(at_known_alone) {}

  /// The phases of X and Y [rad] from symbol `first` on, in whole blocks.
  void follow(std::size_t first, const std::array<std::vector<double>, 2>& phase) {
    first_ = first;
    for (std::size_t i = 0; i < 2; ++i) {
      carrier_[i].clear();
      for (const double angle : phase[i]) carrier_[i].emplace_back(std::polar(1.0, angle));
    }
  }

  /// Known symbols of what follow() was told of: all that errors are taken at where they alone are meant.
  void know(KnownSymbols known) { known_ = std::move(known); }

  void operator()(std::size_t k, const ButterflyBlock& y, ButterflyBlock& e) {
    if (at_known_alone_)
      at_known(k, y, e);
    else
      at_decisions(k, y, e);
  }

 private:
  // Few as they are, they count more: at the default step and a pilot in 32 symbols taps follow within
  // 32 / (4 step), 32,000 symbols.
  void at_known(std::size_t k, const ButterflyBlock& y, ButterflyBlock& e) const {
    constexpr float kWeight = 4.0f;
    e = ButterflyBlock{};
    const auto from = std::lower_bound(known_.places.begin(), known_.places.end(), k);
    for (auto place = from; place != known_.places.end() && *place < k + ButterflyBlock::kSize; ++place) {
      const auto at = static_cast<std::size_t>(place - known_.places.begin());
      const std::size_t s = *place - k;
      for (std::size_t i = 0; i < 2; ++i) {
        const std::complex<float> wanted =
            std::complex<float>(known_.symbols[i][at]) * carrier_[i][*place - first_];
        e.re[i][s] = kWeight * (wanted.real() - y.re[i][s]);
        e.im[i][s] = kWeight * (wanted.imag() - y.im[i][s]);
      }
    }
  }

  void at_decisions(std::size_t k, const ButterflyBlock& y, ButterflyBlock& e) {
    std::complex<float> turned[ButterflyBlock::kSize], decisions[ButterflyBlock::kSize];
    for (std::size_t i = 0; i < 2; ++i) {
      const std::complex<float>* carrier = carrier_[i].data() + (k - first_);
      const float scale = 1.0f / gain_[i];
      for (std::size_t s = 0; s < ButterflyBlock::kSize; ++s)
        turned[s] = scale * std::complex<float>(y.re[i][s], y.im[i][s]) * std::conj(carrier[s]);
      with_decision(points_, [&](const auto& decide) {
        for (std::size_t s = 0; s < ButterflyBlock::kSize; ++s) decisions[s] = decide(turned[s]);
      });
      GainSums<float> sums;
      for (std::size_t s = 0; s < ButterflyBlock::kSize; ++s) {
        sums.add(turned[s], decisions[s]);
        const std::complex<float> wanted = decisions[s] * carrier[s];
        e.re[i][s] = wanted.real() - y.re[i][s];
        e.im[i][s] = wanted.imag() - y.im[i][s];
      }
      gain_[i] = moved_gain(gain_[i], sums.aligned, sums.power);
    }
  }

  const Constellation& points_;
  bool at_known_alone_;
  KnownSymbols known_;
  std::size_t first_ = 0;
  std::array<std::vector<std::complex<float>>, 2> carrier_;
  std::array<float, 2> gain_ = {1.0f, 1.0f};
};

// e = known symbol, carrier put back, minus y; the phase comes from the known symbols themselves.
class TrainedError {
 public:
  TrainedError(const std::array<Symbols, 2>& known, double cycles_per_symbol)
      : known_(&known), rotation_(cycles_per_symbol) {}

  void operator()(std::size_t k, const ButterflyBlock& y, ButterflyBlock& e) const {
    std::complex<float> phasors[ButterflyBlock::kSize];
    rotation_.fill(k, phasors);
    for (std::size_t i = 0; i < 2; ++i) {
      const Symbols& a = (*known_)[i];
      std::complex<float> sum = 0.0f;
      for (std::size_t s = 0; s < ButterflyBlock::kSize; ++s)
        sum += std::complex<float>(y.re[i][s], y.im[i][s]) * phasors[s] *
               std::conj(std::complex<float>(a[k + s]));
      const float size = std::abs(sum);
      const std::complex<float> carrier = size > 0.0f ? sum / size : 1.0f;
      for (std::size_t s = 0; s < ButterflyBlock::kSize; ++s) {
        const std::complex<float> wanted = std::complex<float>(a[k + s]) * carrier * std::conj(phasors[s]);
        e.re[i][s] = wanted.real() - y.re[i][s];
        e.im[i][s] = wanted.imag() - y.im[i][s];
      }
    }
  }

 private:
  const std::array<Symbols, 2>* known_;
  OffsetRotation rotation_;
};

}  // namespace cohlink
