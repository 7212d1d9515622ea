#include "sim/transmitter/laser.h"

#include <cmath>

#include "sim/signal/units.h"

namespace cohlink {

std::vector<double> laser_phase(std::size_t samples, double sample_rate, double linewidth,
                                RandomStream random) {
  std::vector<double> phase(samples, 0.0);
  if (linewidth == 0.0) return phase;
  const double step = std::sqrt(kTwoPi * linewidth / sample_rate);
  double now = kTwoPi * random.uniform();
  for (double& value : phase) {
    value = now;
    now += step * random.normal();
  }
  return phase;
}

}  // namespace cohlink
