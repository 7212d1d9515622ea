#include "sim/budget/mixing_correlation.h"

#include <algorithm>
#include <bit>
#include <cmath>
#include <complex>

#include "sim/signal/units.h"

namespace cohlink {
namespace {

using Complex = std::complex<double>;

constexpr double kTails = 12.0;             // symbols, beyond which a pulse's correlation is as good as 0
constexpr std::size_t kLongest = 1 << 14;   // samples
constexpr double kFarPhase = 1e3;           // 4 pi^2 b Rs^2 from which on longer ones follow the far limit
constexpr double kPhase = 2.0 * kPi * kPi;  // of exp(2 pi^2 i b f^2)

/// The frequencies that a set of channels fills.
struct Extent {
  double low = 0.0, high = 0.0;
  double width() const { return high - low; }
  void include(double frequency, double edge) {
    low = std::min(low, frequency - edge);
    high = std::max(high, frequency + edge);
  }
};

/// Channels far apart for their symbol rate mix in and out of step many times before dispersion blurs it.
int nodes_per_octave(const GnLight& light) {
  double spacing = 0.0;
  for (const GnChannel& channel : light)
    if (channel.frequency != 0.0 && (spacing == 0.0 || std::abs(channel.frequency) < spacing))
      spacing = std::abs(channel.frequency);
  return static_cast<int>(std::clamp(3.0 * spacing / light.front().pulse.symbol_rate, 12.0, 64.0));
}

}  // namespace

MixingCorrelation::MixingCorrelation(const GnLight& light, int per_octave)
    : symbol_rate_(light.front().pulse.symbol_rate),
      per_octave_(per_octave > 0 ? per_octave : nodes_per_octave(light)) {
  Extent all;
  for (const GnChannel& channel : light) {
    bands_.push_back({channel.frequency, channel.power, ChannelDensity(channel.pulse)});
    all.include(channel.frequency, bands_.back().density.edge());
  }
  // Below this, no product turns noticeably. Combs of one symbol rate have their nodes in common.
  first_ = std::exp2(std::floor(-2.0 * std::log2(all.width() / symbol_rate_))) /
           (32.0 * kTwoPi * kTwoPi * symbol_rate_ * symbol_rate_);
  at_zero_ = correlate(0.0);
  // Stationary phase: r(t) -> G(-t / 2 pi b) / sqrt(2 pi b).
  const ChannelDensity& own = bands_.front().density;
  constexpr int kSteps = 2048;
  const double step = 2.0 * own.edge() / kSteps;
  double sum = 0.0;
  for (int i = 0; i < kSteps; ++i) {
    const double f = -own.edge() + (i + 0.5) * step;
    sum += std::pow(density(f), 3) * own(f) * step;
  }
  far_.matched = sum * symbol_rate_ / kTwoPi;
  far_.centre = std::pow(density(0.0), 3) * symbol_rate_ / kTwoPi;
}

double MixingCorrelation::density(double f) const {
  double sum = 0.0;
  for (const Band& band : bands_) sum += band.power * band.density(f - band.frequency);
  return sum;
}

void MixingCorrelation::cover(double largest) {
  while (dispersions_.size() < 4 || dispersions_[dispersions_.size() - 2] < largest) {
    const double next = first_ * std::exp2(static_cast<double>(dispersions_.size()) / per_octave_);
    dispersions_.push_back(next);
    nodes_.push_back(correlate(next));
  }
}

GnReadings MixingCorrelation::far_limit(double dispersion) const {
  return {far_.centre / dispersion, far_.matched / dispersion};
}

/// Dispersion parts the channels in time: those that no longer meet the one under test do not count.
std::vector<const MixingCorrelation::Band*> MixingCorrelation::meeting(double dispersion) const {
  const double own = bands_.front().density.edge();
  std::vector<const Band*> near;
  for (const Band& band : bands_)
    if (kTwoPi * dispersion * (std::abs(band.frequency) - band.density.edge() - own) < kTails / symbol_rate_)
      near.push_back(&band);
  return near;
}

GnReadings MixingCorrelation::correlate(double dispersion) {
  const Band& own = bands_.front();
  const std::vector<const Band*> near = meeting(dispersion);
  Extent extent;
  for (const Band* band : near) extent.include(band->frequency, band->density.edge());
  const double window = kTwoPi * dispersion * extent.width() + 2.0 * kTails / symbol_rate_;
  const double step = symbol_rate_ / std::ceil(window * symbol_rate_);
  // Products of four fields must not fold onto 0 Hz.
  const double reach = extent.width() + std::max(extent.high, -extent.low) + own.density.edge();
  const auto n = std::bit_ceil(static_cast<std::size_t>(reach / step) + 2);
  const bool far = kTwoPi * kTwoPi * dispersion * symbol_rate_ * symbol_rate_ > kFarPhase;
  if (far && n > kLongest) return far_limit(dispersion);

  ComplexRow<double> light(n), filter(n);
  const auto fill = [&](ComplexRow<double>& row, const Band& band, double height) {
    const auto from = static_cast<long>(std::ceil((band.frequency - band.density.edge()) / step)),
               to = static_cast<long>(std::floor((band.frequency + band.density.edge()) / step));
    for (long k = from; k <= to; ++k) {
      const double f = static_cast<double>(k) * step;
      row[static_cast<std::size_t>(k < 0 ? k + static_cast<long>(n) : k)] +=
          std::polar(step * height * band.density(f - band.frequency), kPhase * dispersion * f * f);
    }
  };
  for (const Band* band : near) fill(light, *band, band->power);
  fill(filter, own, symbol_rate_);
  fft_.get<double>(n).inverse(light);
  fft_.get<double>(n).inverse(filter);
  GnReadings sum;
  for (std::size_t i = 0; i < n; ++i) {
    const Complex cube = std::norm(light[i]) * light[i];
    sum.matched += (cube * std::conj(filter[i])).real();
    sum.centre += symbol_rate_ * cube.real();
  }
  const double time_step = 1.0 / (static_cast<double>(n) * step);
  return {sum.centre * time_step, sum.matched * time_step};
}

GnReadings MixingCorrelation::operator()(double dispersion) const {
  const double b = std::abs(dispersion);
  if (b <= first_) return at_zero_;
  const double place = std::log2(b / first_) * per_octave_;
  const auto last = static_cast<double>(nodes_.size() - 3);
  const auto i = static_cast<std::size_t>(std::clamp(place, 1.0, std::max(last, 1.0)));
  const double x = place - static_cast<double>(i);
  // Catmull-Rom through four neighbours.
  const auto cubic = [x](double a, double c, double d, double e) {
    return c + 0.5 * x * (d - a + x * (2.0 * a - 5.0 * c + 4.0 * d - e + x * (3.0 * (c - d) + e - a)));
  };
  const GnReadings &p = nodes_[i - 1], &q = nodes_[i], &r = nodes_[i + 1], &s = nodes_[i + 2];
  return {cubic(p.centre, q.centre, r.centre, s.centre), cubic(p.matched, q.matched, r.matched, s.matched)};
}

}  // namespace cohlink
