#include "rx/blocks/matched_filter.h"

#include <algorithm>
#include <cmath>

#include "rx/stage/block.h"
#include "sim/signal/units.h"

namespace cohlink {

double MatchedFilter::span_symbols(const PulseShape& shape) {
  // The spectrum's edge falls like a kink, so the pulse falls like cos / (4 pi b t^2), t in symbols; its
  // energy beyond t is then 1 / (3 (4 pi b)^2 t^3). NRZ ends like a root-raised cosine of roll-off 1.
  const double b = shape.pulse == Pulse::kRrc ? shape.roll_off : 1.0;
  const double missing = 2e-7;  // leaves less than 90 dB below the signal
  return std::clamp(std::cbrt(1.0 / (3.0 * missing * std::pow(4.0 * kPi * b, 2.0))), 16.0, 1024.0);
}

MatchedFilter::MatchedFilter(const PulseShape& shape, double sample_rate, const Execution& execution)
    : filter_([&](double f) { return std::complex<double>(pulse_spectrum(shape, f)); }, sample_rate,
              span_symbols(shape) / shape.symbol_rate, execution) {}

Block matched_filter_block(const BlockSetting& setting) {
  const MatchedFilter filter(setting.pulse, setting.two_a_symbol(), setting.execution);
  Block block;
  block.apply = [filter](Carried& c) { c.signal = filter(std::move(c.signal)); };
  block.edge = edge_of(reach_symbols(filter));
  block.cost = cost_of(kSamplesPerSymbol * filter.cost());
  return block;
}

}  // namespace cohlink
