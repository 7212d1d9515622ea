#include "rx/blocks/polarisation.h"

#include <cmath>

#include "rx/stage/block.h"
#include "sim/signal/scenario/errors.h"

namespace cohlink {
namespace {

const Jones& jones_at_carrier(const Truth* truth) {
  if (truth == nullptr || truth->jones.empty())
    throw InputError("genie-polarisation needs the path's Jones matrix, which this capture does not have");
  std::size_t nearest = 0;
  for (std::size_t i = 1; i < std::min(truth->jones.size(), truth->jones_frequency_hz.size()); ++i)
    if (std::abs(truth->jones_frequency_hz[i]) < std::abs(truth->jones_frequency_hz[nearest])) nearest = i;
  return truth->jones[nearest];
}

}  // namespace

Field<float> genie_polarisation(const Field<float>& signal, const Truth* truth) {
  const Jones& j = jones_at_carrier(truth);
  const std::complex<double> determinant = j[0][0] * j[1][1] - j[0][1] * j[1][0];
  if (!(std::abs(determinant) > 0.0)) throw InputError("genie-polarisation: the Jones matrix is singular");
  // The adjugate over the root of |det|: a unitary path keeps the power.
  const std::complex<double> scale = std::sqrt(std::abs(determinant)) / determinant;
  const std::complex<float> xx(j[1][1] * scale), xy(-j[0][1] * scale), yx(-j[1][0] * scale),
      yy(j[0][0] * scale);
  Field<float> out(signal.size(), signal.sample_rate);
  for (std::size_t n = 0; n < signal.size(); ++n) {
    out.x[n] = xx * signal.x[n] + xy * signal.y[n];
    out.y[n] = yx * signal.x[n] + yy * signal.y[n];
  }
  return out;
}

Field<float> decimate(const Field<float>& signal, std::size_t m) {
  Field<float> out((signal.size() + m - 1) / m, signal.sample_rate / static_cast<double>(m));
  for (std::size_t k = 0; k < out.size(); ++k) {
    out.x[k] = signal.x[k * m];
    out.y[k] = signal.y[k * m];
  }
  return out;
}

Block genie_polarisation_block(const BlockSetting&) {
  Block block;
  block.apply = [](Carried& c) {
    if (c.result.one_polarisation)
      throw InputError("genie-polarisation needs both polarisations, X alone was recorded");
    c.result.used_known_data.push_back("genie-polarisation");
    c.signal = genie_polarisation(c.signal, c.truth);
  };
  return block;
}

Block decimate_block(const BlockSetting&) {
  Block block;
  block.apply = [](Carried& c) { c.signal = decimate(c.signal, 2); };
  return block;
}

}  // namespace cohlink
