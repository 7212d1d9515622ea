#include "rx/lanes.h"

#include <cmath>
#include <string>

#include "sim/signal/errors.h"

namespace cohlink {
namespace {

double mean_of(const std::vector<std::int16_t>& lane) {
  double sum = 0.0;
  for (const auto code : lane) sum += code;
  return sum / static_cast<double>(lane.size());
}

void check_lanes(const Capture& capture) {
  if (capture.samples() == 0) throw InputError("the capture holds no samples");
  for (std::size_t l = 1; l < 4; ++l)
    if (capture.lanes[l].size() != capture.samples())
      throw InputError(std::string("lane ") + Capture::kLaneNames[l] + " has " +
                       std::to_string(capture.lanes[l].size()) + " samples, lane XI " +
                       std::to_string(capture.samples()));
  if (!(capture.sample_rate > 0.0) || !std::isfinite(capture.sample_rate))
    throw InputError("the capture's sample rate is not a positive number");
}

void scale(Field<float>& signal, double factor) {
  for (auto* row : signal.rows())
    for (auto& a : *row) a *= static_cast<float>(factor);
}

void orthonormalise_row(ComplexRow<float>& row) {
  double power_i = 0.0, power_q = 0.0, shared = 0.0;
  for (const auto& a : row) {
    power_i += static_cast<double>(a.real()) * a.real();
    power_q += static_cast<double>(a.imag()) * a.imag();
    shared += static_cast<double>(a.real()) * a.imag();
  }
  const double remaining_q = power_q - shared * shared / power_i;  // of Q after its projection on I is gone
  if (!(power_i > 0.0) || !(remaining_q > 0.0)) return;            // a dead lane: nothing to build on
  const double half = 0.5 * (power_i + power_q);
  const auto gain_i = static_cast<float>(std::sqrt(half / power_i));
  const auto gain_q = static_cast<float>(std::sqrt(half / remaining_q));
  const auto projection = static_cast<float>(shared / power_i);
  for (auto& a : row) a = {gain_i * a.real(), gain_q * (a.imag() - projection * a.real())};
}

}  // namespace

Field<float> read_lanes(const Capture& capture) {
  check_lanes(capture);
  Field<float> signal(capture.samples(), capture.sample_rate);
  std::array<double, 4> dc;
  for (std::size_t l = 0; l < 4; ++l) dc[l] = mean_of(capture.lanes[l]);
  const auto rows = signal.rows();
  for (std::size_t p = 0; p < 2; ++p) {
    const auto &in_phase = capture.lanes[2 * p], &quadrature = capture.lanes[2 * p + 1];
    // Relative to lane XI, so that amperes of any size stay in comfortable floats.
    const double scale_i = capture.ampere_per_code[2 * p] / capture.ampere_per_code[0];
    const double scale_q = capture.ampere_per_code[2 * p + 1] / capture.ampere_per_code[0];
    for (std::size_t n = 0; n < signal.size(); ++n)
      (*rows[p])[n] = {static_cast<float>((in_phase[n] - dc[2 * p]) * scale_i),
                       static_cast<float>((quadrature[n] - dc[2 * p + 1]) * scale_q)};
  }
  const double power = mean_power(signal);
  if (!(power > 0.0) || !std::isfinite(power)) throw InputError("the capture's lanes are silent");
  scale(signal, std::sqrt(2.0 / power));
  return signal;
}

Field<float> orthonormalise(Field<float> signal) {
  for (auto* row : signal.rows()) orthonormalise_row(*row);
  return signal;
}

}  // namespace cohlink
