#include "rx/blocks/frequency.h"

#include <algorithm>
#include <array>
#include <bit>
#include <cmath>
#include <optional>

#include "rx/blocks/frame_knowledge.h"
#include "rx/blocks/operations.h"
#include "rx/rows/row_operations.h"
#include "rx/stage/block.h"
#include "sim/signal/units.h"

namespace cohlink {
namespace {

// The same turned back by `cycles` a symbol, summed in runs so short that a bin further makes no difference
// there.
std::vector<Correlation> demodulated(const ComplexRow<float>& z, double cycles) {
  ComplexRow<float> turned = z;
  turn_steadily(turned, cycles);
  return correlations(turned, ComplexRow<float>(turned.size(), 1.0f));
}

// Periodogram of what was demodulated, `cycles` a symbol further.
double periodogram(const std::vector<Correlation>& runs, double cycles) {
  std::complex<double> sum = 0.0;
  for (std::size_t r = 0; r < runs.size(); ++r)
    sum += runs[r].cross * std::polar(1.0, -kTwoPi * cycles * static_cast<double>(r) *
                                               static_cast<double>(Correlation::kRun));
  return std::norm(sum);
}

double parabola_vertex(double left, double centre, double right) {
  const double curvature = left - 2.0 * centre + right;
  return curvature < 0.0 ? std::clamp(0.5 * (left - right) / curvature, -1.0, 1.0) : 0.0;
}

}  // namespace

FrequencyEstimate FrequencyEstimator::operator()(const Field<float>& symbols, std::size_t first,
                                                 std::size_t last) const {
  if (last <= first) return {};
  if (last - first > p_.longest) {
    first += (last - first - p_.longest) / 2;
    last = first + p_.longest;
  }
  const std::size_t count = last - first, padded = std::bit_ceil(2 * count);
  const Fft<float>& fft = fft_.get<float>(padded);
  std::array<ComplexRow<float>, 2> fourth;
  std::vector<double> power(padded);
  for (std::size_t p = 0; p < 2; ++p) {
    fourth[p] = fourth_powers(Row(*symbols.rows()[p]).subspan(first, count));
    ComplexRow<float> spectrum(padded);
    std::copy(fourth[p].begin(), fourth[p].end(), spectrum.begin());
    fft.forward(spectrum);
    add_powers(power, spectrum);
  }
  const auto top = static_cast<std::size_t>(std::max_element(power.begin(), power.end()) - power.begin());
  double mean = 0.0;
  for (const double v : power) mean += v;
  mean /= static_cast<double>(padded);

  // Two parabolas: through the padded bins, then through points a tenth as far apart.
  const double bin = 1.0 / static_cast<double>(padded);
  double cycles =
      bin_frequency(top, padded, 1.0) +
      bin * parabola_vertex(power[(top + padded - 1) % padded], power[top], power[(top + 1) % padded]);
  const std::vector<Correlation> runs[2] = {demodulated(fourth[0], cycles), demodulated(fourth[1], cycles)};
  const auto both = [&](double further) {
    return periodogram(runs[0], further) + periodogram(runs[1], further);
  };
  const double near = 0.1 * bin;
  cycles += near * parabola_vertex(both(-near), both(0.0), both(near));
  return {0.25 * cycles * symbols.sample_rate, mean > 0.0 ? power[top] / mean : 0.0};
}

Field<float> remove_frequency(Field<float> signal, double offset_hz) {
  if (offset_hz == 0.0) return signal;
  for (auto* row : signal.rows()) turn_steadily(*row, offset_hz / signal.sample_rate);
  return signal;
}

namespace {

// The frame's known symbols, where they have been found, tell it at any constellation and noise.
FrequencyEstimate offset_of(const FrequencyEstimator& estimator, const std::optional<FrameKnowledge>& frame,
                            const Carried& c) {
  if (!frame || !c.frame_start) return estimator(c.signal, c.first(), c.last());
  const KnownSymbols known = frame->in_row(c.first(), c.last(), *c.frame_start);
  return {c.symbol_rate * known_offset(c.signal, known, frame->layout().spacing), kFrequencyLock};
}

void remove_offset(const FrequencyEstimate& estimate, Carried& c) {
  if (estimate.peak_to_mean < kFrequencyLock) {
    c.result.warnings.push_back("frequency: no clear line at four times the offset, none removed");
    c.line_lost = true;
    return;
  }
  c.result.frequency_offset_hz = c.result.frequency_offset_hz.value_or(0.0) + estimate.offset_hz;
  c.carrier.cycles_per_symbol += estimate.offset_hz / c.symbol_rate;
  c.signal = remove_frequency(std::move(c.signal), estimate.offset_hz);
}

}  // namespace

Block frequency_block(const BlockSetting& setting) {
  const FrequencyEstimator estimator(setting.fft());
  std::optional<FrameKnowledge> frame;
  if (const auto layout = usable_frame(setting.scenario)) frame.emplace(setting.modulation, *layout);
  Block block;
  block.apply = [estimator, frame](Carried& c) { remove_offset(offset_of(estimator, frame, c), c); };
  block.cost = cost_of(rotation_operations());
  return block;
}

}  // namespace cohlink
