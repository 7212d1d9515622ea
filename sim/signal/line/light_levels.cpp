#include "sim/signal/line/light_levels.h"

#include <algorithm>
#include <cmath>

#include "sim/signal/units.h"

namespace cohlink {
namespace {

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

// Cuts every channel's band, and the 12.5 GHz about it.
template <class Add>
void cut_channels(const Comb& comb, const Add& add) {
  constexpr int kParts = 8;
  for (const Channel& channel : comb.channels) {
    const double edge = pulse_band_edge(channel.pulse);
    for (int i = 0; i <= kParts; ++i) add(channel.frequency + edge * (2.0 * i / kParts - 1.0));
    for (const double side : {-0.5, 0.5}) add(channel.frequency + side * kOsnrBandwidthHz);
  }
}

// Borders of the cells: the band, the 12.5 GHz about the channel under test, and the slopes of the filters,
// outside which a filter's transmission is 0 or 1 within 1e-9. Without filters a few cells are all, unless
// gain hangs on frequency.
std::vector<double> cell_borders(const PropagationPlan& plan, const LaunchedLight& light) {
  constexpr double kReach = 6.0, kPerSigma = 6.0;
  const double half = 0.5 * light.simulated_band, tuned = light.comb.tested().frequency;
  std::vector<double> borders = {-half, half};
  const auto add = [&](double f) {
    if (std::abs(f) < half) borders.push_back(f);
  };
  add(tuned - 0.5 * kOsnrBandwidthHz), add(tuned + 0.5 * kOsnrBandwidthHz);
  if (std::any_of(plan.elements.begin(), plan.elements.end(),
                  [](const PlanElement& e) { return std::holds_alternative<SpectralGain>(e); }))
    cut_channels(light.comb, add);
  const OpticalFilter* last = nullptr;
  for (const PlanElement& element : plan.elements) {
    const auto* filter = std::get_if<OpticalFilter>(&element);
    if (!filter) continue;
    if (last && *last == *filter) continue;
    last = filter;
    const double sigma = filter_sigma(*filter);
    for (double u = -kReach; u <= kReach; u += 1.0 / kPerSigma)
      for (const double side : {-0.5, 0.5}) add(filter->centre + side * filter->bandwidth + u * sigma);
  }
  std::sort(borders.begin(), borders.end());
  return borders;
}

}  // namespace

// Light in cells of frequency.
struct LightWalk::Spectrum {
  Spectrum(const PropagationPlan& plan, const LaunchedLight& light)
      : borders_(cell_borders(plan, light)),
        own_(borders_.size() - 1, 0.0),
        others_(own_),
        noise_(own_.size(), light.noise_psd),
        gain_(own_.size(), 1.0),
        comb_(light.comb) {
    const std::vector<Channel>& channels = light.comb.channels;
    std::optional<EnergyBelow> below;
    for (std::size_t c = 0; c < channels.size(); ++c) {
      const Channel& channel = channels[c];
      if (c == 0 || channel.pulse != channels[c - 1].pulse) below.emplace(channel.pulse);
      auto& cells = c == light.comb.under_test ? own_ : others_;
      for (std::size_t k = 0; k < cells.size(); ++k)
        cells[k] += channel.power * ((*below)(borders_[k + 1] - channel.frequency) -
                                     (*below)(borders_[k] - channel.frequency));
    }
  }

  void amplify(const LumpedGain& amplifier) {
    if (amplifier.output_power <= 0.0) return pass(amplifier.power_gain, amplifier.ase_psd);
    const double gain = amplifier.output_power / (channels_power() + noise_power());
    pass(gain, amplifier.noise_factor > 0.0
                   ? ase_psd_per_polarisation(gain, amplifier.noise_factor, amplifier.carrier)
                   : 0.0);
  }

  void pass(double gain, double added_psd) {
    for (std::size_t k = 0; k < own_.size(); ++k) {
      scale(k, gain);
      noise_[k] += added_psd;
    }
  }

  void pass(const SpectralGain& shape) {
    for (std::size_t k = 0; k < own_.size(); ++k)
      scale(k, std::exp(log_gain(shape, 0.5 * (borders_[k] + borders_[k + 1]))));
  }

