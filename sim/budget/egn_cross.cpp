#include "sim/budget/egn_cross.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <complex>
#include <map>
#include <tuple>

#include "sim/signal/units.h"

namespace cohlink {
namespace {

using Complex = std::complex<double>;

constexpr double kTurn = kTwoPi * kTwoPi;
constexpr int kPerOctave = 14, kOctaves = 18;  // of u, downwards from the symbol rate
constexpr std::size_t kExactOffsets = 16;  // farther neighbours follow the farthest of these as 1 / offset

/// Overlaps of a pulse's spectrum with itself shifted by u, over their value for a flat band.
struct SpectrumOverlap {
  double power = 0.0;      // integral of G(f) G(f + u)
  double amplitude = 0.0;  // integral of sqrt(G(f) G(f + u))
  double edges = 0.0;      // twice that of sqrt(G(f) G(f + u) G(f - Rs) G(f + u - Rs))
};

SpectrumOverlap overlap_at(const ChannelDensity& density, double symbol_rate, double u) {
  constexpr int kSteps = 192;
  const double edge = density.edge(), step = 2.0 * edge / kSteps;
  SpectrumOverlap sum;
  for (int i = 0; i < kSteps; ++i) {
    const double f = -edge + (i + 0.5) * step, product = density(f) * density(f + u);
    if (product == 0.0) continue;
    const double folded = density(f - symbol_rate) * density(f + u - symbol_rate);
    sum.power += symbol_rate * step * product;
    sum.amplitude += step * std::sqrt(product);
    sum.edges += 2.0 * symbol_rate * step * std::sqrt(product * folded);
  }
  return sum;
}

/// Frequencies of intensity, with the width each stands for and what the spectra leave there.
struct IntensityGrid {
  std::vector<double> u, width;
  std::vector<SpectrumOverlap> own;

  explicit IntensityGrid(const PulseShape& pulse) {
    const ChannelDensity density(pulse);
    const double ratio = std::exp2(-1.0 / kPerOctave), rate = pulse.symbol_rate;
    double above = rate;
    for (int i = 0; i < kPerOctave * kOctaves; ++i) {
      const double below = i + 1 == kPerOctave * kOctaves ? 0.0 : above * ratio;
      u.push_back(0.5 * (above + below));
      width.push_back(above - below);
      own.push_back(overlap_at(density, rate, u.back()));
      above = below;
    }
  }
};

/// The pulse's correlation at a time of `t` symbols: the Fourier transform of its squared spectrum, 1 at 0.
double pulse_correlation(const PulseShape& pulse, double t) {
  const double x = kPi * t;
  if (pulse.pulse == Pulse::kNrz) return std::max(0.0, 1.0 - std::abs(t));
  const double bands = 1.0 - std::pow(2.0 * pulse.roll_off * t, 2);
  const double sinc = std::abs(x) < 1e-6 ? 1.0 : std::sin(x) / x;
  return std::abs(bands) < 1e-6 ? 0.25 * kPi * sinc : sinc * std::cos(pulse.roll_off * x) / bands;
}

/// Integral over the stretch of exp(-a z + i kappa beta2 z w), its dispersion counted from its own start.
Complex inside(const Stretch& s, double w) {
  const Complex rate(s.loss, -kTurn * s.beta2 * w), exponent = rate * s.length;
  return std::norm(exponent) < 1e-12 ? s.length : (1.0 - std::exp(-exponent)) / rate;
}

/// Where on the stretch most of that comes from [m].
double depth(const Stretch& s, double w) {
  return std::min(0.5 * s.length, 1.0 / std::hypot(s.loss, kTurn * s.beta2 * w));
}

/// exp(i kappa b w) and the inside of a stretch at many w: equal spans only turn on.
class LinePhasors {
 public:
  explicit LinePhasors(std::vector<double> w) : w_(std::move(w)), now_(w_.size(), 1.0) {}

  void enter(const Stretch& s) {
    const double step = s.before - before_;
    if (step_.empty() || std::abs(step - step_of_) > 1e-9 * std::abs(step_of_)) {
      step_.clear();
      for (const double w : w_) step_.push_back(std::polar(1.0, kTurn * step * w));
      step_of_ = step;
    }
    if (inside_.empty() || s.beta2 != of_.beta2 || s.length != of_.length || s.loss != of_.loss) {
      inside_.clear();
      for (const double w : w_) inside_.push_back(inside(s, w));
      of_ = s;
    }
    for (std::size_t i = 0; i < w_.size(); ++i) now_[i] *= step_[i];
    before_ = s.before;
    strength_ = s.strength;
  }
  /// Integral over the stretch of strength exp(-a z + i kappa b(z) w).
  Complex gathered(std::size_t i) const { return strength_ * now_[i] * inside_[i]; }

 private:
  std::vector<double> w_;
  std::vector<Complex> now_, step_, inside_;
  double before_ = 0.0, step_of_ = 0.0, strength_ = 0.0;
  Stretch of_;
};

/// One distance between channels.
class PassingIntensity {
 public:
  PassingIntensity(const IntensityGrid& grid, const PulseShape& own, const PulseShape& theirs, double offset)
      : grid_(grid), theirs_(theirs), offset_(offset) {
    const ChannelDensity density(theirs);
    const double rate = own.symbol_rate;
    for (const double u : grid.u) spectra_.push_back(overlap_at(density, rate, u));
    // Gauss-Legendre over the flat part of the band, and its two edges.
    const double half = 0.5 * rate * grid.own.back().power;
    frequencies_ = {-0.8611363116 * half, -0.3399810436 * half, 0.3399810436 * half,
                    0.8611363116 * half,  -0.5 * rate,          0.5 * rate};
    for (const double f : frequencies_) {
      std::vector<double> w;
      for (const double u : grid.u) w.push_back(u * (offset - f));
      phasors_.emplace_back(std::move(w));
    }
    for (auto& row : spread_) row.resize(grid.u.size());
    for (auto& row : edges_) row.resize(grid.u.size());
  }

