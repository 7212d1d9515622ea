#include "sim/light_levels.h"

#include <algorithm>
#include <cmath>

#include "sim/signal/units.h"

namespace cohlink {
namespace {

// Mean power transmission of unpolarised light: half the squared Frobenius norm.
double mean_transmission(const JonesMatrix& m) {
  return 0.5 * (std::norm(m.xx) + std::norm(m.xy) + std::norm(m.yx) + std::norm(m.yy));
}

// Part of a pulse's energy below a frequency, from trapezoids over its band.
class EnergyBelow {
 public:
  explicit EnergyBelow(const PulseShape& pulse) : edge_(pulse_band_edge(pulse)), sum_(kSteps + 1, 0.0) {
    const double step = 2.0 * edge_ / kSteps;
    double before = 0.0;
    for (int i = 0; i <= kSteps; ++i) {
      const double density = std::pow(pulse_spectrum(pulse, -edge_ + step * i), 2);
      if (i > 0)
        sum_[static_cast<std::size_t>(i)] = sum_[static_cast<std::size_t>(i) - 1] + 0.5 * (before + density);
      before = density;
    }
  }

  double operator()(double frequency) const {
    const double place = std::clamp((frequency + edge_) / (2.0 * edge_), 0.0, 1.0) * kSteps;
    const auto i = std::min(static_cast<std::size_t>(place), static_cast<std::size_t>(kSteps - 1));
    return (sum_[i] + (place - static_cast<double>(i)) * (sum_[i + 1] - sum_[i])) / sum_.back();
  }

 private:
  static constexpr int kSteps = 1024;
  double edge_;
  std::vector<double> sum_;
};

// Borders of the cells: the band, the 12.5 GHz about the channel under test, and the slopes of the filters,
// outside which a filter's transmission is 0 or 1 within 1e-9. Without filters a few cells are all.
std::vector<double> cell_borders(const PropagationPlan& plan, const LaunchedLight& light) {
  constexpr double kReach = 6.0, kPerSigma = 6.0;
  const double half = 0.5 * light.simulated_band, tuned = light.channels.front().frequency;
  std::vector<double> borders = {-half, half};
  const auto add = [&](double f) {
    if (std::abs(f) < half) borders.push_back(f);
  };
  add(tuned - 0.5 * kOsnrBandwidthHz), add(tuned + 0.5 * kOsnrBandwidthHz);
  const OpticalFilter* last = nullptr;
  for (const PlanElement& element : plan.elements) {
    const auto* filter = std::get_if<OpticalFilter>(&element);
    if (!filter) continue;
    const bool known = last && last->centre == filter->centre && last->bandwidth == filter->bandwidth &&
                       last->otf_bandwidth == filter->otf_bandwidth;
    if (known) continue;
    last = filter;
    const double sigma = filter_sigma(*filter);
    for (double u = -kReach; u <= kReach; u += 1.0 / kPerSigma)
      for (const double side : {-0.5, 0.5}) add(filter->centre + side * filter->bandwidth + u * sigma);
  }
  std::sort(borders.begin(), borders.end());
  return borders;
}

// Light in cells of frequency.
class Spectrum {
 public:
  Spectrum(const PropagationPlan& plan, const LaunchedLight& light)
      : borders_(cell_borders(plan, light)),
        own_(borders_.size() - 1, 0.0),
        others_(own_),
        noise_(own_.size(), light.noise_psd),
        tuned_(light.channels.front().frequency) {
    std::optional<EnergyBelow> below;
    for (std::size_t c = 0; c < light.channels.size(); ++c) {
      const LaunchedChannel& channel = light.channels[c];
      if (c == 0 || !same(channel.pulse, light.channels[c - 1].pulse)) below.emplace(channel.pulse);
      auto& cells = c == 0 ? own_ : others_;
      for (std::size_t k = 0; k < cells.size(); ++k)
        cells[k] += channel.power * ((*below)(borders_[k + 1] - channel.frequency) -
                                     (*below)(borders_[k] - channel.frequency));
    }
  }

