#include "sim/signal/line/wide_band.h"

#include <algorithm>
#include <cmath>
#include <numeric>

#include "sim/signal/propagation/jones.h"

namespace cohlink {
namespace {

bool is_flat(const Line& line) {
  return line.raman_slope == 0.0 && line.loss_curve.offset.empty() &&
         std::none_of(line.sections.begin(), line.sections.end(), [](const LineSection& section) {
           return section.amplifier.tilt != 0.0 || section.amplifier.equalise;
         });
}

double sum_of(const std::vector<double>& powers) {
  return std::accumulate(powers.begin(), powers.end(), 0.0);
}

SpectralGrid grid_over(const Comb& comb) {
  constexpr double kResolution = 25e9;  // Hz; loss curves and tilts are smooth
  const double edge = comb.edge();
  const double wanted = std::ceil(2.0 * edge / kResolution) + 1.0;
  const double points = std::clamp(wanted, 3.0, static_cast<double>(SpectralGain::kMostPoints));
  return {-edge, 2.0 * edge / (points - 1.0), static_cast<std::size_t>(points)};
}

/// `value(optical offset)` at the points of the grid.
template <class Value>
SpectralGain tabulated(const SpectralGrid& grid, const Value& value) {
  SpectralGain gain{grid.first, grid.spacing, std::vector<double>(grid.points)};
  for (std::size_t i = 0; i < grid.points; ++i)
    gain.log_gain[i] = value(-(grid.first + grid.spacing * static_cast<double>(i)));
  return gain;
}

/// Follows powers and the shape that the comb has taken on since it was last equalised.
class Walker {
 public:
  explicit Walker(const Line& line) : line_(line), grid_(grid_over(line.comb)), shape_(grid_.points, 0.0) {
    for (const Channel& channel : line.comb.channels) powers_.push_back(channel.power);
  }

  SectionWalk pass(const LineSection& section) {
    SectionWalk walk{FibreWalk(line_, section.span, powers_), powers_, powers_, 1.0, {}};
    const double length = section.span.length;
    for (std::size_t c = 0; c < powers_.size(); ++c)
      walk.end[c] *= std::exp(walk.fibre.log_gain(offset(c), length)) / section.span.total_loss();
    take_on(tabulated(grid_, [&](double v) { return walk.fibre.log_gain(v, length); }));
    for (std::size_t c = 0; c < powers_.size(); ++c)
      powers_[c] = walk.end[c] / (section.lumped_loss * section.module_loss);
    if (section.amplifier.mode == GainMode::kNone)
      scale(mean_transmission(pdl_element(section.pdl)));
    else
      amplify(section.amplifier, walk);
    for (const OpticalFilter& filter : section.filters)
      for (std::size_t c = 0; c < powers_.size(); ++c)
        powers_[c] *= std::pow(filter_response(filter, line_.comb.channels[c].frequency), 2);
    return walk;
  }

  const SpectralGrid& grid() const { return grid_; }

 private:
  double offset(std::size_t channel) const { return line_.comb.channels[channel].offset; }
  void scale(double factor) {
    for (double& power : powers_) power *= factor;
  }
  void take_on(const SpectralGain& gain) {
    for (std::size_t i = 0; i < shape_.size(); ++i) shape_[i] += gain.log_gain[i];
  }

  void amplify(const Amplifier& amplifier, SectionWalk& walk) {
    const double before = sum_of(powers_);
    walk.gain =
        (amplifier.mode == GainMode::kFixedOutput ? amplifier.output_power : sum_of(walk.start)) / before;
    if (amplifier.tilt != 0.0 || amplifier.equalise) {
      walk.behind = tabulated(grid_, [&](double v) { return amplifier.tilt * v; });
      if (amplifier.equalise)
        for (std::size_t i = 0; i < shape_.size(); ++i) walk.behind.log_gain[i] = -shape_[i];
      bend(walk.behind, before);
      take_on(walk.behind);
    }
    scale(walk.gain);
  }

