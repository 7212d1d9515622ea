#include "rx/blocks/lanes.h"

#include <Eigen/Dense>
#include <algorithm>
#include <array>
#include <cmath>
#include <cstdint>
#include <span>
#include <string>

#include "rx/blocks/operations.h"
#include "rx/rows/vectors.h"
#include "rx/stage/block.h"
#include "sim/signal/scenario/errors.h"

namespace cohlink {
namespace {

// Sums of the parts of a row: kParts of one length and, last, what is left.
constexpr std::size_t kParts = 32;
using PartSums = std::array<double, kParts + 1>;

// visit(part, from, count): samples.
template <class Visit>
void for_parts(std::size_t size, const Visit& visit) {
  const std::size_t length = size / kParts;
  for (std::size_t part = 0; part < kParts; ++part) visit(part, part * length, length);
  visit(kParts, kParts * length, size - kParts * length);
}

// The mean of `size` samples where it is more than so many of its standard deviations, as the means of parts
// have them, else nothing.
double significant_mean(const PartSums& parts, std::size_t size, double deviations) {
  double sum = 0.0, squares = 0.0;
  for (std::size_t part = 0; part < kParts; ++part) sum += parts[part], squares += parts[part] * parts[part];
  constexpr double kCount = kParts;
  const double deviation = std::sqrt(std::max(0.0, squares - sum * sum / kCount) * kCount / (kCount - 1.0));
  return std::abs(sum) >= deviations * deviation ? (sum + parts[kParts]) / static_cast<double>(size) : 0.0;
}

// The mean of `lane(n)`, n below `size`, where it stands out from what the signal's own share in it may be,
// else nothing.
template <class Lane>
double offset_of(std::size_t size, const Lane& lane) {
  constexpr double kDeviations = 4.0;
  PartSums sums{};
  for_parts(size, [&](std::size_t part, std::size_t from, std::size_t count) {
    for (std::size_t n = from; n < from + count; ++n) sums[part] += lane(n);
  });
  return significant_mean(sums, size, kDeviations);
}

void check_lanes(const Capture& capture) {
  if (capture.samples() == 0) throw InputError("the capture holds no samples");
  if (!(capture.sample_rate > 0.0) || !std::isfinite(capture.sample_rate))
    throw InputError("the capture's sample rate is not a positive number");
}

void scale(Field<float>& signal, double factor) {
  for (auto* row : signal.rows())
    for (auto& a : *row) a *= static_cast<float>(factor);
}

// Unit mean power in each of so many rows.
Field<float> at_unit_power(Field<float> signal, std::size_t polarisations) {
  const double power = mean_power(signal);
  if (!(power > 0.0) || !std::isfinite(power)) throw InputError("the capture's lanes are silent");
  scale(signal, std::sqrt(static_cast<double>(polarisations) / power));
  return signal;
}

// Sums of i^2, q^2 and i q.
struct Moments {
  double ii = 0.0, qq = 0.0, iq = 0.0;
};

COHLINK_VECTOR_CLONES
Moments moments(const std::complex<float>* row, std::size_t count) {
  using namespace vectors;
  constexpr std::size_t kRun = 64 * kWidth;  // summed in single precision
  Moments total;
  for (std::size_t start = 0; start < count; start += kRun) {
    Floats ii = {}, qq = {}, iq = {};
    for (std::size_t n = start; n < std::min(count, start + kRun); n += kWidth) {
      const ComplexFloats a = load_complex(row + n, count - n);
      ii += a.re * a.re, qq += a.im * a.im, iq += a.re * a.im;
    }
    const FourFloats of = sums(ii, qq, iq, iq);
    total.ii += static_cast<double>(of[0]);
    total.qq += static_cast<double>(of[1]);
    total.iq += static_cast<double>(of[2]);
  }
  return total;
}

// i *= gain_i, q += from_i i, with the i before, then q *= gain_q.
COHLINK_VECTOR_CLONES
void mix(std::complex<float>* row, std::size_t count, float gain_i, float gain_q, float from_i) {
  using namespace vectors;
  for (std::size_t n = 0; n < count; n += kWidth) {
    const ComplexFloats a = load_complex(row + n, count - n);
    store_complex(row + n, {gain_i * a.re, gain_q * (a.im + from_i * a.re)}, count - n);
  }
}

void orthonormalise_row(ComplexRow<float>& row) {
  constexpr double kDead = 1e-9, kDeviations = 2.5;
  double power = 0.0;
  PartSums squares{}, products{};
  for_parts(row.size(), [&](std::size_t part, std::size_t from, std::size_t count) {
    const Moments of = moments(row.data() + from, count);
    power += of.ii + of.qq;
    squares[part] = of.ii - of.qq;
    products[part] = of.iq;
  });
  const double half = 0.5 * power / static_cast<double>(row.size()),
               shared = significant_mean(products, row.size(), kDeviations),
               unequal = 0.5 * significant_mean(squares, row.size(), kDeviations);
  const double power_i = half + unequal, power_q = half - unequal,
               remaining_q = power_q - shared * shared / power_i;          // its projection on I gone
  if (!(power_i > kDead * half) || !(remaining_q > kDead * half)) return;  // nothing to build on
  mix(row.data(), row.size(), static_cast<float>(std::sqrt(half / power_i)),
      static_cast<float>(std::sqrt(half / remaining_q)), static_cast<float>(-shared / power_i));
}

// Least-squares conic through the row's points, scaled to unit power: coefficients of x^2, 2xy, y^2, x, y.
Eigen::Matrix<double, 5, 1> conic(const ComplexRow<float>& row, double power) {
  Eigen::Matrix<double, 5, 5> normal = Eigen::Matrix<double, 5, 5>::Zero();
  Eigen::Matrix<double, 5, 1> right = Eigen::Matrix<double, 5, 1>::Zero(), terms;
  const double scale = 1.0 / std::sqrt(power);
  for (const auto& a : row) {
    const double x = scale * a.real(), y = scale * a.imag();
    terms << x * x, 2.0 * x * y, y * y, x, y;
    normal.noalias() += terms * terms.transpose();
    right += terms;
  }
  return normal.ldlt().solve(right);
}

void fit_circle_row(ComplexRow<float>& row) {
  const double power = mean_power(row);
  if (!(power > 0.0)) return;
  const Eigen::Matrix<double, 5, 1> k = conic(row, power);
  const double a = k[0], b = k[1], c = k[2], determinant = a * c - b * b;
  if (!(a > 0.0) || !(determinant > 0.0)) return;  // no ellipse: also a row that is silent or on a line
  const double centre_x = -0.5 * (c * k[3] - b * k[4]) / determinant,
               centre_y = -0.5 * (a * k[4] - b * k[3]) / determinant;
  // x^T Q x = |G x|^2 with G lower triangular: I is only scaled, Q takes what I lends it.
  const double qq = std::sqrt(c), qi = b / qq, ii = std::sqrt(a - qi * qi), amplitude = std::sqrt(power);
  for (auto& z : row) {
    const double x = z.real() - amplitude * centre_x, y = z.imag() - amplitude * centre_y;
    z = {static_cast<float>(ii * x), static_cast<float>(qi * x + qq * y)};
  }
  const auto keep = static_cast<float>(std::sqrt(power / mean_power(row)));
  for (auto& z : row) z *= keep;
}

}  // namespace

Field<float> read_lanes(const Capture& capture) {
  check_lanes(capture);
  Field<float> signal(capture.samples(), capture.sample_rate);
  const std::size_t polarisations = capture.one_polarisation() ? 1 : 2;
  std::array<double, 4> dc;
  for (std::size_t l = 0; l < 2 * polarisations; ++l) {
    const std::span<const std::int16_t> lane = capture.lanes[l];
    dc[l] = offset_of(lane.size(), [&](std::size_t n) { return lane[n]; });
  }
  const auto rows = signal.rows();
  for (std::size_t p = 0; p < polarisations; ++p) {
    const auto in_phase = capture.lanes[2 * p], quadrature = capture.lanes[2 * p + 1];
    // Relative to lane XI, so that amperes of any size stay in comfortable floats.
    const double scale_i = capture.ampere_per_code[2 * p] / capture.ampere_per_code[0];
    const double scale_q = capture.ampere_per_code[2 * p + 1] / capture.ampere_per_code[0];
    for (std::size_t n = 0; n < signal.size(); ++n)
      (*rows[p])[n] = {static_cast<float>((in_phase[n] - dc[2 * p]) * scale_i),
                       static_cast<float>((quadrature[n] - dc[2 * p + 1]) * scale_q)};
  }
  return at_unit_power(std::move(signal), polarisations);
}

Field<float> read_lanes(Field<float> signal) {
  if (signal.size() == 0) throw InputError("the field holds no samples");
  if (!(signal.sample_rate > 0.0) || !std::isfinite(signal.sample_rate))
    throw InputError("the field's sample rate is not a positive number");
  const std::size_t polarisations = is_silent(signal.y) ? 1 : 2;
  for (auto* row : signal.rows()) {
    const auto offset = std::complex<float>(
        static_cast<float>(offset_of(row->size(), [&](std::size_t n) { return (*row)[n].real(); })),
        static_cast<float>(offset_of(row->size(), [&](std::size_t n) { return (*row)[n].imag(); })));
    for (auto& a : *row) a -= offset;
  }
  return at_unit_power(std::move(signal), polarisations);
}

bool is_silent(const ComplexRow<float>& row) {
  return std::all_of(row.begin(), row.end(), [](const auto& a) { return a == 0.0f; });
}

Field<float> fit_circle(Field<float> signal) {
  for (auto* row : signal.rows()) fit_circle_row(*row);
  return signal;
}

Field<float> orthonormalise(Field<float> signal) {
  for (auto* row : signal.rows()) orthonormalise_row(*row);
  return signal;
}

Block orthonormalise_block(const BlockSetting& setting) {
  const bool circular = setting.scenario.text("dsp.iq_correction") == "circular-fit";
  Block block;
  block.apply = [correct = circular ? fit_circle : orthonormalise](Carried& c) {
    c.signal = correct(std::move(c.signal));
  };
  const Operations a_sample = circular ? circular_fit_operations() : orthonormalise_operations();
  block.cost = [a_sample, rate = setting.symbol_rate()](double adc_rate, std::size_t) {
    return adc_rate / rate * a_sample;
  };
  return block;
}

}  // namespace cohlink
