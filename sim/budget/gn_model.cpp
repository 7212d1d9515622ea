#include "sim/budget/gn_model.h"

#include <algorithm>
#include <cmath>
#include <complex>
#include <limits>

#include "sim/signal/units.h"

namespace cohlink {
namespace {

using Complex = std::complex<double>;

// exp(i x) of the line's four-wave mixing depends on the frequencies only through the product
// w = (f1 - f)(f2 - f); a span turns it by theta = 4 pi^2 beta2 L w.
constexpr double kPhasePerBeta2Length = 4.0 * kPi * kPi;

/// asinh(x)/x, finite at 0.
double asinh_ratio(double x) { return x < 1e-6 ? 1.0 : std::asinh(x) / x; }

// ---------------------------------------------------------------------------------------------------
// The line's mixing efficiency: gamma mu(w), summed over the spans with their phases.

/// (1 - e^(-a L) e^(i theta)) / (a - i theta / L), the mixing inside one span; `turn` is e^(i theta), `left`
/// e^(-a L).
Complex span_efficiency(const GnSection& section, double theta, Complex turn, double left) {
  const Complex rate(section.loss, -theta / section.length);
  const Complex exponent = rate * section.length;
  if (std::norm(exponent) < 1e-12) return section.length * (1.0 - 0.5 * exponent);
  return (1.0 - left * turn) / rate;
}

/// e^(i rate w) at w = step/2, 3 step/2, ...: one multiplication a place instead of a sine and a cosine.
class Phasor {
 public:
  Phasor(double rate, double step)
      : now_(std::polar(1.0, 0.5 * rate * step)), step_(std::polar(1.0, rate * step)) {}
  Complex operator()() const { return now_; }
  void advance() { now_ *= step_; }

 private:
  Complex now_, step_;
};

/// Equal spans that follow each other.
struct Run {
  GnSection section;
  double left;         // of power, at a fibre's end
  bool as_before;      // but for its power, the fibre of the run before
  Phasor fibre, turn;  // of one fibre; of a fibre and its module
  double count = 0.0;
};

double span_turn(const GnSection& section) {
  return kPhasePerBeta2Length * (section.beta2 * section.length + section.module_beta2_length);
}

std::vector<Run> runs_of(const std::vector<GnSection>& line, double step) {
  std::vector<Run> runs;
  for (const GnSection& section : line) {
    if (runs.empty() || !(section == runs.back().section)) {
      GnSection before = runs.empty() ? GnSection() : runs.back().section;
      before.relative_power = section.relative_power;
      runs.push_back({section, std::exp(-section.loss * section.length), !runs.empty() && section == before,
                      Phasor(kPhasePerBeta2Length * section.beta2 * section.length, step),
                      Phasor(span_turn(section), step)});
    }
    runs.back().count += 1.0;
  }
  return runs;
}

/// 1 + e^(i x) + ... + e^(i (n-1) x)
Complex geometric_sum(double n, double x) {
  const double below = std::sin(0.5 * x);
  if (std::abs(below) < 1e-6) return n;
  return std::polar(std::sin(0.5 * n * x) / below, 0.5 * (n - 1.0) * x);
}

/// At the next place: w, where the phasors of `line` stand.
Complex next_efficiency(std::vector<Run>& line, double w) {
  Complex sum = 0.0, turned = 1.0, efficiency = 0.0, turn = 1.0;
  for (Run& run : line) {
    const GnSection& section = run.section;
    if (!run.as_before) {
      const double theta = kPhasePerBeta2Length * section.beta2 * section.length * w;
      efficiency = section.gamma * span_efficiency(section, theta, run.fibre(), run.left);
      turn = run.turn();
      run.fibre.advance(), run.turn.advance();
    }
    const Complex all = section.relative_power * efficiency * turned;
    if (run.count == 1.0) {
      sum += all;
      turned *= turn;
    } else {
      sum += all * geometric_sum(run.count, span_turn(section) * w);
      turned *= std::polar(1.0, run.count * span_turn(section) * w);
    }
  }
  return sum;
}

/// Running integrals of gamma mu(w) and of its squared magnitude from 0 to w: how the integrals over
/// frequency average the fast phases of many spans without resolving them.
class EfficiencyTable {
 public:
  EfficiencyTable(const std::vector<GnSection>& line, double largest) : largest_(largest) {
    double beta2_length = 0.0;
    for (const GnSection& s : line) beta2_length += std::abs(s.beta2 * s.length + s.module_beta2_length);
    // A sample every third of a radian of the whole line's phase.
    const double radians = kPhasePerBeta2Length * beta2_length * largest;
    const auto n = static_cast<std::size_t>(std::clamp(3.0 * radians, 512.0, 65536.0));
    step_ = largest / static_cast<double>(n);
    field_.resize(n + 1);
    power_.resize(n + 1);
    std::vector<Run> runs = runs_of(line, step_);
    for (std::size_t i = 0; i < n; ++i) {
      const Complex middle = next_efficiency(runs, (static_cast<double>(i) + 0.5) * step_);
      field_[i + 1] = field_[i] + middle * step_;
      power_[i + 1] = power_[i] + std::norm(middle) * step_;
    }
  }

