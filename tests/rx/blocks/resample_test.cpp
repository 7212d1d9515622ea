#include "rx/blocks/resample.h"

#include <doctest/doctest.h>

#include <cmath>
#include <vector>

#include "tests/rx/generator.h"

using namespace cohlink;

namespace {

constexpr double kBand = 17.6e9;  // 32 GBd, roll-off 0.1

// The same sum of tones within +-band, sampled at any rate: what perfect resampling would give.
Field<float> tones(double rate, std::size_t samples, double band) {
  RandomStream random = test::stream("tones");
  Field<double> out(samples, rate);
  for (int t = 0; t < 40; ++t) {
    const double frequency = (2.0 * random.uniform() - 1.0) * band, phase = kTwoPi * random.uniform();
    for (std::size_t n = 0; n < samples; ++n) {
      const double turns = std::fmod(frequency / rate * static_cast<double>(n), 1.0);
      out.x[n] += std::polar(1.0, kTwoPi * turns + phase);
      out.y[n] += std::polar(0.5, kTwoPi * turns - phase);
    }
  }
  return convert_field<float>(out);
}

double worst_error_db(double input_rate, std::size_t input_samples) {
  const Resampler resampler({64e9, kBand, 4e9});
  const Field<float> out = resampler(tones(input_rate, input_samples, kBand));
  const auto edge = static_cast<std::size_t>(std::ceil(resampler.edge(input_rate) * 64e9)) + 1;
  return test::error_db(out, tones(64e9, out.size(), kBand), edge, out.size() - edge);
}

// Power of row X at `frequency`, by a Hann-windowed sum over the middle.
double power_at(const Field<float>& in, double frequency, std::size_t edge) {
  std::complex<double> sum = 0.0;
  double weight = 0.0;
  const auto count = static_cast<double>(in.size() - 2 * edge);
  for (std::size_t n = edge; n < in.size() - edge; ++n) {
    const double w = 0.5 - 0.5 * std::cos(kTwoPi * (static_cast<double>(n - edge) + 0.5) / count);
    const double turns = std::fmod(frequency / in.sample_rate * static_cast<double>(n), 1.0);
    sum += w * std::complex<double>(in.x[n]) * std::polar(1.0, -kTwoPi * turns);
    weight += w;
  }
  return std::norm(sum) / (weight * weight);
}

Field<float> tone(double rate, std::size_t samples, double frequency) {
  Field<float> out(samples, rate);
  for (std::size_t n = 0; n < samples; ++n)
    out.x[n] = std::complex<float>(
        std::polar(1.0, kTwoPi * std::fmod(frequency / rate * static_cast<double>(n), 1.0)));
  return out;
}

}  // namespace

TEST_CASE("1.25 samples a symbol become 2 within -60 dB, timing kept") {
  CHECK(worst_error_db(40e9, 10000) < -60.0);
}

TEST_CASE("Any other ratio, rational or not, resamples within -60 dB") {
  CHECK(worst_error_db(50e9, 10000) < -60.0);
  CHECK(worst_error_db(80e9, 10000) < -60.0);
  CHECK(worst_error_db(128e9, 10000) < -60.0);
  CHECK(worst_error_db(256e9, 20000) < -60.0);
  CHECK(worst_error_db(64e9 * 1.0000371, 10000) < -60.0);
  CHECK(worst_error_db(44.1234567e9, 10000) < -60.0);
}

TEST_CASE("The band is flat within 0.01 dB to its edge and images are 70 dB down") {
  const Resampler resampler({64e9, kBand, 4e9});
  for (const double rate : {40e9, 50e9, 92.3456789e9}) {
    const auto edge = static_cast<std::size_t>(resampler.edge(rate) * 64e9) + 1;
    for (const double frequency : {-17.6e9, -9e9, 0.1e9, 12e9, 17.6e9}) {
      const Field<float> out = resampler(tone(rate, 8000, frequency));
      CHECK(std::abs(to_db(power_at(out, frequency, edge))) < 0.01);
      for (const double image : {frequency + rate, frequency - rate})
        if (std::abs(image) < 32e9) CHECK(to_db(power_at(out, image, edge)) < -70.0);
    }
  }
}

TEST_CASE("What would fold onto the band when the rate falls is 70 dB down") {
  const Resampler resampler({64e9, kBand, 4e9});
  const auto edge = static_cast<std::size_t>(resampler.edge(128e9) * 64e9) + 1;
  for (const double frequency : {46.4e9, 50e9, 60e9, -55e9}) {
    const Field<float> out = resampler(tone(128e9, 8000, frequency));
    CHECK(to_db(power_at(out, frequency > 0 ? frequency - 64e9 : frequency + 64e9, edge)) < -70.0);
  }
}

TEST_CASE("Equal rates pass through untouched") {
  const Field<float> in = tones(64e9, 1000, kBand);
  const Field<float> out = Resampler({64e9, kBand, 4e9})(in);
  CHECK(out.x == in.x);
  CHECK(out.y == in.y);
}
