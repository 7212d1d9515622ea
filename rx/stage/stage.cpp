#include "rx/stage/stage.h"

#include <algorithm>
#include <cmath>
#include <limits>

#include "rx/rows/row_operations.h"
#include "rx/rows/vectors.h"
#include "sim/signal/units.h"

namespace cohlink {
namespace {

void keep_points(Stage& stage, const Field<float>& signal) {
  const auto symbols = static_cast<std::size_t>(std::floor(
                           static_cast<double>(signal.size() - 1) / stage.samples_per_symbol + 1e-9)) +
                       1;
  const auto points = std::min(kStagePoints, symbols);
  const std::size_t start = (symbols - points) / 2;
  for (std::size_t p = 0; p < 2; ++p) {
    const ComplexRow<float>& row = *signal.rows()[p];
    auto& kept = stage.points[p];
    for (std::size_t k = start; k < start + points; ++k) {
      const auto n =
          static_cast<std::size_t>(std::llround(static_cast<double>(k) * stage.samples_per_symbol));
      kept.push_back(row[std::min(n, row.size() - 1)]);
    }
    const double power = mean_power(kept);
    if (power > 0.0)
      for (auto& a : kept) a *= static_cast<float>(1.0 / std::sqrt(power));
  }
}

std::vector<double> power_spectrum(const ComplexRow<float>& row, const Fft<float>& fft) {
  constexpr std::size_t kMostStretches = 128;
  const std::size_t stretches = std::min(kMostStretches, row.size() / kStageBins);
  const std::size_t hop = row.size() / std::max<std::size_t>(1, stretches);
  std::vector<double> power(kStageBins);
  ComplexRow<float> windowed(kStageBins);
  for (std::size_t s = 0; s < stretches; ++s) {
    for (std::size_t n = 0; n < kStageBins; ++n) {
      const double hann = 0.5 - 0.5 * std::cos(kTwoPi * static_cast<double>(n) / kStageBins);
      windowed[n] = static_cast<float>(hann) * row[s * hop + n];
    }
    fft.forward(windowed);
    for (std::size_t k = 0; k < kStageBins; ++k) power[k] += std::norm(windowed[k]);
  }
  return power;
}

void keep_spectra(Stage& stage, const Field<float>& signal, const FftCache& fft) {
  if (signal.size() < kStageBins) return;
  const auto& transform = fft.get<float>(kStageBins);
  std::array<std::vector<double>, 2> power;
  double total = 0.0;
  for (std::size_t p = 0; p < 2; ++p) {
    power[p] = power_spectrum(*signal.rows()[p], transform);
    for (const double density : power[p]) total += density;
  }
  const double mean = total / (2.0 * kStageBins);
  for (std::size_t i = 0; i < kStageBins; ++i) {
    const std::size_t bin = (i + kStageBins / 2) % kStageBins;  // ascending frequency
    stage.frequency_hz.push_back(bin_frequency(bin, kStageBins, signal.sample_rate));
    for (std::size_t p = 0; p < 2; ++p)
      stage.spectrum_db[p].push_back(static_cast<float>(to_db(std::max(power[p][bin] / mean, 1e-12))));
  }
}

struct Runs {
  const std::complex<float>* row;
  std::size_t count, length;
};

// Root mean square of the squared radii's distance from the nearest ring's, in each run.
COHLINK_VECTOR_CLONES
void modulus_errors(const Runs& runs, float scale, const std::vector<float>& rings, float* out) {
  using namespace vectors;
  for (std::size_t r = 0; r < runs.count; ++r) {
    const std::complex<float>* row = runs.row + r * runs.length;
    Floats sum = {};
    for (std::size_t k = 0; k < runs.length; k += kWidth) {
      const ComplexFloats y = load_complex(row + k, runs.length - k);
      const Floats power = scale * (y.re * y.re + y.im * y.im);
      Floats least = all(std::numeric_limits<float>::max());
      for (const float ring : rings) least = lesser((power - ring) * (power - ring), least);
      sum += least;
    }
    const FourFloats of = fold(sum);
    out[r] = std::sqrt((of[0] + of[1] + of[2] + of[3]) / static_cast<float>(runs.length));
  }
}

}  // namespace

Stage record_stage(const std::string& block, const Field<float>& signal, double symbol_rate,
                   const FftCache& fft) {
  Stage stage;
  stage.block = block;
  stage.samples_per_symbol = signal.sample_rate / symbol_rate;
  if (signal.size() == 0) return stage;
  keep_points(stage, signal);
  keep_spectra(stage, signal, fft);
  return stage;
}

std::vector<std::vector<float>> modulus_error(const Field<float>& symbols, const Constellation& constellation,
                                              std::size_t run) {
  std::vector<float> rings;
  for (const Ring& ring : constellation.rings()) rings.push_back(static_cast<float>(ring.power));
  std::vector<std::vector<float>> rows(2);
  for (std::size_t p = 0; p < 2; ++p) {
    const ComplexRow<float>& row = *symbols.rows()[p];
    const double power = power_sums(row).second / static_cast<double>(row.size());
    rows[p].resize(row.size() / run);
    const Runs runs{row.data(), rows[p].size(), run};
    modulus_errors(runs, static_cast<float>(power > 0.0 ? 1.0 / power : 1.0), rings, rows[p].data());
  }
  return rows;
}

}  // namespace cohlink
