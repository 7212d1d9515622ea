// What a block of the receiver's chain is: something to apply, what that spoils at the ends, what it costs.
#pragma once

#include <cstddef>
#include <functional>
#include <span>
#include <string>

#include "rx/stage/carried.h"
#include "rx/stage/cost.h"
#include "sim/signal/constellation.h"
#include "sim/signal/execution/execution.h"
#include "sim/signal/pulse.h"
#include "sim/signal/scenario/scenario.h"

namespace cohlink {

/// The signal's sampling along the chain: the ADC's rate, two samples a symbol, one.
enum class Rate { kAdc, kTwo, kOne };

inline constexpr double kSamplesPerSymbol = 2.0;  // of Rate::kTwo

struct Block {
  std::function<void(Carried&)> apply;
  /// Symbols at each end lost to its filters, with a signal that comes in at `sample_rate` [Hz].
  std::function<double(double sample_rate)> edge = [](double) { return 0.0; };
  /// Operations in a symbol period, once running, on captures of `symbols` symbols sampled at `adc_rate`
  /// [Hz].
  std::function<Operations(double adc_rate, std::size_t symbols)> cost = [](double, std::size_t) {
    return Operations{};
  };
};

/// What a block is made from.
struct BlockSetting {
  const Scenario& scenario;
  const Execution& execution;
  PulseShape pulse;
  Modulation modulation;
  std::span<const std::string> later;  // names of the blocks that follow

  const FftCache& fft() const { return execution.ffts(); }
  double symbol_rate() const { return pulse.symbol_rate; }
  double two_a_symbol() const { return kSamplesPerSymbol * pulse.symbol_rate; }  // Hz
  double band_edge() const { return pulse_band_edge(pulse); }
};

/// The pulse and constellation of a scenario's [signal].
PulseShape pulse_of(const Scenario& scenario);
Modulation modulation_of(const Scenario& scenario);

/// The same edge, in symbols, whatever the signal's rate.
inline std::function<double(double)> edge_of(double symbols) {
  return [symbols](double) { return symbols; };
}

/// The same cost a symbol whatever the capture.
inline std::function<Operations(double, std::size_t)> cost_of(const Operations& a_symbol) {
  return [a_symbol](double, std::size_t) { return a_symbol; };
}

/// Reach of a filter at two samples a symbol, in symbols.
template <class Filter>
double reach_symbols(const Filter& filter) {
  return static_cast<double>(filter.reach()) / kSamplesPerSymbol;
}

}  // namespace cohlink
