#include "rx/blocks/back_propagation.h"

#include <algorithm>
#include <bit>
#include <cmath>
#include <stdexcept>

#include "rx/blocks/dispersion.h"
#include "rx/blocks/operations.h"
#include "rx/stage/block.h"
#include "sim/signal/line/line_plan.h"
#include "sim/signal/line/read_line.h"
#include "sim/signal/propagation/engine.h"
#include "sim/signal/propagation/steps.h"
#include "sim/signal/units.h"

namespace cohlink {
namespace {

constexpr std::size_t kSmallestBlock = 4096, kBatch = 8;  // samples; blocks that the engine takes together

double stop_of(const BackPropagationParameters& p) {
  return std::min(0.5 * p.sample_rate, p.band_edge + p.margin + p.taper);
}

OverlapSaveFilter band_filter(const BackPropagationParameters& p, const Execution& execution) {
  const double stop = stop_of(p), pass = std::min(p.band_edge + p.margin, stop);
  return OverlapSaveFilter([=](double f) { return std::complex<double>(band_taper(f, pass, stop)); },
                           p.sample_rate, 6.0 / p.taper, execution);
}

// Samples by which the path spreads the band at most, at any place along it.
std::size_t spread(const PropagationPlan& path, double stop, double sample_rate) {
  double sum = 0.0, low = 0.0, high = 0.0;
  for (const auto& element : path.elements) {
    if (const auto* step = std::get_if<SplitStep>(&element)) sum += step->fibre.beta2 * step->length;
    if (const auto* module = std::get_if<DispersionModule>(&element)) sum += module->beta2_length;
    low = std::min(low, sum);
    high = std::max(high, sum);
  }
  // Seen from the end, where the receiver is.
  const double most = std::max(std::abs(sum - low), std::abs(sum - high));
  return static_cast<std::size_t>(std::ceil(most * kTwoPi * stop * sample_rate)) + 32;
}

void scale(Field<float>& field, double factor) {
  for (auto* row : field.rows())
    for (auto& a : *row) a *= static_cast<float>(factor);
}

}  // namespace

BackPropagation::BackPropagation(const BackPropagationParameters& p, const Execution& execution)
    : band_(band_filter(p, execution)),
      back_(inverse(p.path)),
      output_power_(p.output_power),
      reach_(spread(p.path, stop_of(p), p.sample_rate)),
      block_(std::max(kSmallestBlock, std::bit_ceil(8 * reach_))),
      steps_(totals(p.path).split_steps),
      execution_(execution.unheard()) {
  if (!(p.output_power > 0.0)) throw std::invalid_argument("back-propagation needs the power in the fibre");
}

Operations BackPropagation::cost() const { return band_.cost() + steps_cost(); }

Operations BackPropagation::steps_cost() const {
  const auto n = static_cast<double>(block_);
  const Operations kerr = 2.0 * kSquaredMagnitude + Operations{1, 1, 1} + 2.0 * kComplexProduct;
  const Operations linear = 4.0 * fft_operations(block_) + n * 2.0 * kComplexProduct;
  // Half a linear step before the first and after the last Kerr rotation, whole ones between.
  const auto steps = static_cast<double>(steps_);
  const Operations whole = (steps + 1.0) * linear + steps * n * kerr;
  return 1.0 / static_cast<double>(hop()) * whole;
}

Field<float> BackPropagation::operator()(const Field<float>& signal) const {
  Field<float> light = band_(signal);
  const double power = mean_power(light);
  if (!(power > 0.0)) return light;
  scale(light, std::sqrt(output_power_ / power));

  const FastEngine<float> engine(execution_);
  const std::size_t hop = this->hop();
  const auto length = static_cast<std::ptrdiff_t>(light.size());
  Field<float> out(light.size(), light.sample_rate);
  std::vector<Field<float>> batch;
  for (std::size_t start = 0; start < light.size(); start += kBatch * hop) {
    // Blocks with `reach` before and after what is kept of them, nothing outside the capture.
    batch.clear();
    for (std::size_t at = start; at < std::min(light.size(), start + kBatch * hop); at += hop) {
      Field<float>& block = batch.emplace_back(block_, light.sample_rate);
      const std::ptrdiff_t from = static_cast<std::ptrdiff_t>(at) - static_cast<std::ptrdiff_t>(reach_);
      const std::ptrdiff_t first = std::clamp<std::ptrdiff_t>(from, 0, length);
      const std::ptrdiff_t last =
          std::clamp<std::ptrdiff_t>(from + static_cast<std::ptrdiff_t>(block_), 0, length);
      std::copy(light.x.begin() + first, light.x.begin() + last, block.x.begin() + (first - from));
      std::copy(light.y.begin() + first, light.y.begin() + last, block.y.begin() + (first - from));
    }
    engine(batch, back_, {});
    for (std::size_t b = 0; b < batch.size(); ++b) {
      const std::size_t at = start + b * hop, keep = std::min(hop, light.size() - at);
      const auto from = static_cast<std::ptrdiff_t>(reach_), to = static_cast<std::ptrdiff_t>(at);
      std::copy_n(batch[b].x.begin() + from, keep, out.x.begin() + to);
      std::copy_n(batch[b].y.begin() + from, keep, out.y.begin() + to);
    }
  }
  const double left = mean_power(out);
  if (left > 0.0) scale(out, std::sqrt(2.0 / left));
  return out;
}

NominalLine nominal_line(const Line& line, int steps) {
  const double w = kTwoPi * line.comb.tested().frequency;
  StepControl control;
  control.steps_per_span = steps;
  control.cap_factor = 1e9;  // coarse steps are the point: what they cost is for the user to weigh
  const std::vector<double> powers = nominal_powers(line);
  NominalLine nominal{{}, powers.back()};
  auto& elements = nominal.path.elements;
  for (std::size_t k = 0; k < line.sections.size(); ++k) {
    const LineSection& section = line.sections[k];
    FibreConstants fibre = constants(section.span);
    fibre.beta2 -= fibre.beta3 * w;
    for (const double step : step_lengths(fibre, section.span.length, control, 0.0, powers[k]))
      elements.emplace_back(SplitStep{step, fibre});
    if (section.module) elements.emplace_back(*section.module);
    LumpedGain gain;  // all that stands behind the fibre
    gain.power_gain = powers[k + 1] / (powers[k] / section.span.total_loss());
    elements.emplace_back(gain);
  }
  if (line.optics.extra_beta2_length != 0.0)
    elements.emplace_back(DispersionModule{line.optics.extra_beta2_length, 0.0});
  return nominal;
}

Block back_propagation_block(const BlockSetting& setting) {
  const Scenario& s = setting.scenario;
  if (!has_spans(s)) s.reject("dsp.chain", "back-propagation has no fibre to undo: fibre.spans = 0");
  if (s.optional_number("dsp.dispersion_ps_per_nm"))
    s.reject("dsp.dispersion_ps_per_nm", "has no use with back-propagation, which takes the line as planned");
  const Line told = read_line(s);
  const NominalLine line = nominal_line(told, static_cast<int>(s.integer("dsp.back_propagation_steps")));
  const BackPropagation undo({line.path, line.output_power, setting.two_a_symbol(), setting.band_edge()},
                             setting.execution);
  Block block;
  const double beta2_length = dispersion_at_channel(told).beta2_length;
  block.apply = [undo, beta2_length](Carried& c) {
    c.result.compensated_beta2_length = beta2_length;
    c.signal = undo(c.signal);
  };
  block.edge = edge_of(reach_symbols(undo));
  block.cost = cost_of(kSamplesPerSymbol * undo.cost());
  return block;
}

}  // namespace cohlink
