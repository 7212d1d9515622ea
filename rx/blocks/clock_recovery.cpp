#include "rx/blocks/clock_recovery.h"

#include <algorithm>
#include <bit>
#include <cmath>
#include <cstdio>
#include <limits>
#include <stdexcept>

#include "rx/blocks/clock_drift.h"
#include "rx/blocks/clock_tone.h"
#include "rx/blocks/operations.h"
#include "rx/blocks/symbol_rate.h"
#include "rx/stage/block.h"
#include "sim/signal/units.h"

namespace cohlink {
namespace {

constexpr std::size_t kHop = ClockRecovery::kHop, kShortestBlock = 64;
constexpr double kUsualPpm = 300.0;  // twice the 100 that IEEE 802.3 allows each end, and some more

// Clock offset from the delay's slope in symbols of our clock; a symbol of theirs is 1 + offset of those.
double ppm_of(double per_symbol) { return 1e6 * per_symbol / (1.0 - per_symbol); }

// Whether row X alone holds a signal.
bool one_row(const Jones& m) { return m[1][1] == 0.0; }

// One row has its tone squared instead: the same twofold timing phase.
std::complex<double> determinant(const Jones& m) {
  return one_row(m) ? m[0][0] * m[0][0] : m[0][0] * m[1][1] - m[0][1] * m[1][0];
}

void add(Jones& sum, const Jones& m, std::complex<double> factor) {
  for (std::size_t i = 0; i < 2; ++i)
    for (std::size_t j = 0; j < 2; ++j) sum[i][j] += factor * m[i][j];
}

// Raised-cosine averages about each block, narrowed near the ends so that they stay symmetric: a one-sided
// one would lag behind a delay that moves. In a row that the window covers it is one-sided: nothing so fast
// is followed there, and a few blocks alone would be the noisier.
class Average {
 public:
  Average(const std::vector<Jones>& matrices, std::size_t half, double drift)
      : turned_(matrices.size()), half_(half), weights_(weights(half)) {
    for (std::size_t i = 0; i < matrices.size(); ++i)
      add(turned_[i], matrices[i], std::polar(1.0, kTwoPi * drift * static_cast<double>(i)));
  }

  Jones operator()(std::size_t b) const {
    const std::size_t last = turned_.size() - 1,
                      reach = last <= 2 * half_ ? half_ : std::min({half_, b, last - b});
    const std::vector<double> narrow = reach == half_ ? std::vector<double>() : weights(reach);
    const std::vector<double>& weight = reach == half_ ? weights_ : narrow;
    Jones sum{};
    for (std::size_t i = b - std::min(b, reach); i <= std::min(last, b + reach); ++i)
      add(sum, turned_[i], weight[i > b ? i - b : b - i]);
    return sum;
  }

 private:
  // At so many blocks off the middle.
  static std::vector<double> weights(std::size_t reach) {
    std::vector<double> weight(reach + 1);
    for (std::size_t off = 0; off <= reach; ++off)
      weight[off] = 0.5 + 0.5 * std::cos(kPi * static_cast<double>(off) / static_cast<double>(reach + 1));
    return weight;
  }