  /// mu(-w) is the conjugate of mu(w), so the running integrals are odd (the field's conjugate-odd).
  Complex field(double w) const {
    const Complex value = at(field_, std::abs(w));
    return w < 0.0 ? -std::conj(value) : value;
  }
  double power(double w) const {
    const double value = at(power_, std::abs(w));
    return w < 0.0 ? -value : value;
  }
  /// Means over an interval of w, which may be a point.
  Complex mean_field(double from, double to) const {
    const auto [a, b] = widened(from, to);
    return (field(b) - field(a)) / (b - a);
  }
  double mean_power(double from, double to) const {
    const auto [a, b] = widened(from, to);
    return (power(b) - power(a)) / (b - a);
  }
  double largest() const { return largest_; }

 private:
  std::pair<double, double> widened(double from, double to) const {
    const double least = 1e-3 * step_;
    if (std::abs(to - from) >= least) return {from, to};
    return {from, from + (from > 0.5 * largest_ ? -least : least)};
  }
  template <class T>
  T at(const std::vector<T>& table, double w) const {
    const double place = std::min(w / step_, static_cast<double>(table.size() - 1));
    const auto i = std::min(static_cast<std::size_t>(place), table.size() - 2);
    const double part = place - static_cast<double>(i);
    return table[i] + part * (table[i + 1] - table[i]);
  }
  double largest_, step_ = 0.0;
  std::vector<Complex> field_;
  std::vector<double> power_;
};

// ---------------------------------------------------------------------------------------------------
// Spectra on a grid.

/// Power spectrum of the comb, 1 at a carrier, on the frequencies -half .. half times `step`.
struct Comb {
  double step = 0.0;
  int half = 0;          // samples on either side of the middle carrier
  int channel_half = 0;  // of them inside the middle channel
  std::vector<double> density;

  double at(int i) const { return std::abs(i) > half ? 0.0 : density[static_cast<std::size_t>(i + half)]; }
};

Comb sampled_comb(const GnSignal& signal, int per_half_channel) {
  Comb comb;
  const double edge = pulse_band_edge(signal.pulse);
  comb.step = edge / per_half_channel;
  comb.channel_half = per_half_channel;
  const double outermost = 0.5 * (signal.channels - 1) * signal.spacing;
  comb.half = static_cast<int>(std::ceil((outermost + edge) / comb.step));
  // The middle channel sits at 0; an even comb has one more channel above than below.
  const int below = (signal.channels - 1) / 2;
  for (int i = -comb.half; i <= comb.half; ++i) {
    double sum = 0.0;
    for (int c = 0; c < signal.channels; ++c) {
      const double f = i * comb.step - (c - below) * signal.spacing;
      if (std::abs(f) <= edge) sum += std::pow(pulse_spectrum(signal.pulse, f), 2);
    }
    comb.density.push_back(sum);
  }
  return comb;
}

/// Integral of the density of the middle channel alone [Hz].
double channel_integral(const GnSignal& signal) {
  GnSignal alone = signal;
  alone.channels = 1;
  const Comb comb = sampled_comb(alone, 512);
  double sum = 0.0;
  for (const double d : comb.density) sum += d;
  return sum * comb.step;
}

/// W(u, v) = integral over f of weight(f) S(f+u) S(f+v) S(f+u+v): all the triples that mix into the channel
/// with these two distances. Weight: the matched filter, or the band centre alone.
class TripleTable {
 public:
  TripleTable(const Comb& comb, NoiseReading reading)
      : step_(comb.step),
        half_(reading == NoiseReading::kBandCentre ? comb.half : comb.half + comb.channel_half),
        width_(2 * half_ + 1) {
    table_.resize(static_cast<std::size_t>(width_) * static_cast<std::size_t>(width_));
    // The density with zeros around it: f + u + v reaches this far.
    const int reach = 2 * half_ + comb.channel_half;
    std::vector<double> padded;
    for (int i = -reach; i <= reach; ++i) padded.push_back(comb.at(i));
    const double* density = padded.data() + reach;
    const bool centre = reading == NoiseReading::kBandCentre;
    const int inside = centre ? 0 : comb.channel_half;
    for (int i = -half_; i <= half_; ++i) {
      double* row = &cell(i, 0);
      for (int f = -inside; f <= inside; ++f) {
        // Where channels overlap, the filter still has the shape of one alone; the carrier's density serves.
        const double first = (centre ? 1.0 : std::min(density[f], 1.0) * step_) * density[f + i];
        if (first == 0.0) continue;
        for (int j = -half_; j <= i; ++j) row[j] += first * density[f + j] * density[f + i + j];
      }
      for (int j = -half_; j < i; ++j) cell(j, i) = row[j];
    }
  }
  double reach() const { return half_ * step_; }

