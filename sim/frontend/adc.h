// Gain control, sampling at any rate and quantising.
#pragma once

#include <array>
#include <cstdint>
#include <optional>
#include <vector>

#include "sim/signal/fft.h"
#include "sim/signal/field.h"

namespace cohlink {

struct AdcParameters {
  double sample_rate = 64e9;  // Hz
  int bits = 8;               // 2 to 16
  double loading_db = -11.0;  // rms of a lane relative to full scale
  std::optional<double>
      bandwidth;  // Hz, fourth-order Bessel before the sampler; absent = flat, cut at half the rate
};

/// What the converter gives: codes of lanes XI XQ YI YQ, their scale, and how many samples were clipped.
struct AdcOutput {
  std::array<std::vector<std::int16_t>, 4> lanes;
  std::array<double, 4> ampere_per_code;
  std::uint64_t clipped_samples = 0;
};

/// One period of a periodic row, taken at another rate by exact band-limited interpolation. `response` is
/// applied first. The output has floor(n rate / input rate) samples, the first at the same time as the first
/// input sample. What the response leaves above half the output rate aliases, as in a sampler.
ComplexRow<double> sample_row(const ComplexRow<double>& row, double input_rate, const AdcParameters& adc,
                              FftCache& fft);

/// Samples both polarisations, sets each lane's gain to the loading, quantises by rounding to
/// 2^bits levels and clips; codes are in -2^(bits-1) .. 2^(bits-1)-1.
AdcOutput convert(const Field<double>& currents, const AdcParameters& adc, FftCache& fft);

}  // namespace cohlink
