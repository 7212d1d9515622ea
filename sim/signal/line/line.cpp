#include "sim/signal/line/line.h"

#include <algorithm>
#include <cmath>

namespace cohlink {

double Span::total_loss() const { return std::exp(loss * length); }

double LineSection::total_loss() const { return span.total_loss() * (lumped_loss * module_loss); }

FibreConstants constants(const Span& span) {
  return {span.beta2, span.beta3, span.loss, 8.0 / 9.0 * span.gamma};
}

double Comb::edge() const {
  double highest = 0.0;
  for (const Channel& channel : channels)
    highest = std::max(highest, std::abs(channel.offset) + pulse_band_edge(channel.pulse));
  return highest;
}

double Comb::power() const {
  double sum = 0.0;
  for (const Channel& channel : channels) sum += channel.power;
  return sum;
}

double LossCurve::at(double optical_offset) const {
  if (offset.empty()) return 1.0;
  const auto next = std::lower_bound(offset.begin(), offset.end(), optical_offset);
  if (next == offset.begin()) return ratio.front();
  if (next == offset.end()) return ratio.back();
  const auto i = static_cast<std::size_t>(next - offset.begin());
  const double part = (optical_offset - offset[i - 1]) / (offset[i] - offset[i - 1]);
  return ratio[i - 1] + part * (ratio[i] - ratio[i - 1]);
}

double comb_frequency(double optical_offset, double frame_rate) {
  return std::nearbyint(-optical_offset / frame_rate) * frame_rate;
}

Dispersion dispersion_at_channel(const Line& line) {
  Dispersion sum{line.optics.extra_beta2_length, 0.0};
  for (const LineSection& section : line.sections) {
    sum.beta2_length += section.span.beta2 * section.span.length;
    sum.beta3_length += section.span.beta3 * section.span.length;
    if (!section.module) continue;
    sum.beta2_length += section.module->beta2_length;
    sum.beta3_length += section.module->beta3_length;
  }
  sum.beta2_length -= sum.beta3_length * kTwoPi * line.comb.tested().frequency;
  return sum;
}

}  // namespace cohlink
