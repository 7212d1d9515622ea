#include "sim/signal/propagation/steps.h"

#include <algorithm>
#include <cmath>
#include <limits>
#include <stdexcept>
#include <string>

#include "sim/signal/units.h"

namespace cohlink {
namespace {

void require(bool good, const std::string& complaint) {
  if (!good) throw std::invalid_argument(complaint);
}

std::size_t at_least_one(double count) {
  return count <= 1.0 ? 1 : static_cast<std::size_t>(std::ceil(count - 1e-9));
}

// Steps whose density per metre is max(k exp(-a z/3), 1/cap): the loss-matched law up to where it meets the
// cap, equal steps behind. k is such that the law alone would make `count` steps.
std::vector<double> loss_matched_steps(const FibreConstants& fibre, double length, double count, double cap) {
  const double rate = fibre.loss / 3.0;
  if (rate * length < 1e-9) {
    const std::size_t n = at_least_one(std::max(count, length / cap));
    return std::vector<double>(n, length / static_cast<double>(n));
  }
  const double k = count * rate / -std::expm1(-rate * length);
  const double border = std::clamp(std::log(k * cap) / rate, 0.0, length);
  std::vector<double> steps;
  if (border > 0.0) {
    const std::size_t n = at_least_one(-k / rate * std::expm1(-rate * border));
    const auto edge = [&](std::size_t i) {
      return -std::log1p(static_cast<double>(i) / static_cast<double>(n) * std::expm1(-rate * border)) / rate;
    };
    for (std::size_t i = 0; i < n; ++i) steps.push_back(edge(i + 1) - edge(i));
  }
  const double rest = length - border;
  if (rest > 0.0) {
    const std::size_t n = at_least_one(rest / cap);
    steps.insert(steps.end(), n, rest / static_cast<double>(n));
  }
  return steps;
}

// Each step turns the mean power's Kerr phase by at most `max_phase`: kerr P(z) (1 - exp(-a h))/a.
std::vector<double> nonlinear_phase_steps(const FibreConstants& fibre, double length, double power,
                                          double max_phase, double cap) {
  std::vector<double> steps;
  for (double z = 0.0; z < length;) {
    const double rotation = fibre.kerr * power * std::exp(-fibre.loss * z);  // rad/m at z
    const double lossless = rotation > 0.0 ? max_phase / rotation : std::numeric_limits<double>::infinity();
    const double shrink = lossless * fibre.loss;
    const double by_phase = fibre.loss == 0.0 ? lossless
                            : shrink < 1.0    ? -std::log1p(-shrink) / fibre.loss
                                              : std::numeric_limits<double>::infinity();
    const double left = length - z;
    double h = std::min({by_phase, cap, left});
    if (left - h < 1e-9 * length) h = left;
    steps.push_back(h);
    z += h;
    if (h == left) break;
  }
  return steps;
}

}  // namespace

double dispersive_step_cap(double beta2, double bandwidth) {
  return 2.0 / (kPi * std::abs(beta2) * bandwidth * bandwidth);  // infinite for beta2 = 0
}

StepControl halved(const StepControl& control) {
  StepControl finer = control;
  finer.steps_per_span *= 2;
  finer.max_phase /= 2.0;
  finer.tolerance /= 8.0;
  finer.cap_factor /= 2.0;
  return finer;
}

double kerr_alias_free_rate(double bandwidth, double channel_edge) { return 1.5 * bandwidth + channel_edge; }

std::vector<double> step_lengths(const FibreConstants& fibre, double length, const StepControl& control,
                                 double bandwidth, double power) {
  const double cap = control.cap_factor * dispersive_step_cap(fibre.beta2, bandwidth);
  switch (control.law) {
    case StepLaw::kConstant: {
      require(control.steps_per_span >= 1, "steps per span must be at least 1");
      const std::size_t n = at_least_one(std::max<double>(control.steps_per_span, length / cap));
      return std::vector<double>(n, length / static_cast<double>(n));
    }
    case StepLaw::kLossMatched:
      require(control.steps_per_span >= 1, "steps per span must be at least 1");
      return loss_matched_steps(fibre, length, control.steps_per_span, cap);
    case StepLaw::kNonlinearPhase:
      require(control.max_phase > 0.0, "nonlinear phase per step must be above 0 rad");
      return nonlinear_phase_steps(fibre, length, power, control.max_phase, cap);
    case StepLaw::kLocalError:
      break;
  }
  throw std::invalid_argument("the local-error law has no fixed steps");
}

}  // namespace cohlink