  std::vector<Jones> turned_;  // freed of the drift
  std::size_t half_;
  std::vector<double> weights_;
};

double mean_of(const std::vector<double>& v) {
  double sum = 0.0;
  for (const double x : v) sum += x;
  return sum / static_cast<double>(v.size());
}

// Least-squares line through equally spaced values: slope per place, and rms about it.
struct Line {
  double slope = 0.0, rms = 0.0;
};
Line fit_line(const std::vector<double>& v) {
  const double middle = 0.5 * static_cast<double>(v.size() - 1), mean = mean_of(v);
  double moment = 0.0, spread = 0.0, power = 0.0;
  for (std::size_t i = 0; i < v.size(); ++i) {
    const double at = static_cast<double>(i) - middle;
    moment += at * v[i];
    spread += at * at;
    power += (v[i] - mean) * (v[i] - mean);
  }
  const double slope = spread > 0.0 ? moment / spread : 0.0;
  return {slope, std::sqrt(std::max(0.0, power - slope * moment) / static_cast<double>(v.size()))};
}

// Delay at symbol `place`, from values at the centres of blocks, each `hop` symbols after the one before and
// the first one hop in; beyond the outermost it goes on as a line.
double delay_at(const std::vector<double>& delay, double slope, double place, double hop = kHop) {
  const double at = place / hop - 1.0;
  const double last = static_cast<double>(delay.size() - 1);
  if (at <= 0.0) return delay.front() + slope * at;
  if (at >= last) return delay.back() + slope * (at - last);
  const auto i = static_cast<std::size_t>(at);
  return delay[i] + (at - static_cast<double>(i)) * (delay[i + 1] - delay[i]);
}

// Places [samples] of the transmitter's half symbols among so many samples of ours. Its instant t [symbols]
// is at place t + delay(place); between two blocks' centres the delay is a line through d at place x, with
// slope g, and place = (t + d - g x) / (1 - g). `slope`: a block, beyond the outermost.
std::vector<double> half_symbols(const std::vector<double>& delay, double slope, std::size_t samples) {
  std::vector<double> positions;
  positions.reserve(samples + samples / 512 + 2);
  const double last = static_cast<double>(samples - 1) + 0.5;
  for (std::size_t line = 0; line <= delay.size(); ++line) {
    const std::size_t knot = line == 0 ? 0 : line - 1;
    const double d = delay[knot], x = static_cast<double>((knot + 1) * kHop);
    const bool inner = line > 0 && line < delay.size();
    const double g = (inner ? delay[line] - d : slope) / kHop, rate = 1.0 / (1.0 - g);
    const double place_of_0 = 2.0 * (d - g * x) * rate;
    // To the next centre, or the last sample.
    const double until = line < delay.size() ? 2.0 * (static_cast<double>((line + 1) * kHop) - delay[line])
                                             : std::numeric_limits<double>::infinity();
    const double most = std::min(std::ceil(until), std::floor((last - place_of_0) / rate) + 1.0);
    const std::size_t from = positions.size();
    if (!(most > static_cast<double>(from))) continue;
    positions.resize(static_cast<std::size_t>(most));
    for (std::size_t m = from; m < positions.size(); ++m)
      positions[m] = place_of_0 + rate * static_cast<double>(m);
  }
  return positions;
}

// Short rows are cut into shorter blocks, so that there are enough to tell a clock from noise.
std::size_t block_for(std::size_t samples) {
  return std::clamp<std::size_t>(std::bit_floor(samples / 32), kShortestBlock, ClockRecovery::kBlock);
}

// Timing phase of each block, half the determinant's of the matrices averaged over `half` blocks either side,
// unwrapped; and the half symbol that this leaves open, by the trace.
struct Timing {
  std::vector<double> phase;
  bool half_symbol = false;
};

Timing timing_of(const std::vector<Jones>& matrices, std::size_t half, double drift) {
  Timing timing{std::vector<double>(matrices.size())};
  std::complex<double> trace = 0.0;
  const Average average(matrices, half, drift);
  for (std::size_t b = 0; b < matrices.size(); ++b) {
    const Jones mean = average(b);
    const double doubled = std::arg(determinant(mean));
    const double before = b > 0 ? 2.0 * timing.phase[b - 1] : doubled;
    timing.phase[b] = 0.5 * (before + std::remainder(doubled - before, kTwoPi));
    trace += (mean[0][0] + mean[1][1]) * std::polar(1.0, -timing.phase[b]);
  }
  timing.half_symbol = trace.real() < 0.0;
  return timing;
}

// At every kHop symbols from those at every `hop`.
std::vector<double> on_hops(const std::vector<double>& delay, double hop, std::size_t symbols) {
  if (hop == kHop) return delay;
  const double slope = fit_line(delay).slope;
  std::vector<double> out;
  for (std::size_t place = kHop; place + kHop <= symbols; place += kHop)
    out.push_back(delay_at(delay, slope, static_cast<double>(place), hop));
  return out;
}

}  // namespace

ClockRecovery::ClockRecovery(const ClockParameters& parameters, const Execution& execution)
    : p_(parameters),
      execution_(execution),
      interpolator_(std::min(0.5, 0.5 * pulse_band_edge(parameters.pulse) / parameters.pulse.symbol_rate),
                    execution) {
  if (p_.window < kBlock) throw std::invalid_argument("clock window shorter than a block");
}

double clock_delay_at(const std::vector<double>& delay, double place) {
  return delay_at(delay, fit_line(delay).slope, place);
}

std::vector<double> ClockRecovery::delays(const Field<float>& signal, std::optional<double> expected,
                                          ClockResult& result) const {
  const std::size_t block = block_for(signal.size());
  ClockTone tone(p_.pulse, 2 * block, execution_);
  const ClockSearch search = search_clock(signal, tone);
  if (!search.drift) return {};
  const double hop = 0.5 * static_cast<double>(block), drift = *search.drift;
  result.offset_ppm = ppm_of(drift / hop);
  result.locked = std::abs(result.offset_ppm) <= kWidestPpm;
  if (!result.locked) return {};
  if (const auto jump = find_jump(search.matrices, drift)) {
    result.jump_symbols = jump->symbols;
    result.jump_place = (jump->block + 1) * block / 2;
  }
  const Timing timing = timing_of(search.matrices, p_.window / block, drift);
  std::vector<double> delay(search.matrices.size());
  for (std::size_t b = 0; b < delay.size(); ++b)
    delay[b] = -timing.phase[b] / kTwoPi + drift * static_cast<double>(b) + (timing.half_symbol ? 0.5 : 0.0);
  delay = on_hops(delay, hop, signal.size() / 2);
  if (expected) {
    const double halves = 0.5 * std::round(2.0 * (*expected - delay.front()));
    for (double& d : delay) d += halves;
  }
  // Whole symbols are not the clock's business: begin within half a symbol of where the samples begin.
  const double whole = std::round(delay.front());
  for (double& d : delay) d -= whole;
  return delay;
}

// Each sample is in two of the half-overlapping blocks: window, transform, and four products and sums in each
// of the band edge's bins. What is done once a block is left out.
Operations ClockRecovery::cost() const {
  const std::size_t block = 2 * kBlock;
  const ClockTone tone(p_.pulse, block, execution_);
  const Operations edges =
      static_cast<double>(tone.bins()) * 4.0 * (kComplexProduct + kRealTimesComplex + kComplexSum);
  const Operations spectra =
      2.0 * (static_cast<double>(block) * kRealTimesComplex + fft_operations(block)) + edges;
  return 2.0 / static_cast<double>(block) * spectra + interpolation_operations(interpolator_.taps(), false);
}

ClockResult ClockRecovery::operator()(const Field<float>& signal, std::optional<double> expected) const {
  if (std::abs(signal.sample_rate - 2.0 * p_.pulse.symbol_rate) > 1e-9 * signal.sample_rate)
    throw std::invalid_argument("clock recovery needs two samples a symbol");
  ClockResult result;
  result.delay = delays(signal, expected, result);
  if (!result.locked) {
    result.signal = signal;
    return result;
  }
  const Line line = fit_line(result.delay);
  result.offset_ppm = ppm_of(line.slope / kHop);
  result.wander_ui = line.rms;
  const std::vector<double> positions = half_symbols(result.delay, line.slope, signal.size());
  result.drift_symbols = line.slope * static_cast<double>(signal.size()) / (2.0 * kHop);
  result.signal = interpolator_(signal, positions);
  return result;
}

namespace {

std::string rounded(double value, int places) {
  char text[32];
  std::snprintf(text, sizeof text, "%.*f", places, value);
  return text;
}

// Why there is no lock, as far as the signal tells.
std::string told_wrongly(const ClockResult& out, const Carried& c, const FftCache& fft) {
  const std::string told = " instead of " + rounded(c.symbol_rate / 1e9, 3) +
                           " GBd: the symbol rate or the sample rate was told wrongly";
  const auto gbd = [](double rate) { return rounded(rate / 1e9, 3); };
  if (out.offset_ppm != 0.0)  // a symbol lasts 1 + offset of the receiver's
    return "clock: the signal has " + gbd(c.symbol_rate / (1.0 + 1e-6 * out.offset_ppm)) + told;
  if (const auto rate = find_symbol_rate(c.signal, fft)) return "clock: the signal has " + gbd(*rate) + told;
  return "clock: no clock tone found, the samples stay on the receiver's clock";
}

// Doubts about a clock that was found; with known symbols those tell more.
void doubt(const ClockResult& out, Carried& c) {
  if (c.truth != nullptr) return;
  if (std::abs(out.offset_ppm) > kUsualPpm)
    c.result.warnings.push_back("clock: " + rounded(out.offset_ppm, 0) +
                                " ppm off, more than clocks are: symbol rate or sample rate told wrongly?");
  if (out.jump_symbols)
    c.result.warnings.push_back("clock: the symbols jump by " + rounded(*out.jump_symbols, 2) +
                                " of a symbol near symbol " + std::to_string(out.jump_place) +
                                ": samples missing?");
}

void recover_clock(const ClockRecovery& recovery, const FftCache& fft, Carried& c) {
  std::optional<double> expected;
  if (c.from != nullptr && !c.from->before.clock_delay.empty())
    expected =
        clock_delay_at(c.from->before.clock_delay, static_cast<double>(c.from->hop + ClockRecovery::kHop));
  ClockResult out = recovery(c.signal, expected);
  if (!out.locked) {
    c.clock_lost = true;
    c.result.warnings.push_back(told_wrongly(out, c, fft));
    return;
  }
  doubt(out, c);
  c.result.clock_offset_ppm = out.offset_ppm;
  c.result.clock_delay = out.delay;
  c.signals.push_back(record_signal("timing", "symbols", std::vector<std::vector<double>>{out.delay}, 0.0,
                                    ClockRecovery::kHop));
  c.signal = std::move(out.signal);
}

}  // namespace

Block clock_block(const BlockSetting& setting) {
  const auto window = static_cast<std::size_t>(setting.scenario.integer("dsp.clock_window"));
  const ClockRecovery recovery({setting.pulse, window}, setting.execution);
  Block block;
  block.apply = [recovery, fft = setting.fft()](Carried& c) { recover_clock(recovery, fft, c); };
  block.edge = edge_of(recovery.reach());
  block.cost = cost_of(kSamplesPerSymbol * recovery.cost());
  return block;
}

}  // namespace cohlink