  void add(const Stretch& stretch) {
    for (LinePhasors& phasors : phasors_) phasors.enter(stretch);
    for (std::size_t i = 0; i < grid_.u.size(); ++i) {
      const double u = grid_.u[i], b = stretch.at(depth(stretch, u * offset_));
      const double left =
          spectra_[i].amplitude * pulse_correlation(theirs_, kTwoPi * b * u * theirs_.symbol_rate);
      for (std::size_t k = 0; k < phasors_.size(); ++k) {
        const Complex light = phasors_[k].gathered(i);
        spread_[k][i] += left * light;
        if (k >= kInner) edges_[k - kInner][i] += light;
      }
    }
  }

  bool close() const { return offset_ < 2.0 * theirs_.symbol_rate; }
  /// Dispersion over which pulses spread to about a symbol [s^2].
  double spread() const { return 0.02 / (theirs_.symbol_rate * theirs_.symbol_rate); }

  /// To be multiplied by (80/81) phi.
  double of_symbols() const {
    constexpr std::array<double, kInner> kWeights = {0.1739274226, 0.3260725774, 0.3260725774, 0.1739274226};
    double sum = 0.0;
    for (std::size_t i = 0; i < grid_.u.size(); ++i) {
      double inner = 0.0;
      for (std::size_t k = 0; k < kInner; ++k) inner += kWeights[k] * std::norm(spread_[k][i]);
      inner = grid_.own[i].power * inner +
              grid_.own[i].edges * (spread_[kInner][i] * std::conj(spread_[kInner + 1][i])).real();
      sum += 2.0 * grid_.width[i] / theirs_.symbol_rate * inner;
    }
    return sum;
  }

  /// To be multiplied by 16/27, for any symbols.
  double of_clock() const {
    double sum = 0.0;
    for (std::size_t i = 0; i < grid_.u.size(); ++i) {
      const SpectrumOverlap &a = grid_.own[i], &b = spectra_[i];
      const double edges = a.edges * b.power + b.edges * a.power + a.edges * b.edges;
      sum += 4.0 * grid_.width[i] / theirs_.symbol_rate * edges *
             (edges_[0][i] * std::conj(edges_[1][i])).real();
    }
    return sum;
  }

 private:
  static constexpr std::size_t kInner = 4;
  const IntensityGrid& grid_;
  PulseShape theirs_;
  double offset_;
  std::vector<SpectrumOverlap> spectra_;
  std::array<double, kInner + 2> frequencies_{};
  std::vector<LinePhasors> phasors_;
  std::array<std::vector<Complex>, kInner + 2> spread_;
  std::array<std::vector<Complex>, 2> edges_;
};

/// Neighbours at one distance with one pulse, either side: weights of the two sums.
struct Alike {
  double symbols = 0.0;  // power^2 phi
  double clock = 0.0;    // power^2
  PulseShape pulse;
};
using Offset = std::tuple<double, Pulse, double>;  // distance, pulse, roll-off

std::map<Offset, Alike> alike_neighbours(const GnLight& light) {
  std::map<Offset, Alike> groups;
  for (std::size_t c = 1; c < light.size(); ++c) {
    const GnChannel& n = light[c];
    Alike& group = groups[{std::abs(n.frequency), n.pulse.pulse, n.pulse.roll_off}];
    group.symbols += n.power * n.power * n.moments.phi;
    group.clock += n.power * n.power;
    group.pulse = n.pulse;
  }
  return groups;
}

}  // namespace

std::vector<double> egn_cross_after_each_span(const GnLight& light, const GnLine& line) {
  std::vector<double> eta(line.size(), 0.0);
  if (light.size() == 1 || line.empty()) return eta;
  const PulseShape& own = light.front().pulse;
  const IntensityGrid grid(own);
  std::vector<std::pair<PassingIntensity, Alike>> passing;
  double farthest = 0.0;
  for (const auto& [offset, group] : alike_neighbours(light)) {
    const double distance = std::get<0>(offset);
    if (passing.size() < kExactOffsets) {
      passing.emplace_back(PassingIntensity(grid, own, group.pulse, distance), group);
      farthest = distance;
    } else {
      passing.back().second.symbols += group.symbols * farthest / distance;
      passing.back().second.clock += group.clock * farthest / distance;
    }
  }
  const std::vector<Stretch> map = dispersion_map(line);
  for (std::size_t k = 0; k < map.size(); ++k)
    for (auto& [intensity, group] : passing) {
      // Close neighbours spread before they have passed by: their pulses' shape is followed more closely.
      if (intensity.close())
        for (const Stretch& part : cut_near_zero(map[k], intensity.spread(), 2.0)) intensity.add(part);
      else
        intensity.add(map[k]);
      eta[k] += 80.0 / 81.0 * group.symbols * intensity.of_symbols() +
                16.0 / 27.0 * group.clock * intensity.of_clock();
    }
  return eta;
}

}  // namespace cohlink
