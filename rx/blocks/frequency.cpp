#include "rx/blocks/frequency.h"

#include <algorithm>
#include <array>
#include <bit>
#include <cmath>

#include "rx/blocks/operations.h"
#include "rx/stage/block.h"
#include "sim/signal/units.h"

namespace cohlink {
namespace {

// Fourth powers, freed of their size to the second power so that large samples do not dominate.
ComplexRow<float> fourth_powers(const ComplexRow<float>& row, std::size_t first, std::size_t count,
                                std::size_t padded) {
  ComplexRow<float> z(padded);
  for (std::size_t k = 0; k < count; ++k) {
    const auto square = row[first + k] * row[first + k];
    z[k] = square * square;
  }
  return z;
}

// Periodogram of z[0, count) at `cycles` per sample, summed in double with a rotating phasor.
double periodogram(const ComplexRow<float>& z, std::size_t count, double cycles) {
  constexpr std::size_t kRun = 256;  // the phasor is set afresh this often
  const std::complex<double> turn = std::polar(1.0, -kTwoPi * cycles);
  std::complex<double> sum = 0.0;
  for (std::size_t start = 0; start < count; start += kRun) {
    std::complex<double> phasor =
        std::polar(1.0, -kTwoPi * std::fmod(cycles * static_cast<double>(start), 1.0));
    for (std::size_t k = start; k < std::min(count, start + kRun); ++k) {
      sum += std::complex<double>(z[k]) * phasor;
      phasor *= turn;
    }
  }
  return std::norm(sum);
}

double parabola_vertex(double left, double centre, double right) {
  const double curvature = left - 2.0 * centre + right;
  return curvature < 0.0 ? std::clamp(0.5 * (left - right) / curvature, -1.0, 1.0) : 0.0;
}

}  // namespace

FrequencyEstimate FrequencyEstimator::operator()(const Field<float>& symbols, std::size_t first,
                                                 std::size_t last) const {
  if (last <= first) return {};
  if (last - first > p_.longest) {
    first += (last - first - p_.longest) / 2;
    last = first + p_.longest;
  }
  const std::size_t count = last - first, padded = std::bit_ceil(2 * count);
  const Fft<float>& fft = fft_.get<float>(padded);
  std::array<ComplexRow<float>, 2> fourth;
  std::vector<double> power(padded);
  for (std::size_t p = 0; p < 2; ++p) {
    fourth[p] = fourth_powers(*symbols.rows()[p], first, count, padded);
    ComplexRow<float> spectrum = fourth[p];
    fft.forward(spectrum);
    for (std::size_t k = 0; k < padded; ++k) power[k] += std::norm(spectrum[k]);
  }
  const auto top = static_cast<std::size_t>(std::max_element(power.begin(), power.end()) - power.begin());
  double mean = 0.0;
  for (const double v : power) mean += v / static_cast<double>(padded);

  // Two parabolas: through the padded bins, then through points a tenth as far apart.
  const double bin = 1.0 / static_cast<double>(padded);
  double cycles =
      bin_frequency(top, padded, 1.0) +
      bin * parabola_vertex(power[(top + padded - 1) % padded], power[top], power[(top + 1) % padded]);
  const auto both = [&](double f) {
    return periodogram(fourth[0], count, f) + periodogram(fourth[1], count, f);
  };
  const double near = 0.1 * bin;
  cycles += near * parabola_vertex(both(cycles - near), both(cycles), both(cycles + near));
  return {0.25 * cycles * symbols.sample_rate, mean > 0.0 ? power[top] / mean : 0.0};
}

Field<float> remove_frequency(Field<float> signal, double offset_hz) {
  if (offset_hz == 0.0) return signal;
  constexpr std::size_t kRun = 64;
  const double cycles = offset_hz / signal.sample_rate;
  std::array<std::complex<float>, kRun> turn;
  for (std::size_t k = 0; k < kRun; ++k)
    turn[k] = std::complex<float>(std::polar(1.0, -kTwoPi * cycles * static_cast<double>(k)));
  for (std::size_t start = 0; start < signal.size(); start += kRun) {
    const std::complex<float> base(
        std::polar(1.0, -kTwoPi * std::fmod(cycles * static_cast<double>(start), 1.0)));
    const std::size_t run = std::min(kRun, signal.size() - start);
    for (std::size_t k = 0; k < run; ++k) {
      const std::complex<float> phasor = base * turn[k];
      signal.x[start + k] *= phasor;
      signal.y[start + k] *= phasor;
    }
  }
  return signal;
}

namespace {

void remove_offset(const FrequencyEstimator& estimator, Carried& c) {
  const FrequencyEstimate estimate = estimator(c.signal, c.first(), c.last());
  if (estimate.peak_to_mean < kFrequencyLock) {
    c.result.warnings.push_back("frequency: no clear line at four times the offset, none removed");
    c.line_lost = true;
    return;
  }
  c.result.frequency_offset_hz = c.result.frequency_offset_hz.value_or(0.0) + estimate.offset_hz;
  c.carrier.cycles_per_symbol += estimate.offset_hz / c.symbol_rate;
  c.signal = remove_frequency(std::move(c.signal), estimate.offset_hz);
}

}  // namespace

Block frequency_block(const BlockSetting& setting) {
  const FrequencyEstimator estimator(setting.fft());
  Block block;
  block.apply = [estimator](Carried& c) { remove_offset(estimator, c); };
  block.cost = cost_of(rotation_operations());
  return block;
}

}  // namespace cohlink
