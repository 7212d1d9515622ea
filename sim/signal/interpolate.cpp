#include "sim/signal/interpolate.h"

#include <array>
#include <cmath>

#include "sim/signal/units.h"

namespace cohlink {
namespace {

constexpr int kTaps = 24;
constexpr int kPhases = 4096;  // linear between phases: error (pi/kPhases)^2/8, below -140 dB

// weights[phase][tap]: contribution of sample floor(position) - kTaps/2 + 1 + tap at fraction phase/kPhases.
using WeightTable = std::vector<std::array<double, kTaps>>;

double kaiser(double x, double beta) {  // x in [-1, 1]
  return std::cyl_bessel_i(0.0, beta * std::sqrt(std::max(0.0, 1.0 - x * x))) / std::cyl_bessel_i(0.0, beta);
}

WeightTable make_weights() {
  // The dense row is empty above a quarter of its rate, so the filter may fall from one at 1/4 to zero at
  // 3/4: a transition of half the rate. Kaiser's formula for 24 taps then allows 170 dB; beta = 0.1102 (A
  // - 8.7).
  constexpr double beta = 0.1102 * (165.0 - 8.7);
  WeightTable table(kPhases + 1);
  for (int phase = 0; phase <= kPhases; ++phase) {
    double sum = 0.0;
    for (int tap = 0; tap < kTaps; ++tap) {
      const double distance = static_cast<double>(phase) / kPhases + kTaps / 2 - 1 - tap;
      const double sinc = distance == 0.0 ? 1.0 : std::sin(kPi * distance) / (kPi * distance);
      table[phase][tap] = sinc * kaiser(distance / (kTaps / 2), beta);
      sum += table[phase][tap];
    }
    for (double& weight : table[phase]) weight /= sum;
  }
  return table;
}

const WeightTable& weights() {
  static const WeightTable table = make_weights();
  return table;
}

}  // namespace

PeriodicInterpolator::PeriodicInterpolator(const ComplexRow<double>& spectrum, const FftCache& fft)
    : dense_(2 * spectrum.size()) {
  const std::size_t n = spectrum.size();
  for (std::size_t k = 0; k < n; ++k) dense_[2 * k < n ? k : k + n] = spectrum[k];
  fft.get<double>(2 * n).inverse(dense_);
}

std::complex<double> PeriodicInterpolator::operator()(double position) const {
  const auto n = static_cast<long>(dense_.size());
  const double dense_position = 2.0 * position;
  const double base = std::floor(dense_position);
  const double phase = (dense_position - base) * kPhases;
  const auto low = static_cast<std::size_t>(phase);
  const double mix = phase - static_cast<double>(low);
  const auto& a = weights()[low];
  const auto& b = weights()[std::min<std::size_t>(low + 1, kPhases)];
  long index = (static_cast<long>(base) - kTaps / 2 + 1) % n;
  if (index < 0) index += n;
  std::complex<double> sum = 0.0;
  for (std::size_t tap = 0; tap < kTaps; ++tap) {
    sum += ((1.0 - mix) * a[tap] + mix * b[tap]) * dense_[static_cast<std::size_t>(index)];
    if (++index == n) index = 0;
  }
  return sum;
}

}  // namespace cohlink