  void pass(const OpticalFilter& filter) {
    for (std::size_t k = 0; k < own_.size(); ++k) {
      const double h = filter_response(filter, 0.5 * (borders_[k] + borders_[k + 1]));
      scale(k, h * h);
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

  double noise_psd() const { return noise_psd(comb_.tested().frequency); }

  // Mean over the reference band, or over what of it is simulated.
  double noise_psd(double tuned) const {
    double power = 0.0, width = 0.0;
    for (std::size_t k = 0; k < noise_.size(); ++k) {
      const double low = std::max(borders_[k], tuned - 0.5 * kOsnrBandwidthHz),
                   high = std::min(borders_[k + 1], tuned + 0.5 * kOsnrBandwidthHz);
      if (high <= low) continue;
      power += noise_[k] * (high - low);
      width += high - low;
    }
    return power / width;
  }

  std::vector<ChannelLevel> channels() const {
    std::vector<ChannelLevel> levels;
    for (const Channel& channel : comb_.channels) {
      const EnergyBelow below(channel.pulse);
      ChannelLevel level{0.0, noise_psd(channel.frequency)};
      for (std::size_t k = 0; k < gain_.size(); ++k)
        level.power += channel.power * gain_[k] *
                       (below(borders_[k + 1] - channel.frequency) - below(borders_[k] - channel.frequency));
      levels.push_back(level);
    }
    return levels;
  }

 private:
  void scale(std::size_t cell, double gain) {
    own_[cell] *= gain, others_[cell] *= gain, noise_[cell] *= gain, gain_[cell] *= gain;
  }
  static double sum(const std::vector<double>& cells) {
    double total = 0.0;
    for (const double cell : cells) total += cell;
    return total;
  }
  std::vector<double> borders_, own_, others_;  // Hz; W of the channel under test and of the others
  std::vector<double> noise_;                   // W/Hz per polarisation
  std::vector<double> gain_;                    // of power, so far
  Comb comb_;                                   // as launched
};

LightWalk::LightWalk(const PropagationPlan& plan, const LaunchedLight& launched)
    : light_(std::make_unique<Spectrum>(plan, launched)), peak_power_(light_->channels_power()) {}
LightWalk::~LightWalk() = default;
LightWalk::LightWalk(LightWalk&&) noexcept = default;

void LightWalk::pass(const PlanElement& element) {
  if (const auto* step = std::get_if<SplitStep>(&element)) {
    light_->pass(std::exp(-step->fibre.loss * step->length), 0.0);
  } else if (const auto* stretch = std::get_if<AdaptiveStretch>(&element)) {
    light_->pass(std::exp(-stretch->fibre.loss * stretch->length), 0.0);
  } else if (const auto* gain = std::get_if<LumpedGain>(&element)) {
    light_->amplify(*gain);
  } else if (const auto* jones = std::get_if<LumpedJones>(&element)) {
    light_->pass(mean_transmission(jones->matrix), 0.0);
  } else if (const auto* filter = std::get_if<OpticalFilter>(&element)) {
    light_->pass(*filter);
  } else if (const auto* shape = std::get_if<SpectralGain>(&element)) {
    light_->pass(*shape);
  } else {
    return;
  }
  peak_power_ = std::max(peak_power_, light_->channels_power());
}

LightLevels LightWalk::levels() const {
  LightLevels levels;
  levels.peak_power = peak_power_;
  levels.signal_power = light_->own_power();
  levels.noise_psd = light_->noise_psd();
  levels.noise_power = light_->noise_power();
  levels.total_power = light_->channels_power() + levels.noise_power;
  return levels;
}

std::vector<ChannelLevel> LightWalk::channels() const { return light_->channels(); }

std::optional<double> LightLevels::osnr() const {
  if (noise_psd <= 0.0) return std::nullopt;
  return signal_power / (2.0 * noise_psd * kOsnrBandwidthHz);
}

LightLevels light_levels(const PropagationPlan& plan, const LaunchedLight& launched) {
  LightWalk walk(plan, launched);
  for (const PlanElement& element : plan.elements) walk.pass(element);
  return walk.levels();
}

}  // namespace cohlink
