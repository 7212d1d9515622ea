#include "rx/blocks/equaliser.h"

#include <algorithm>
#include <bit>
#include <cmath>
#include <memory>
#include <optional>
#include <stdexcept>

#include "rx/blocks/amplitude.h"
#include "rx/blocks/butterfly.h"
#include "rx/blocks/equaliser_guide.h"
#include "rx/blocks/equaliser_rules.h"
#include "rx/blocks/equaliser_run.h"
#include "rx/blocks/frame_knowledge.h"
#include "rx/blocks/frequency.h"
#include "rx/blocks/least_squares.h"
#include "rx/blocks/operations.h"
#include "rx/blocks/whitening.h"
#include "rx/blocks/widely_linear.h"
#include "rx/rows/row_operations.h"
#include "sim/signal/scenario/errors.h"
#include "sim/signal/units.h"

namespace cohlink {
namespace {

constexpr std::size_t kBlock = Equaliser::kBlock;
constexpr int kTestPhases = DecisionDirectedError::kTestPhases;

// First step of the start-up, unless the final one is larger; it shrinks to that from pass to pass. Twice as
// much is still safe with 15 taps, four times as much breaks the constant modulus rule on 16QAM.
constexpr double kStartUpStep = 2e-3;

using Run = EqualiserRun;

// Mean of (|y|^2 - R)^2 of output X relative to its power squared: least for a single signal.
double modulus_cost(const Run& run, std::size_t from, std::size_t to) {
  double second = 0.0, fourth = 0.0;
  const Field<float> out = run.filtered(from, to);
  for (const auto& y : out.x) {
    const double power = std::norm(std::complex<double>(y));
    second += power;
    fourth += power * power;
  }
  return second > 0.0 ? fourth * static_cast<double>(out.size()) / (second * second) : 1e300;
}

// Output X from the best of six states spread over the Poincare sphere: no state of polarisation is
// further than 55 degrees from one of them.
void choose_start(Run& run, std::size_t from, std::size_t to) {
  using C = std::complex<float>;
  const float h = 0.70710678f;
  const C states[6][2] = {{1, 0}, {0, 1}, {h, h}, {h, -h}, {h, C(0, h)}, {h, C(0, -h)}};
  std::size_t best = 0;
  double least = 1e300;
  for (std::size_t s = 0; s < 6; ++s) {
    run.filters.set_centre(0, states[s][0], states[s][1]);
    const double cost = modulus_cost(run, from, to);
    if (cost < least) least = cost, best = s;
  }
  run.filters.set_centre(0, states[best][0], states[best][1]);
}

bool is_singular(const Run& run, std::size_t from, std::size_t to) {
  const Field<float> out = run.filtered(from, to);
  return row_correlation(out, 0, out.size(), run.p.taps / 2 + 1) > kSingularCorrelation;
}

// From kStartUpStep in the first pass to the final step in the last, by equal factors.
double start_up_step(const EqualiserParameters& p, int pass) {
  const double begin = std::max(p.step, kStartUpStep);
  return p.passes > 1 ? begin * std::pow(p.step / begin, static_cast<double>(pass) / (p.passes - 1)) : p.step;
}

// False where the taps are of another length or give one polarisation twice.
bool go_on_from(Run& run, const EqualiserTaps& taps) {
  for (std::size_t i = 0; i < 2; ++i)
    for (std::size_t j = 0; j < 2; ++j) {
      if (taps[i][j].size() != static_cast<std::size_t>(run.p.taps)) return false;
      for (std::size_t n = 0; n < taps[i][j].size(); ++n) run.filters.set_tap(i, j, n, taps[i][j][n]);
    }
  return !is_singular(run, run.first, std::min(run.last, run.first + run.p.head));
}

void blind_start(Run& run, EqualiserResult& result) {
  const std::size_t from = run.first, to = std::min(run.last, run.first + run.p.head);
  ConstantModulusError error{static_cast<float>(kurtosis(run.p.modulation))};
  if (run.one_row)
    run.filters.set_centre(0, 1.0f, 0.0f);
  else
    choose_start(run, from, std::min(to, from + 2048));
  run.adapt(error, std::max(run.p.step, kStartUpStep), false, from, to);
  if (!run.one_row) run.filters.make_y_orthogonal_to_x();
  constexpr int kAttempts = 3;
  for (int attempt = 0; attempt < kAttempts; ++attempt) {
    for (int pass = 0; pass < run.p.passes; ++pass) {
      run.look = pass + 1 == run.p.passes;
      run.adapt(error, start_up_step(run.p, pass), true, from, to);
    }
    run.look = false;
    result.singular = is_singular(run, from, to);
    if (!result.singular) return;
    ++result.singularities;
    run.filters.make_y_orthogonal_to_x();
  }
}

// Carrier offset from the known symbols alone, before anything is equalised: the line in the spectrum of
// input x conj(known), summed over the four pairs of input and polarisation and over the delays that
// the filters reach [cycles a symbol].
double trained_offset(const Run& run, const std::array<Symbols, 2>& known, std::size_t from, std::size_t to) {
  const std::size_t count = to - from, padded = std::bit_ceil(2 * count);
  const Fft<float>& fft = run.execution.ffts().get<float>(padded);
  std::vector<double> power(padded);
  for (std::size_t j = 0; j < 2; ++j)
    for (std::size_t a = 0; a < 2; ++a)
      for (int m = -(run.p.taps / 2); m <= run.p.taps / 2; ++m) {
        run.execution.check();
        ComplexRow<float> z(padded);
        const float *re = run.in.re(j, from, m), *im = run.in.im(j, from, m);
        for (std::size_t k = 0; k < count; ++k)
          z[k] = std::complex<float>(re[k], im[k]) * std::conj(std::complex<float>(known[a][from + k]));
        fft.forward(z);
        for (std::size_t k = 0; k < padded; ++k) power[k] += std::norm(z[k]);
      }
  const auto top = static_cast<std::size_t>(std::max_element(power.begin(), power.end()) - power.begin());
  return bin_frequency(top, padded, 1.0);
}

// Taps matched to the channel: conjugates of the correlations of the inputs at each tap's delay with the
// known symbols, over a stretch short enough for the carrier phase to stand still. Small ones are noise.
void match_to_known(Run& run, const std::array<Symbols, 2>& known, double cycles, std::size_t from,
                    std::size_t to) {
  const std::size_t count = std::min<std::size_t>(256, to - from), start = from + (to - from - count) / 2;
  const auto taps = static_cast<std::size_t>(run.p.taps);
  constexpr double kSmall = 0.05;  // of the largest correlation's power
  for (std::size_t i = 0; i < (run.one_row ? 1 : 2); ++i) {
    std::vector<std::complex<double>> h(2 * taps);  // [input][tap]
    for (std::size_t k = start; k < start + count; ++k) {
      const double turns = std::fmod(cycles * static_cast<double>(k), 1.0);
      const auto reference = std::conj(known[i][k]) * std::polar(1.0, -kTwoPi * turns);
      for (std::size_t t = 0; t < 2 * taps; ++t) {
        const int m = static_cast<int>(t % taps) - run.p.taps / 2;
        h[t] += std::complex<double>(*run.in.re(t / taps, k, m), *run.in.im(t / taps, k, m)) * reference;
      }
    }
    double largest = 0.0, total = 0.0;
    for (const auto& c : h) largest = std::max(largest, std::norm(c));
    for (auto& c : h) {
      if (std::norm(c) < kSmall * largest) c = 0.0;
      total += std::norm(c);
    }
    const double scale = total > 0.0 ? static_cast<double>(count) / total : 0.0;
    for (std::size_t t = 0; t < 2 * taps; ++t)
      run.filters.set_tap(i, t / taps, t % taps, std::complex<float>(std::conj(h[t]) * scale));
  }
}

// From the complex form's filters on: images learnt over the head, then the whole row.
void equalise_widely_linear(const Run& run, const std::array<Symbols, 2>* known, double removed_hz,
                            EqualiserResult& result) {
  const std::size_t head = std::min(run.last, run.first + run.p.head);
  const WidelyLinear::Drive drive{run.first, run.last, run.offset(run.first, head),
                                  removed_hz / run.symbol_rate};
  WidelyLinear form(run.p, run.in, run.filters, drive, run.execution);
  if (known != nullptr) {
    const std::size_t to = std::min({run.last, (*known)[0].size(), (*known)[1].size()});
    for (int pass = 0; pass < run.p.passes; ++pass) form.adapt(to, start_up_step(run.p, pass), known);
  }
  constexpr int kAttempts = 3;
  for (int attempt = 0; attempt < kAttempts; ++attempt) {
    for (int pass = 0; pass < run.p.passes; ++pass) form.adapt(head, start_up_step(run.p, pass));
    const Field<float> out = form.filtered(head, run.symbol_rate);
    result.singular = row_correlation(out, 0, out.size(), run.p.taps / 2 + 1) > kSingularCorrelation;
    if (!result.singular) break;
    ++result.singularities;
    form.restart_y();
  }
  result.symbols = form.equalise(run.symbol_rate);
  result.taps = form.taps();
}

void trained_start(Run& run, const std::array<Symbols, 2>& known) {
  const std::size_t from = run.first, to = std::min({run.last, known[0].size(), known[1].size()});
  if (to < from + kBlock) throw std::invalid_argument("no training symbols left inside the filters' edges");
  const double cycles = trained_offset(run, known, from, to);
  match_to_known(run, known, cycles, from, to);
  TrainedError error(known, cycles);
  for (int pass = 0; pass < run.p.passes; ++pass)
    run.adapt(error, start_up_step(run.p, pass), true, from, to);
  run.come_back(error, run.p.step, from, to);
}

// Over the whole head; or, where a polarisation that turns leaves much less error within a quarter of it,
// over that. Of the same channel and noise the ratio of the two spreads by 0.075 (two outputs and 90 known
// symbols more than unknowns). Returns where the taps hold to.
std::size_t frame_start(Run& run, const EqualiserKnowledge& known) {
  const auto start = [&](std::size_t to, Butterfly& filters) {
    return least_squares_start(run.in, known.frame->in_row(run.first, to, known.frame_start), run.first, to,
                               filters);
  };
  constexpr double kMuchLess = 0.85;
  const std::size_t head = std::min(run.last, run.first + run.p.head),
                    quarter = run.first + (head - run.first) / 4;
  Butterfly early(run.p.taps);
  const double whole = start(head, run.filters);
  if (known.frame->in_row(run.first, quarter, known.frame_start).places.size() < 4 * run.in.lanes().size() ||
      start(quarter, early) > kMuchLess * whole)
    return head;
  run.filters = early;
  return quarter;
}

void follow_frame(Run& run, const EqualiserKnowledge& known, bool warm, EqualiserResult& result) {
  const std::size_t head = std::min(run.last, run.first + run.p.head);
  EqualiserGuide guide(run, known, run.taps_hold_to > 0 ? run.taps_hold_to : head);
  if (!warm) guide.along(run.first, head, nullptr);
  if (!warm) guide.back_along(run.first, head);
  result.symbols = Field<float>(run.in.symbols(), run.symbol_rate);
  guide.along(0, run.in.symbols(), &result.symbols);
}

void start(Run& run, const EqualiserKnowledge& known, EqualiserResult& result) {
  if (known.training != nullptr)
    trained_start(run, *known.training);
  else if (known.frame != nullptr)
    run.taps_hold_to = frame_start(run, known);
  else
    blind_start(run, result);
}

// From the start-up's rule to the final one, then the whole row. `warm`: the taps have converged already.
void follow_rule(Run& run, bool warm, EqualiserResult& result) {
  const EqualiserParameters& p = run.p;
  const std::size_t first = run.first, head = std::min(run.last, first + p.head);
  const auto finish = [&](auto error, std::size_t passes = 1) {
    for (std::size_t i = 0; i < passes && !warm; ++i) run.adapt(error, p.step, true, first, head);
    run.come_back(error, p.step, first, head);
    result.symbols = run.equalise(error);
  };
  switch (run.last - first < p.decide_below ? EqualiserRule::kDecisionDirected : p.rule) {
    case EqualiserRule::kConstantModulus:
      return finish(ConstantModulusError{static_cast<float>(kurtosis(p.modulation))});
    case EqualiserRule::kRadiusDirected:
      return finish(RadiusDirectedError{constellation(p.modulation).rings()});
    case EqualiserRule::kDecisionDirected: {
      DecisionDirectedError error(p.modulation, run.offset(first, head));
      if (warm) run.settle(error, first, std::min(head, first + 256 * kBlock));
      return finish(error, std::max<std::size_t>(1, p.head / (head - first)));
    }
    case EqualiserRule::kHold:
      result.symbols = run.filtered(0, run.in.symbols());
  }
}

}  // namespace

double row_correlation(const Field<float>& symbols, std::size_t first, std::size_t last, int longest_delay) {
  const Row x = Row(symbols.x).subspan(first, last - first), y = Row(symbols.y).subspan(first, last - first);
  const Correlation powers = correlation(x, y);
  const double power_x = powers.of_y, power_y = powers.of_a;
  const auto count = static_cast<std::ptrdiff_t>(x.size());
  double largest = 0.0;
  // In runs, each by its size: a carrier phase that differs between the rows and wanders does no harm.
  constexpr std::ptrdiff_t kRun = 512;
  for (std::ptrdiff_t delay = -longest_delay; delay <= longest_delay; ++delay) {
    double size = 0.0;
    for (std::ptrdiff_t start = 0; start < count; start += kRun) {
      const std::ptrdiff_t from = std::max(start, -delay),
                           to = std::min({count, start + kRun, count - delay});
      if (from >= to) continue;
      const auto length = static_cast<std::size_t>(to - from);
      size += std::abs(correlation(x.subspan(static_cast<std::size_t>(from), length),
                                   y.subspan(static_cast<std::size_t>(from + delay), length))
                           .cross);
    }
    largest = std::max(largest, size);
  }
  return power_x > 0.0 && power_y > 0.0 ? largest / std::sqrt(power_x * power_y) : 0.0;
}

Equaliser::Equaliser(const EqualiserParameters& parameters, const Execution& execution)
    : p_(parameters), execution_(execution) {
  if (p_.taps < 3 || p_.taps % 2 == 0)
    throw std::invalid_argument("equaliser taps must be odd and at least 3");
  if (!(p_.step > 0.0 && p_.step <= 0.1)) throw std::invalid_argument("equaliser step outside (0, 0.1]");
  if (constellation(p_.modulation).empty() &&
      (p_.rule == EqualiserRule::kRadiusDirected || p_.rule == EqualiserRule::kDecisionDirected))
    throw std::invalid_argument("Gaussian symbols have neither rings nor decisions");
  if (p_.widely_linear && (p_.rule == EqualiserRule::kHold || constellation(p_.modulation).empty()))
    throw std::invalid_argument("the widely linear equaliser needs a constellation and a rule to follow");
  if (!(p_.turn_step >= 0.0 && p_.turn_step < 1.0 / kBlock))
    throw std::invalid_argument("equaliser turn step outside [0, 1/32)");
  if (p_.passes < 1) throw std::invalid_argument("the equaliser needs at least one start-up pass");
}

// A few thousand symbols at the end tell as well as all of them whether the outputs have come together.
void Equaliser::check_tail(EqualiserResult& result, std::size_t first, std::size_t last) const {
  const std::size_t tail = last - std::min<std::size_t>(last - first, 8192);
  if (row_correlation(result.symbols, tail, last, p_.taps / 2 + 1) > kSingularCorrelation)
    result.singular = true;
}

namespace {

Operations decision_cost(const EqualiserParameters& p) {
  if (p.known_share == 0.0) return decision_error_operations(p.modulation, kTestPhases, kBlock);
  return p.at_known_alone ? known_error_operations(p.known_share)
                          : guided_error_operations(p.modulation, p.known_share, kBlock);
}

}  // namespace

Operations Equaliser::cost() const {
  const bool known_alone = p_.at_known_alone && !p_.widely_linear;
  Operations of =
      butterfly_operations(p_.taps, p_.widely_linear ? 6 : 2, kBlock, known_alone ? p_.known_share : 1.0);
  if (p_.widely_linear) {
    const bool decides = p_.rule == EqualiserRule::kDecisionDirected,
               rings = p_.rule == EqualiserRule::kRadiusDirected && !constellation(p_.modulation).one_ring();
    return of + widely_linear_operations(p_.modulation,
                                         decides ? decision_gradient_operations()
                                         : rings ? ring_gradient_operations(p_.modulation)
                                                 : axis_gradient_operations(),
                                         {rings, p_.taps, kTestPhases, kBlock});
  }
  if (p_.turn_step > 0.0 && p_.rule != EqualiserRule::kHold) of += butterfly_turn_operations(p_.taps, kBlock);
  if (p_.rule == EqualiserRule::kConstantModulus) of += modulus_error_operations();
  if (p_.rule == EqualiserRule::kRadiusDirected) of += 2.0 * ring_gradient_operations(p_.modulation);
  if (p_.rule == EqualiserRule::kDecisionDirected) of += decision_cost(p_);
  return of;
}

EqualiserResult Equaliser::operator()(const Field<float>& signal, std::size_t first, std::size_t last,
                                      const EqualiserKnowledge& known) const {
  const std::size_t symbols = (signal.size() + 1) / 2;
  last = std::min(last, symbols);
  if (last < first + kBlock) throw std::invalid_argument("no symbols left to adapt the equaliser on");
  const bool blind =
      known.training == nullptr && known.taps == nullptr && known.frame == nullptr && !p_.widely_linear;
  const auto white = blind ? whitening(signal, 2 * first, 2 * last) : std::nullopt;
  const Field<float> whitened = white ? through(*white, signal) : Field<float>();
  Run run{p_,
          execution_,
          ButterflyInput(white ? whitened : signal, p_.taps, first, last),
          Butterfly(p_.taps),
          first,
          last,
          0.5 * signal.sample_rate,
          std::all_of(signal.y.begin(), signal.y.end(), [](const auto& y) { return y == 0.0f; })};
  if (run.one_row && p_.widely_linear)
    throw InputError("dsp.equaliser_form = widely-linear needs both polarisations, X alone was recorded");
  EqualiserResult result;
  const bool warm = known.taps != nullptr && go_on_from(run, *known.taps);
  const auto* training = warm ? nullptr : known.training;
  if (!warm) start(run, known, result);

  if (p_.widely_linear) {
    equalise_widely_linear(run, training, known.removed_hz, result);
    check_tail(result, first, last);
    return result;
  }

  if (known.frame != nullptr && p_.rule == EqualiserRule::kDecisionDirected)
    follow_frame(run, known, warm, result);
  else
    follow_rule(run, warm, result);
  result.taps = white ? taps_before(*white, run.filters.taps()) : run.filters.taps();
  check_tail(result, first, last);
  return result;
}

}  // namespace cohlink