  double operator()(double u, double v) const {
    const double x = u / step_ + half_, y = v / step_ + half_;
    if (x < 0.0 || y < 0.0 || x > width_ - 1 || y > width_ - 1) return 0.0;
    const int i = std::min(static_cast<int>(x), width_ - 2), j = std::min(static_cast<int>(y), width_ - 2);
    const double p = x - i, q = y - j;
    return (1 - p) * ((1 - q) * raw(i, j) + q * raw(i, j + 1)) +
           p * ((1 - q) * raw(i + 1, j) + q * raw(i + 1, j + 1));
  }

 private:
  double raw(int i, int j) const {
    return table_[static_cast<std::size_t>(i) * static_cast<std::size_t>(width_) +
                  static_cast<std::size_t>(j)];
  }
  double& cell(int i, int j) {
    return table_[static_cast<std::size_t>(i + half_) * static_cast<std::size_t>(width_) +
                  static_cast<std::size_t>(j + half_)];
  }
  double step_;
  int half_, width_;
  std::vector<double> table_;
};

/// K(w): all triples with |u v| = w, i.e. the double integral of W over a quadrant is that of K over w.
/// With u = sqrt(w) e^s, v = +-sqrt(w) e^-s: K = sum over quadrants of the integral of W ds.
double triples_of_product(const TripleTable& triples, double w) {
  const double root = std::sqrt(w);
  if (root >= triples.reach()) return 0.0;
  const double limit = std::log(triples.reach() / root);
  // The grid's own step divides the spectrum finely only near the outer end of s; 48 a decade is enough.
  const int points = std::max(8, static_cast<int>(std::ceil(24.0 * limit)));
  const double ds = 2.0 * limit / points;
  double sum = 0.0;
  for (int k = 0; k < points; ++k) {
    const double stretch = std::exp(-limit + (k + 0.5) * ds);
    const double u = root * stretch, v = root / stretch;
    sum += triples(u, v) + triples(-u, -v) + triples(u, -v) + triples(-u, v);
  }
  return sum * ds;
}

// ---------------------------------------------------------------------------------------------------
// Corrections for symbols that are not Gaussian, on a rectangular spectrum.

struct EgnTerms {
  double k1 = 0, k2 = 0, k3 = 0;
  Complex all = 0.0;  // the double integral of gamma mu
};

/// Calls visit(u, du, low, high) over u = f1 - f, f1 in the band about the carrier; f2 - f runs from low to
/// high over all that keep f2 and f1 + f2 - f in the band that is `away` from it.
template <class Visit>
void over_first_frequency(double band, double away, double f, int bins, const Visit& visit) {
  const double edge = band / 2.0;
  // Many spans make the mixing with f1 near f a narrow peak: bins that crowd there from both sides.
  for (const double side : {-1.0, 1.0}) {
    const double width = edge - side * f;
    double from = 0.0;
    for (int i = 1; i <= bins / 2; ++i) {
      const double to = width * std::pow(2.0 * i / bins, 3), u = side * 0.5 * (from + to);
      visit(u, to - from, away + std::max(-edge, -edge - u) - f, away + std::min(edge, edge - u) - f);
      from = to;
    }
  }
}

/// The three integrals at offset f from the carrier; lengths of the band in units of Hz, density G / P^3.
EgnTerms egn_terms(const EfficiencyTable& table, double band, double f) {
  constexpr int kBins = 192;
  const double edge = band / 2.0, df = band / kBins;
  EgnTerms terms;
  double over_pairs = 0.0, single = 0.0, sums = 0.0;
  Complex all = 0.0;
  over_first_frequency(band, 0.0, f, kBins, [&](double u, double du, double low, double high) {
    const Complex inner = table.mean_field(u * low, u * high) * (high - low);
    over_pairs += table.mean_power(u * low, u * high) * (high - low) * du;
    single += std::norm(inner) * du;
    all += inner * du;
  });
  for (int i = 0; i < kBins; ++i) {
    // f3 = f1 + f2 - f given, f1 runs: the product is (f1 - f)(f3 - f1).
    const double f3 = -edge + (i + 0.5) * df;
    const double low = std::max(-edge, f3 + f - edge), high = std::min(edge, f3 + f + edge);
    if (high <= low) continue;
    const double width = (high - low) / kBins;
    Complex inner = 0.0;
    double before = (low - f) * (f3 - low);
    for (int k = 1; k <= kBins; ++k) {
      const double f1 = low + k * width, now = (f1 - f) * (f3 - f1);
      inner += table.mean_field(before, now) * width;
      before = now;
    }
    sums += std::norm(inner) * df;
  }
  terms.k1 = 16.0 / 27.0 * over_pairs / std::pow(band, 3);
  terms.k2 = (80.0 / 81.0 * single + 16.0 / 81.0 * sums) / std::pow(band, 4);
  terms.k3 = 16.0 / 81.0 * std::norm(all) / std::pow(band, 5);
  terms.all = all;
  return terms;
}

/// Phi = E|a|^4/E^2|a|^2 - 2 and Psi = E|a|^6/E^3 - 9 E|a|^4/E^2 + 12 of a constellation.
struct Moments {
  double phi = 0, psi = 0;
};

Moments moments_of(Modulation modulation) {
  if (modulation == Modulation::kGaussian) return {};
  return modulation == Modulation::kQpsk ? Moments{-1.0, 4.0} : Moments{-17.0 / 25.0, 52.0 / 25.0};
}

}  // namespace

double gn_closed_form(const std::vector<GnSection>& line, const GnSignal& signal, Accumulation accumulation) {
  if (line.empty()) return 0.0;
  const double rate = signal.pulse.symbol_rate;
  // A comb of N channels counts as one band of B^2 = Rs^2 (N^2)^(Rs / spacing).
  const double comb = signal.channels > 1 ? std::pow(signal.channels, 2.0 * rate / signal.spacing) : 1.0;
  const double band_squared = rate * rate * comb;
  double sum = 0.0;
  for (const GnSection& s : line) {
    // Without loss the efficiency is L^2 sinc^2(b L/2) over the mismatch b instead of a Lorentzian of width
    // 1/L_a; one of the same height and area has L_a = L/2.
    const bool lossless = s.loss * s.length < 1e-6;
    const double effective = lossless ? s.length : -std::expm1(-s.loss * s.length) / s.loss;
    const double asymptotic = lossless ? 0.5 * s.length : 1.0 / s.loss;
    // (8/27) gamma^2 G^3 L_eff^2 asinh(x) / (pi |beta2| L_a), x = pi^2/2 |beta2| L_a B^2, with G = P / Rs
    // and the density taken over the whole symbol rate.
    const double x = 0.5 * kPi * kPi * std::abs(s.beta2) * asymptotic * band_squared;
    const double mixing = 0.5 * kPi * band_squared * asinh_ratio(x);
    double span = 8.0 / 27.0 * std::pow(s.gamma * s.relative_power * effective / rate, 2) * mixing;
    if (accumulation == Accumulation::kCoherent) {
      // N^(1+eps); at most 2, where everything adds in phase.
      const double epsilon =
          x > 0.0 ? std::min(1.0, 0.3 * std::log1p(6.0 * asymptotic / (s.length * std::asinh(x)))) : 1.0;
      span *= std::pow(static_cast<double>(line.size()), epsilon);
    }
    sum += span;
  }
  return sum;
}

GnIntegral::GnIntegral(const GnSignal& signal) {
  if (signal.channels > kMaximumIntegralChannels) return;
  const Comb comb = sampled_comb(signal, signal.channels > 1 ? 24 : 48);
  const TripleTable centre(comb, NoiseReading::kBandCentre), matched(comb, NoiseReading::kMatchedFilter);
  const double largest = matched.reach() * matched.reach();
  const double integral = channel_integral(signal);
  // 16/27 over the cube of the density's integral. Density at band centre counts over the symbol rate; behind
  // the matched filter it is the mean over it.
  const double at_centre = 16.0 / 27.0 * signal.pulse.symbol_rate / std::pow(integral, 3);
  // K falls as a logarithm from w = 0 on: bins that widen as the cube of their number.
  constexpr int kBins = 320;
  double from = 0.0;
  for (int i = 1; i <= kBins; ++i) {
    const double to = largest * std::pow(static_cast<double>(i) / kBins, 3), w = 0.5 * (from + to);
    bins_.push_back({to, at_centre * triples_of_product(centre, w),
                     at_centre / integral * triples_of_product(matched, w)});
    from = to;
  }
}

GnReadings GnIntegral::operator()(const std::vector<GnSection>& line) const {
  if (line.empty()) return {};
  if (bins_.empty()) {
    const double none = std::numeric_limits<double>::quiet_NaN();
    return {none, none};
  }
  const EfficiencyTable efficiency(line, bins_.back().to);
  GnReadings eta;
  double before = 0.0;
  for (const Bin& bin : bins_) {
    const double up_to = efficiency.power(bin.to);
    eta.centre += bin.centre * (up_to - before);
    eta.matched += bin.matched * (up_to - before);
    before = up_to;
  }
  return eta;
}

double egn_factor(const std::vector<GnSection>& line, double symbol_rate, Modulation modulation,
                  NoiseReading reading) {
  if (line.empty() || modulation == Modulation::kGaussian) return 1.0;
  const auto [phi, psi] = moments_of(modulation);
  const EfficiencyTable table(line, symbol_rate * symbol_rate);
  EgnTerms mean;
  const int offsets = reading == NoiseReading::kBandCentre ? 1 : 6;
  for (int i = 0; i < offsets; ++i) {
    const double f = offsets == 1 ? 0.0 : 0.5 * symbol_rate * (i + 0.5) / offsets;  // symmetric in f
    const EgnTerms terms = egn_terms(table, symbol_rate, f);
    mean.k1 += terms.k1 / offsets;
    mean.k2 += terms.k2 / offsets;
    mean.k3 += terms.k3 / offsets;
    mean.all += terms.all / static_cast<double>(offsets);
  }
  if (mean.k1 <= 0.0) return 1.0;
  double interference = mean.k1 + phi * mean.k2 + psi * mean.k3;
  // |a|^2 a has a part in step with a itself: E|a|^4 - 2 = Phi of it. Where it is the same over the band it
  // is a rotation like the mean Kerr phase, and the carrier recovery takes it away.
  if (reading == NoiseReading::kMatchedFilter)
    interference -= phi * phi * 16.0 / 81.0 * std::norm(mean.all) / std::pow(symbol_rate, 5);
  return std::max(0.0, interference / mean.k1);
}

double egn_cross_phase(const std::vector<GnSection>& line, const GnSignal& signal, Modulation modulation) {
  const double phi = moments_of(modulation).phi, band = signal.pulse.symbol_rate;
  if (line.empty() || phi == 0.0) return 0.0;
  if (signal.channels > kMaximumIntegralChannels) return std::numeric_limits<double>::quiet_NaN();
  // As in the comb of the integral, an even one has one more channel above.
  const int below = (signal.channels - 1) / 2;
  const EfficiencyTable table(line, band * (band + (signal.channels - 1 - below) * signal.spacing));
  // Spans in step make the mixing a row of peaks along u, the denser the farther the neighbour.
  constexpr int kOffsets = 16, kBins = 512;
  double sum = 0.0;
  for (int c = 0; c < signal.channels; ++c)
    for (int i = 0; i < kOffsets && c != below; ++i) {
      const double f = band * ((i + 0.5) / kOffsets - 0.5);
      over_first_frequency(band, (c - below) * signal.spacing, f, kBins,
                           [&](double u, double du, double low, double high) {
                             sum += std::norm(table.mean_field(u * low, u * high) * (high - low)) * du;
                           });
    }
  return phi * 80.0 / 81.0 * sum / kOffsets / std::pow(band, 3);
}

}  // namespace cohlink