  // Bends the spectrum and, by what it adds to the gain, keeps its power `before`.
  void bend(SpectralGain& gain, double before) {
    const std::vector<double> straight = powers_;
    const auto apply = [&] {
      for (std::size_t c = 0; c < powers_.size(); ++c)
        powers_[c] = straight[c] * std::exp(log_gain(gain, -offset(c)));
    };
    apply();
    const double correction = std::log(before / sum_of(powers_));
    for (double& value : gain.log_gain) value += correction;
    apply();
  }

  const Line& line_;
  SpectralGrid grid_;
  std::vector<double> shape_;   // natural log, at the grid's points
  std::vector<double> powers_;  // W
};

}  // namespace

FibreWalk::FibreWalk(const Line& line, const Span& span, const std::vector<double>& powers)
    : loss_(span.loss), length_(span.length), curve_(line.loss_curve) {
  if (line.raman_slope == 0.0) return;
  // Runge-Kutta; the powers change by some percent a step, and the error goes with its fourth power.
  constexpr double kLossOfStep = 0.04;
  const std::size_t steps = 16 + static_cast<std::size_t>(loss_ * length_ / kLossOfStep);
  const double h = length_ / static_cast<double>(steps);
  const auto ahead = [](const Transfer& from, const Transfer& rate, double by) {
    return Transfer{from.slope + rate.slope * by, from.level + rate.level * by};
  };
  Transfer now;
  for (std::size_t i = 0; i <= steps; ++i) {
    const double z = h * static_cast<double>(i);
    const Transfer a = rates(line, powers, now, z);
    transfer_.push_back(now), rates_.push_back(a);
    const Transfer b = rates(line, powers, ahead(now, a, h / 2.0), z + h / 2.0);
    const Transfer c = rates(line, powers, ahead(now, b, h / 2.0), z + h / 2.0);
    const Transfer d = rates(line, powers, ahead(now, c, h), z + h);
    now.slope += h / 6.0 * (a.slope + 2.0 * b.slope + 2.0 * c.slope + d.slope);
    now.level += h / 6.0 * (a.level + 2.0 * b.level + 2.0 * c.level + d.level);
  }
}

FibreWalk::Transfer FibreWalk::rates(const Line& line, const std::vector<double>& powers, const Transfer& now,
                                     double z) const {
  Transfer rate;
  for (std::size_t c = 0; c < powers.size(); ++c) {
    const double v = line.comb.channels[c].offset;
    const double power = powers[c] * std::exp(-loss_ * curve_.at(v) * z + now.level - v * now.slope);
    rate.slope += line.raman_slope * power;
    rate.level += line.raman_slope * power * v;
  }
  return rate;
}

// Cubic between the steps, whose slopes are known.
FibreWalk::Transfer FibreWalk::transfer_at(double z) const {
  if (transfer_.empty()) return {};
  const double last = static_cast<double>(transfer_.size() - 1), h = length_ / last;
  const double place = std::clamp(z / h, 0.0, last);
  const auto i = static_cast<std::size_t>(std::min(place, last - 1.0));
  const double t = place - static_cast<double>(i);
  const double start = t * (1.0 - t) * (1.0 - t) * h, end = t * t * (t - 1.0) * h,
               up = t * t * (3.0 - 2.0 * t);
  const auto between = [&](double Transfer::*part) {
    return transfer_[i].*part + up * (transfer_[i + 1].*part - transfer_[i].*part) +
           start * (rates_[i].*part) + end * (rates_[i + 1].*part);
  };
  return {between(&Transfer::slope), between(&Transfer::level)};
}

double FibreWalk::log_gain(double optical_offset, double z) const {
  const Transfer transfer = transfer_at(z);
  return -loss_ * (curve_.at(optical_offset) - 1.0) * z + transfer.level - optical_offset * transfer.slope;
}

SpectralGain CombWalk::between(std::size_t section, double from, double to) const {
  const FibreWalk& fibre = sections[section].fibre;
  return tabulated(grid, [&](double v) { return fibre.log_gain(v, to) - fibre.log_gain(v, from); });
}

CombWalk walk_comb(const Line& line) {
  CombWalk walk;
  if (is_flat(line)) return walk;
  Walker walker(line);
  walk.grid = walker.grid();
  for (const LineSection& section : line.sections) walk.sections.push_back(walker.pass(section));
  return walk;
}

}  // namespace cohlink
