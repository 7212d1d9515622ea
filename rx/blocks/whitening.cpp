#include "rx/blocks/whitening.h"

#include <algorithm>
#include <cmath>
#include <complex>

#include "rx/rows/row_operations.h"

namespace cohlink {

std::optional<JonesMatrix> whitening(const Field<float>& signal, std::size_t from, std::size_t to) {
  constexpr double kUnequal = 4.0, kDead = 1000.0;
  const std::size_t count = std::min(to, signal.size()) - from;
  const Correlation both =
      correlation(Row(signal.x).subspan(from, count), Row(signal.y).subspan(from, count));
  const double x = both.of_y, y = both.of_a;
  const std::complex<double> shared = both.cross;
  const double mean = 0.5 * (x + y), apart = std::hypot(0.5 * (x - y), std::abs(shared)), most = mean + apart,
               least = mean - apart;
  if (!(least > 0.0) || most < kUnequal * least || most > kDead * least) return std::nullopt;
  // The inverse of the root of a 2x2 matrix C, (C + s) / sqrt(tr C + 2 s) with s = sqrt(det C).
  const double s = std::sqrt(most * least), scale = std::sqrt(mean / (x + y + 2.0 * s)) / s;
  return JonesMatrix{scale * (y + s), -scale * shared, -scale * std::conj(shared), scale * (x + s)};
}

Field<float> through(const JonesMatrix& m, Field<float> signal) {
  for (std::size_t n = 0; n < signal.size(); ++n) {
    const std::complex<double> x(signal.x[n]), y(signal.y[n]);
    signal.x[n] = std::complex<float>(m.xx * x + m.xy * y);
    signal.y[n] = std::complex<float>(m.yx * x + m.yy * y);
  }
  return signal;
}

EqualiserTaps taps_before(const JonesMatrix& m, const EqualiserTaps& taps) {
  const std::complex<double> matrix[2][2] = {{m.xx, m.xy}, {m.yx, m.yy}};
  EqualiserTaps out = taps;
  for (std::size_t i = 0; i < 2; ++i)
    for (std::size_t j = 0; j < 2; ++j)
      for (std::size_t n = 0; n < taps[i][j].size(); ++n)
        out[i][j][n] = std::complex<float>(std::complex<double>(taps[i][0][n]) * matrix[0][j] +
                                           std::complex<double>(taps[i][1][n]) * matrix[1][j]);
  return out;
}

}  // namespace cohlink
