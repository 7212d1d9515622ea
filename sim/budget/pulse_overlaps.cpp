#include "sim/budget/pulse_overlaps.h"

#include <algorithm>
#include <bit>
#include <cmath>

#include "sim/signal/units.h"

namespace cohlink {
namespace {

using Complex = std::complex<double>;

constexpr double kNodesPerOctave = 6.0;
constexpr double kTails = 10.0;        // symbols
constexpr long kSamplesPerSymbol = 4;  // hold |g|^2 of any roll-off
constexpr double kFar = 150.0;         // 4 pi^2 b Rs^2 from which on pulses have the shape of their spectrum

SymbolDistances make_distances() {
  SymbolDistances distances;
  std::vector<double> sizes;
  for (double m = 0.0; m < 1e7; m = std::max(m + 1.0, std::floor(1.12 * m))) sizes.push_back(m);
  for (std::size_t i = 0; i + 1 < sizes.size(); ++i) {
    distances.at.push_back(sizes[i]);
    distances.weight.push_back(i == 0 ? 1.0 : 0.5 * (sizes[i + 1] - sizes[i - 1]));
    if (i == 0) continue;
    distances.at.push_back(-sizes[i]);
    distances.weight.push_back(distances.weight.back());
  }
  return distances;
}

/// Frequencies over the symbol rate.
double frequency_of(std::size_t i) { return (static_cast<double>(i) + 0.5) / (2.0 * Overlaps::kFrequencies); }

/// Place of distance `-m` beside that of `m`.
std::size_t mirrored(std::size_t i) { return i == 0 ? 0 : i % 2 == 1 ? i + 1 : i - 1; }

/// How many of the distances are below `reach`, always as many of either sign.
std::size_t distances_within(double reach) {
  const auto& at = symbol_distances().at;
  std::size_t count = 1;
  while (count + 2 <= at.size() && at[count] < reach) count += 2;
  return count;
}

/// Sum over t of a(t) b(t - shift) for all shifts; both are lost.
void correlate(ComplexRow<double>& a, ComplexRow<double>& b, const Fft<double>& fft) {
  fft.forward(a);
  fft.forward(b);
  const std::size_t n = a.size();
  for (std::size_t k = 0; k < n; ++k) a[k] *= b[k == 0 ? 0 : n - k] / static_cast<double>(n);
  fft.inverse(a);
}

/// The phase of the pairs that changes fast with dispersion, m^2 / b far on, and none before pulses spread.
double pair_phase(double distance, double dispersion, double symbol_rate) {
  constexpr double kSpread = 0.1;  // b Rs^2 where pulses have spread over a symbol
  const double b = dispersion * symbol_rate * symbol_rate;
  return distance * distance * b / (b * b + kSpread * kSpread);
}

}  // namespace

const SymbolDistances& symbol_distances() {
  static const SymbolDistances distances = make_distances();
  return distances;
}

PulseOverlaps::PulseOverlaps(const PulseShape& pulse)
    : density_(pulse),
      symbol_rate_(pulse.symbol_rate),
      least_(1.0 / (8.0 * kTwoPi * kTwoPi * pulse.symbol_rate * pulse.symbol_rate)) {}

/// Symbols that a pulse spreads over, tails and all.
double PulseOverlaps::reach(double dispersion) const {
  return kTwoPi * dispersion * 2.0 * density_.edge() * symbol_rate_ + kTails;
}

/// The sum over k of g(t - k) exp(2 pi i f k): the frequency and those a symbol rate away that the pulse
/// holds.
ComplexRow<double> PulseOverlaps::wave(double frequency, double dispersion, std::size_t n,
                                       double step) const {
  ComplexRow<double> sum(n);
  const double rate = static_cast<double>(n) * step;
  for (const double shift : {-1.0, 0.0, 1.0}) {
    const double f = frequency + shift * symbol_rate_, amplitude = std::sqrt(density_(f));
    if (amplitude == 0.0) continue;
    for (std::size_t i = 0; i < n; ++i) {
      const auto t = static_cast<double>(i < n / 2 ? static_cast<long>(i)
                                                   : static_cast<long>(i) - static_cast<long>(n)) /
                     rate;
      sum[i] += std::polar(symbol_rate_ * amplitude, kTwoPi * f * t + 2.0 * kPi * kPi * dispersion * f * f);
    }
  }
  return sum;
}

Overlaps PulseOverlaps::exact(double dispersion) {
  const auto symbols = std::bit_ceil(static_cast<std::size_t>(2.0 * reach(dispersion)));
  const std::size_t n = symbols * kSamplesPerSymbol;
  const double step = symbol_rate_ / static_cast<double>(symbols), rate = static_cast<double>(n) * step;
  const Fft<double>& fft = fft_.get<double>(n);
  ComplexRow<double> pulse(n);
  for (std::size_t k = 0; k < n; ++k) {
    const double f = bin_frequency(k, n, rate);
    pulse[k] = std::polar(step * std::sqrt(density_(f)), 2.0 * kPi * kPi * dispersion * f * f);
  }
  fft.inverse(pulse);
  std::vector<double> all(n);  // the intensity of all symbols
  for (std::size_t k = 0; k < n; ++k)
    for (std::size_t l = 0; l < symbols; ++l) all[k] += std::norm(pulse[(k + l * kSamplesPerSymbol) % n]);

  Overlaps place;
  place.meeting = distances_within(reach(dispersion));
  const double scale = 1.0 / (rate * symbol_rate_);
  for (std::size_t i = 0; i < Overlaps::kFrequencies; ++i) {
    const ComplexRow<double> light = wave(frequency_of(i) * symbol_rate_, dispersion, n, step);
    ComplexRow<double> beat(n), intensity(n), sum(n), square(n);
    for (std::size_t k = 0; k < n; ++k) {
      beat[k] = std::conj(pulse[k]) * light[k];
      place.mean[i] += scale * beat[k] * all[k];
      place.alone[i] += scale * beat[k] * std::norm(pulse[k]);
      intensity[k] = std::norm(pulse[k]);
      sum[k] = std::conj(pulse[k] * light[k]);
      square[k] = pulse[k] * pulse[k];
    }
    correlate(beat, intensity, fft);
    correlate(sum, square, fft);
    for (std::size_t d = 0; d < place.meeting; ++d) {
      const auto shift = static_cast<long>(symbol_distances().at[d]) * kSamplesPerSymbol;
      const auto at = static_cast<std::size_t>(shift < 0 ? shift + static_cast<long>(n) : shift);
      place.intensity.push_back(scale * beat[at]);
      place.pairs.push_back(scale * sum[at]);
    }
  }
  return place;
}

/// Stationary phase: frequency f of a pulse arrives at -2 pi b f, so that symbols a distance m apart meet
/// with frequencies m / 2 pi b apart. Phases of the pairs, m^2 / b - 4 pi f m, without the first part.
Overlaps PulseOverlaps::far(double dispersion) const {
  Overlaps place;
  const double spread = kTwoPi * dispersion * symbol_rate_;
  place.meeting = distances_within(spread * 2.0 * density_.edge());
  for (std::size_t i = 0; i < Overlaps::kFrequencies; ++i) {
    for (const double shift : {-1.0, 0.0}) {
      const double f = (frequency_of(i) + shift) * symbol_rate_;
      place.mean[i] += symbol_rate_ * density_(f);
      place.alone[i] += density_(f) * density_(f) * symbol_rate_ / spread;
    }
    for (std::size_t d = 0; d < place.meeting; ++d) {
      const double m = symbol_distances().at[d], apart = m / spread;
      double intensity = 0.0, pairs = 0.0;
      for (const double shift : {-1.0, 0.0}) {
        const double f = (frequency_of(i) + shift) * symbol_rate_, own = density_(f);
        if (own == 0.0) continue;
        intensity += own * density_(f + apart);
        pairs += std::sqrt(own * density_(f - 2.0 * apart)) * density_(f - apart);
      }
      place.intensity.emplace_back(intensity * symbol_rate_ / spread);
      place.pairs.push_back(std::polar(pairs * symbol_rate_ / spread, -2.0 * kTwoPi * frequency_of(i) * m));
    }
  }
  return place;
}

/// Without that phase of the pairs: what is left changes slowly from node to node.
Overlaps PulseOverlaps::at_node(double dispersion) {
  if (kTwoPi * kTwoPi * dispersion * symbol_rate_ * symbol_rate_ > kFar) return far(dispersion);
  Overlaps place = exact(dispersion);
  for (std::size_t d = 0; d < place.meeting; ++d) {
    const Complex back = std::polar(1.0, -pair_phase(symbol_distances().at[d], dispersion, symbol_rate_));
    for (std::size_t i = 0; i < Overlaps::kFrequencies; ++i) place.pairs[i * place.meeting + d] *= back;
  }
  return place;
}

const Overlaps& PulseOverlaps::node(std::size_t i) {
  while (nodes_.size() <= i) {
    const auto last = static_cast<double>(nodes_.size()) - 1.0;
    nodes_.push_back(at_node(last < 0.0 ? 0.0 : least_ * std::exp2(last / kNodesPerOctave)));
  }
  return nodes_[i];
}

namespace {

/// Room for as many distances.
void widen(Overlaps& sum, std::size_t meeting) {
  if (sum.meeting >= meeting) return;
  Overlaps wide = sum;
  wide.meeting = meeting;
  for (auto* row : {&wide.intensity, &wide.pairs}) row->assign(Overlaps::kFrequencies * meeting, 0.0);
  for (std::size_t i = 0; i < Overlaps::kFrequencies; ++i)
    for (std::size_t d = 0; d < sum.meeting; ++d) {
      wide.intensity[i * meeting + d] = sum.intensity[i * sum.meeting + d];
      wide.pairs[i * meeting + d] = sum.pairs[i * sum.meeting + d];
    }
  sum = std::move(wide);
}

}  // namespace

void PulseOverlaps::add(Overlaps& sum, double weight, double dispersion) {
  const double b = std::abs(dispersion);
  const bool small = b < least_, back = dispersion < 0.0;
  const double at = small ? 0.0 : 1.0 + std::log2(b / least_) * kNodesPerOctave;
  const auto below = static_cast<std::size_t>(at);
  const double part = at - static_cast<double>(below);
  node(below + 1);
  // The opposite dispersion is the conjugate, with time turned round.
  const auto flip = [back](Complex value) { return back ? std::conj(value) : value; };
  for (const std::size_t which : {below, below + 1}) {
    const double share = weight * (which == below ? 1.0 - part : part);
    if (share == 0.0) continue;
    const Overlaps& node = nodes_[which];
    widen(sum, node.meeting);
    for (std::size_t d = 0; d < node.meeting; ++d) {
      const Complex turn = std::polar(share, pair_phase(symbol_distances().at[d], b, symbol_rate_));
      const std::size_t to = back ? mirrored(d) : d;
      for (std::size_t i = 0; i < Overlaps::kFrequencies; ++i) {
        sum.intensity[i * sum.meeting + to] += flip(share * node.intensity[i * node.meeting + d]);
        sum.pairs[i * sum.meeting + to] += flip(turn * node.pairs[i * node.meeting + d]);
      }
    }
    for (std::size_t i = 0; i < Overlaps::kFrequencies; ++i) {
      sum.alone[i] += flip(share * node.alone[i]);
      sum.mean[i] += flip(share * node.mean[i]);
    }
  }
}

}  // namespace cohlink
