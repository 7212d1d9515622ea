#include "sim/signal/phasors.h"

#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>
#include <vector>

using namespace cohlink;

TEST_CASE("phasors of every instruction set are those of the C library") {
  std::vector<double> phases;
  for (double phase = -30.0; phase < 30.0; phase += 1.7e-3) phases.push_back(phase);
  for (double phase = 1e-300; phase < 1e9; phase *= -1.31) phases.push_back(phase);
  for (const char* set : {"portable", "avx2", "avx512"}) {
    const phasors::Fill fill = phasors::named_fill(set);
    if (fill == nullptr) continue;
    CAPTURE(set);
    std::vector<std::complex<double>> out(phases.size());
    fill(phases.data(), phases.size(), out.data());
    for (std::size_t count : {0, 1, 3, 7, 9}) {  // ends that fill no vector
      std::vector<std::complex<double>> few(count);
      fill(phases.data() + 5, count, few.data());
      CHECK(std::equal(few.begin(), few.end(), out.begin() + 5));
    }
    double worst = 0.0;  // as a share of what the header promises
    for (std::size_t k = 0; k < phases.size(); ++k)
      worst = std::max(worst,
                       std::abs(out[k] - std::polar(1.0, phases[k])) / (4e-16 + 3e-16 * std::abs(phases[k])));
    CHECK(worst < 1.0);
  }
  std::vector<std::complex<double>> short_of_one(phases.size() - 1);
  CHECK_THROWS_AS(fill_phasors(phases, short_of_one), std::invalid_argument);
}
