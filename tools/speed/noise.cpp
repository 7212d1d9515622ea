// Random noise: what a sample of complex Gaussian noise costs, beside the generator of versions before 0.2, a
// Mersenne twister and a ziggurat, which is kept here as the measure.
//
// Timed in turns, in one process, by the thread's own processor time; smallest times.
#include <algorithm>
#include <boost/random/mersenne_twister.hpp>
#include <boost/random/normal_distribution.hpp>
#include <cmath>
#include <complex>
#include <cstdio>
#include <span>
#include <vector>

#include "sim/signal/instruction_sets.h"
#include "sim/signal/random.h"
#include "tools/speed/clock.h"
#include "tools/speed/speed.h"

namespace cohlink {
namespace {

constexpr std::size_t kSamples = 1 << 14;
constexpr int kRounds = 200;

// As the engines drew it: one normal after the other.
class Ziggurat {
 public:
  explicit Ziggurat(std::uint64_t seed) : engine_(seed) {}
  double normal() { return normal_(engine_); }
  std::complex<double> complex_normal() {
    const double re = normal(), im = normal();
    return {re * 0.70710678118654752440, im * 0.70710678118654752440};
  }

 private:
  boost::random::mt19937_64 engine_;
  boost::random::normal_distribution<double> normal_{0.0, 1.0};
};

struct Pair {
  double before = 1e300, now = 1e300;  // s, smallest
};

template <class Before, class Now>
Pair in_turns(const Before& before, const Now& now) {
  Pair smallest;
  for (int round = 0; round < kRounds; ++round) {
    smallest.before = std::min(smallest.before, processor_seconds(before));
    smallest.now = std::min(smallest.now, processor_seconds(now));
  }
  return smallest;
}

void row(const char* what, const Pair& pair) {
  constexpr double kNano = 1e9 / kSamples;
  std::printf("%-44s %10.2f %10.2f %8.2f\n", what, pair.before * kNano, pair.now * kNano,
              pair.before / pair.now);
}

// Amplifier noise and noise loading: a complex number on each sample.
template <class Real>
Pair light_noise() {
  std::vector<std::complex<Real>> field(kSamples);
  Ziggurat ziggurat(1);
  const RandomStream stream = RandomStreams(1).stream("ase-span-1");
  const double rms = 1e-3;
  return in_turns(
      [&] {
        for (auto& a : field) a += std::complex<Real>(rms * ziggurat.complex_normal());
      },
      [&] { stream.add_noise(0, rms, std::span(field)); });
}

// As the front end adds them (sim/frontend/frontend.cpp).
COHLINK_VECTOR_CLONES
void add_thermal(const std::vector<float>& normals, double sigma, std::vector<double>& currents) {
  for (std::size_t t = 0; t < normals.size(); ++t) currents[t] += sigma * normals[t];
}
COHLINK_VECTOR_CLONES
void add_shot(const std::vector<float>& normals, double scale, const std::vector<double>& light,
              std::vector<double>& currents) {
  for (std::size_t t = 0; t < normals.size(); ++t) currents[t] += scale * std::sqrt(light[t]) * normals[t];
}

// Thermal noise on two lanes: a pair of real numbers a sample.
Pair thermal_noise() {
  std::vector<double> currents(2 * kSamples);
  std::vector<float> noise(2 * kSamples);
  Ziggurat ziggurat(1);
  const RandomStream stream = RandomStreams(1).stream("thermal-noise");
  const double sigma = 1e-6;
  return in_turns(
      [&] {
        for (double& i : currents) i += sigma * ziggurat.normal();
      },
      [&] {
        stream.fill_normals(0, 1.0, std::span(noise));
        add_thermal(noise, sigma, currents);
      });
}

// Shot noise on two lanes, following the light on the photodiodes.
Pair shot_noise() {
  std::vector<double> currents(2 * kSamples), light(2 * kSamples, 1e-3);
  std::vector<float> noise(2 * kSamples);
  Ziggurat ziggurat(1);
  const RandomStream stream = RandomStreams(1).stream("shot-noise");
  const double scale = 1e-4;
  return in_turns(
      [&] {
        for (std::size_t t = 0; t < currents.size(); ++t)
          currents[t] += scale * std::sqrt(light[t]) * ziggurat.normal();
      },
      [&] {
        stream.fill_normals(0, 1.0, std::span(noise));
        add_shot(noise, scale, light, currents);
      });
}

}  // namespace

int speed_of_noise(int, char**) {
  std::printf(
      "complex noise, %zu samples, one thread, processor time, smallest of %d\n\n%-44s %10s %10s %8s\n",
      kSamples, kRounds, "", "ziggurat", "now", "times");
  std::printf("%-44s %10s %10s\n", "", "ns/sample", "ns/sample");
  row("amplifier noise, loading; single precision", light_noise<float>());
  row("amplifier noise, loading; double precision", light_noise<double>());
  row("thermal noise, two lanes", thermal_noise());
  row("shot noise, two lanes", shot_noise());
  return 0;
}

}  // namespace cohlink