  void pass(double gain, double added_psd) {
    for (std::size_t k = 0; k < own_.size(); ++k) {
      own_[k] *= gain, others_[k] *= gain;
      noise_[k] = noise_[k] * gain + added_psd;
    }
  }

  void pass(const OpticalFilter& filter) {
    for (std::size_t k = 0; k < own_.size(); ++k) {
      const double h = filter_response(filter, 0.5 * (borders_[k] + borders_[k + 1])), gain = h * h;
      own_[k] *= gain, others_[k] *= gain, noise_[k] *= gain;
    }
  }

  double own_power() const { return sum(own_); }
  double channels_power() const { return sum(own_) + sum(others_); }
  double noise_power() const {
    double power = 0.0;
    for (std::size_t k = 0; k < noise_.size(); ++k)
      power += 2.0 * noise_[k] * (borders_[k + 1] - borders_[k]);
    return power;
  }

  // Mean over the reference band, or over what of it is simulated.
  double noise_psd() const {
    double power = 0.0, width = 0.0;
    for (std::size_t k = 0; k < noise_.size(); ++k) {
      if (std::abs(0.5 * (borders_[k] + borders_[k + 1]) - tuned_) > 0.5 * kOsnrBandwidthHz) continue;
      power += noise_[k] * (borders_[k + 1] - borders_[k]);
      width += borders_[k + 1] - borders_[k];
    }
    return power / width;
  }

 private:
  static bool same(const PulseShape& a, const PulseShape& b) {
    return a.pulse == b.pulse && a.roll_off == b.roll_off && a.symbol_rate == b.symbol_rate;
  }
  static double sum(const std::vector<double>& cells) {
    double total = 0.0;
    for (const double cell : cells) total += cell;
    return total;
  }
  std::vector<double> borders_, own_, others_;  // Hz; W of the channel under test and of the others
  std::vector<double> noise_;                   // W/Hz per polarisation
  double tuned_;
};

void amplify(Spectrum& light, const LumpedGain& amplifier) {
  if (amplifier.output_power <= 0.0) return light.pass(amplifier.power_gain, amplifier.ase_psd);
  const double gain = amplifier.output_power / (light.channels_power() + light.noise_power());
  light.pass(gain, amplifier.noise_factor > 0.0
                       ? ase_psd_per_polarisation(gain, amplifier.noise_factor, amplifier.carrier)
                       : 0.0);
}

void pass_element(Spectrum& light, const PlanElement& element) {
  if (const auto* step = std::get_if<SplitStep>(&element)) {
    light.pass(std::exp(-step->fibre.loss * step->length), 0.0);
  } else if (const auto* stretch = std::get_if<AdaptiveStretch>(&element)) {
    light.pass(std::exp(-stretch->fibre.loss * stretch->length), 0.0);
  } else if (const auto* gain = std::get_if<LumpedGain>(&element)) {
    amplify(light, *gain);
  } else if (const auto* jones = std::get_if<LumpedJones>(&element)) {
    light.pass(mean_transmission(jones->matrix), 0.0);
  } else if (const auto* filter = std::get_if<OpticalFilter>(&element)) {
    light.pass(*filter);
  }
}

}  // namespace

std::optional<double> LightLevels::osnr() const {
  if (noise_psd <= 0.0) return std::nullopt;
  return signal_power / (2.0 * noise_psd * kOsnrBandwidthHz);
}

LightLevels light_levels(const PropagationPlan& plan, const LaunchedLight& launched) {
  Spectrum light(plan, launched);
  LightLevels levels;
  levels.peak_power = light.channels_power();
  for (const PlanElement& element : plan.elements) {
    pass_element(light, element);
    levels.peak_power = std::max(levels.peak_power, light.channels_power());
  }
  levels.signal_power = light.own_power();
  levels.noise_psd = light.noise_psd();
  levels.noise_power = light.noise_power();
  levels.total_power = light.channels_power() + levels.noise_power;
  return levels;
}

}  // namespace cohlink
