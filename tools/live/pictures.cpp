#include "tools/live/pictures.h"

#include <algorithm>
#include <cmath>

namespace cohlink::live {
namespace {

constexpr std::size_t kStretch = 16;   // symbols in which a carrier 1 GHz off turns by half a turn at 32 GBd
constexpr std::size_t kLooked = 1024;  // symbols from which a response is taken

// Whole symbols that lie within the row, `edge` more left out at both ends: [first, last).
struct Middle {
  std::size_t first, last;
  std::size_t count() const { return last - first; }
};

Middle middle(std::size_t samples, double samples_per_symbol, std::size_t most, std::size_t edge) {
  const auto symbols = static_cast<std::size_t>(static_cast<double>(samples) / samples_per_symbol);
  if (symbols <= 2 * edge) return {0, 0};
  const std::size_t count = std::min(most, symbols - 2 * edge);
  const std::size_t first = (symbols - count) / 2;
  return {first, first + count};
}

void to_unit_power(std::array<Points, 2>& rows) {
  const double power = 0.5 * (mean_power(rows[0]) + mean_power(rows[1]));
  if (!(power > 0.0)) return;
  const auto factor = static_cast<float>(1.0 / std::sqrt(power));
  for (Points& row : rows)
    for (auto& z : row) z *= factor;
}

// The row at `count` instants, from `start` [samples] on, `step` apart.
ComplexRow<float> sampled(const Interpolator& interpolate, const ComplexRow<float>& row, double start,
                          double step, std::size_t count) {
  std::vector<double> at(count);
  for (std::size_t i = 0; i < count; ++i) at[i] = start + step * static_cast<double>(i);
  return interpolate(row, at);
}

Points as_points(const ComplexRow<float>& row) { return {row.begin(), row.end()}; }

// Highest sum of squares over all four, in symbols off the middle.
double best_delay(const Response& response) {
  std::size_t best = kReach * kPhasesPerSymbol;
  double most = 0.0;
  for (std::size_t m = 0; m < kResponse; ++m) {
    double sum = 0.0;
    for (const auto& to : response)
      for (const auto& from : to) sum += static_cast<double>(from[m]) * from[m];
    if (sum > most * (1.0 + 1e-6)) most = sum, best = m;
  }
  return static_cast<double>(best) / kPhasesPerSymbol - static_cast<double>(kReach);
}

}  // namespace

std::array<float, kResponse> response_of(const ComplexRow<float>& wave, const std::complex<double>* sent,
                                         std::size_t symbols) {
  std::array<float, kResponse> response{};
  const double power = mean_power(wave);
  const std::size_t stretches = symbols / kStretch;
  if (!(power > 0.0) || stretches == 0) return response;
  for (std::size_t m = 0; m < kResponse; ++m) {
    double sum = 0.0, all = 0.0;
    for (std::size_t s = 0; s < stretches; ++s) {
      std::complex<double> inner = 0.0;
      for (std::size_t k = s * kStretch; k < (s + 1) * kStretch; ++k) {
        const std::complex<double> y(wave[m + k * kPhasesPerSymbol]);
        inner += y * std::conj(sent[k]);
        all += std::norm(y * sent[k]);
      }
      sum += std::norm(inner);
    }
    // Of unrelated rows the square comes to `all`, which is what chance gives.
    const double squared = (sum - all) / (static_cast<double>(stretches) * kStretch * (kStretch - 1) * power);
    response[m] = static_cast<float>(std::sqrt(std::max(0.0, squared)));
  }
  return response;
}

const Interpolator& PictureMaker::interpolator_of(double samples_per_symbol) {
  const double edge = std::min(0.45, 0.5 * (1.0 + roll_off_) / samples_per_symbol);
  return interpolators_.try_emplace(samples_per_symbol, edge).first->second;
}

Picture PictureMaker::operator()(const Field<float>& signal, const Truth* truth, bool all_samples,
                                 bool with_eye) {
  Picture picture;
  const double rate = picture.samples_per_symbol = signal.sample_rate / symbol_rate_;
  const auto rows = signal.rows();
  const bool between = rate > 1.01;  // samples between symbols
  const Middle looked = middle(signal.size(), rate, kLooked, 2 * kReach + 16);
  if (between && looked.count() == kLooked && truth != nullptr && truth->symbols[1].size() >= looked.last) {
    const Interpolator& interpolate = interpolator_of(rate);
    const double step = rate / kPhasesPerSymbol;
    for (std::size_t p = 0; p < 2; ++p) {
      const auto wave = sampled(interpolate, *rows[p], static_cast<double>(looked.first - kReach) * rate,
                                step, (kLooked + 2 * kReach) * kPhasesPerSymbol);
      for (std::size_t q = 0; q < 2; ++q)
        picture.response[p][q] = response_of(wave, truth->symbols[q].data() + looked.first, kLooked);
    }
    picture.timing = best_delay(picture.response);
  }
  if (!between || all_samples) {
    const std::size_t count = std::min(kMostPoints, signal.size()), first = (signal.size() - count) / 2;
    for (std::size_t p = 0; p < 2; ++p)
      picture.points[p].assign(rows[p]->data() + first, rows[p]->data() + first + count);
  }
  if (between) {
    const Interpolator& interpolate = interpolator_of(rate);
    const Middle shown = middle(signal.size(), rate, kMostPoints, 2 * kReach + 16);
    const double start = (static_cast<double>(shown.first) + picture.timing) * rate;
    for (std::size_t p = 0; p < 2; ++p) {
      if (!all_samples)
        picture.points[p] = as_points(sampled(interpolate, *rows[p], start, rate, shown.count()));
      if (with_eye && shown.count() > kEyeSymbols)
        picture.eye[p] =
            as_points(sampled(interpolate, *rows[p], start, rate / kEyePhases, kEyeSymbols * kEyePhases));
    }
    to_unit_power(picture.eye);
  }
  to_unit_power(picture.points);
  return picture;
}

}  // namespace cohlink::live
