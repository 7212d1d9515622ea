#include "tools/study/plan/realisations.h"

#include <algorithm>
#include <boost/math/distributions/normal.hpp>
#include <boost/math/distributions/students_t.hpp>
#include <cmath>
#include <limits>
#include <string>

#include "sim/signal/line/read_line.h"
#include "sim/signal/units.h"

namespace cohlink {
namespace {

/// Student's t over the normal deviate, at the upper end of a two-sided interval.
struct Deviates {
  double t, normal;
  Deviates(std::size_t count, double confidence) {
    const double upper = 0.5 + 0.5 * confidence;
    t = quantile(boost::math::students_t(static_cast<double>(count - 1)), upper);
    normal = quantile(boost::math::normal(), upper);
  }
};

struct Sample {
  double count = 0, mean = 0, variance = 0, skewness = 0;  // variance unbiased

  explicit Sample(const std::vector<double>& values) : count(static_cast<double>(values.size())) {
    for (const double v : values) mean += v / count;
    double squares = 0, cubes = 0;
    for (const double v : values) squares += std::pow(v - mean, 2), cubes += std::pow(v - mean, 3);
    variance = squares / (count - 1.0);
    if (squares > 0.0) skewness = cubes / count / std::pow(squares / count, 1.5);
  }
  double standard_error() const { return std::sqrt(variance / count); }
};

Interval hull(const Interval& a, const Interval& b) {
  return {std::min(a.low, b.low), std::max(a.high, b.high)};
}

std::vector<double> measured_values(const std::vector<FibreResult>& fibres, double FibreResult::*of) {
  std::vector<double> values;
  for (const FibreResult& fibre : fibres)
    if (!std::isnan(fibre.*of)) values.push_back(fibre.*of);
  return values;
}

}  // namespace

bool redraws_fibre(const Scenario& scenario) {
  if (scenario.text("fibre.birefringence") != "redrawn" || !has_spans(scenario)) return false;
  return scenario.number("fibre.pmd_ps_per_sqrt_km") > 0.0 || scenario.number("amplifier.pdl_db") > 0.0;
}

std::optional<Interval> mean_interval(const std::vector<double>& values, double confidence) {
  if (values.size() < 2) return std::nullopt;
  const Sample sample(values);
  if (!(sample.variance > 0.0)) return std::nullopt;
  const double t = Deviates(values.size(), confidence).t;
  // g(T) = T + a T^2 + a^2 T^3 / 3 + g/(6 sqrt n), a = skewness g / (3 sqrt n), is free of skewness; its
  // inverse is 1/a ((1 + 3 a (y - g/(6 sqrt n)))^(1/3) - 1).
  const double a = sample.skewness / (3.0 * std::sqrt(sample.count));
  const auto inverse = [a](double y) {
    return std::abs(a) < 1e-9 ? y : (std::cbrt(1.0 + 3.0 * a * (y - 0.5 * a)) - 1.0) / a;
  };
  return Interval{sample.mean - sample.standard_error() * inverse(t),
                  sample.mean - sample.standard_error() * inverse(-t)};
}

Interval ber_over_realisations(const std::vector<FibreResult>& fibres, const ErrorCount& count,
                               double bunching, double confidence) {
  const std::vector<double> bers = measured_values(fibres, &FibreResult::ber);
  if (bers.size() < kFewestRealisations) return {0.0, 1.0};
  const Deviates deviates(bers.size(), confidence);
  const Interval counted =
      error_interval(count, bunching * std::pow(deviates.t / deviates.normal, 2), confidence);
  const auto hall = mean_interval(bers, confidence);
  if (!hall) return counted;
  const Interval both = hull(counted, *hall);
  return {std::max(0.0, both.low), std::min(1.0, both.high)};
}

std::optional<Interval> noise_over_realisations(const std::vector<FibreResult>& fibres, double confidence) {
  const std::vector<double> ratios = measured_values(fibres, &FibreResult::noise_ratio);
  if (ratios.size() < kFewestRealisations) return std::nullopt;
  const Sample sample(ratios);
  const double factor =
      std::exp(Deviates(ratios.size(), confidence).t * sample.standard_error() / sample.mean);
  const Interval by_ratio{sample.mean / factor, sample.mean * factor};
  const auto hall = mean_interval(ratios, confidence);
  if (!hall) return by_ratio;
  const Interval both = hull(by_ratio, *hall);
  return Interval{std::max(by_ratio.low * 1e-3, both.low), both.high};
}

double quantile_of(std::vector<double> values, double part) {
  std::erase_if(values, [](double value) { return std::isnan(value); });
  if (values.empty()) return std::nan("");
  std::sort(values.begin(), values.end());
  const double place = part * static_cast<double>(values.size() - 1);
  const auto i = static_cast<std::size_t>(place);
  const double above = values[std::min(i + 1, values.size() - 1)];
  if (!std::isfinite(values[i]) || !std::isfinite(above))
    return place - static_cast<double>(i) < 0.5 ? values[i] : above;
  return values[i] + (place - static_cast<double>(i)) * (above - values[i]);
}

FibreSpread spread_of(const std::vector<FibreResult>& fibres, const Threshold& threshold) {
  FibreSpread spread;
  std::vector<double> snrs;
  std::uint64_t outages = 0;
  for (const FibreResult& fibre : fibres) {
    const bool locked = !std::isnan(fibre.noise_ratio);
    snrs.push_back(locked ? -to_db(fibre.noise_ratio) : -std::numeric_limits<double>::infinity());
    const bool by_ber = threshold.quality == Quality::kBer;
    outages += !locked || (by_ber ? fibre.ber > threshold.value : fibre.ngmi < threshold.value);
  }
  spread.snr_median_db = quantile_of(snrs, 0.5), spread.snr_tenth_db = quantile_of(snrs, 0.1);
  spread.outage = static_cast<double>(outages) / std::max(1.0, static_cast<double>(fibres.size()));
  spread.outage_interval = clopper_pearson(outages, fibres.size());
  return spread;
}

std::string too_few_text(const std::vector<FibreResult>& fibres) {
  if (fibres.empty() || fibres.size() >= kFewestRealisations) return "";
  return "only " + std::to_string(fibres.size()) + " of the " + std::to_string(kFewestRealisations) +
         " realisations of the fibre that a decision takes; raise run.frames";
}

}  // namespace cohlink
