// The signal kit: units, FFT, pulses, constellations, PRBS, random streams, interpolation.
#include <doctest/doctest.h>

#include <cmath>
#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <iterator>
#include <thread>

#include "sim/signal/constellation.h"
#include "sim/signal/execution/fft.h"
#include "sim/signal/interpolate.h"
#include "sim/signal/prbs.h"
#include "sim/signal/pulse.h"
#include "sim/signal/random.h"
#include "sim/signal/units.h"

using namespace cohlink;
using Complex = std::complex<double>;

namespace {

Symbols random_qpsk(std::size_t count, std::uint64_t seed) {
  auto random = RandomStreams(seed).stream("bits-x");
  Bits bits(2 * count);
  for (auto& bit : bits) bit = static_cast<std::uint8_t>(random.bits() & 1);
  return map_bits(Modulation::kQpsk, bits, false);
}

}  // namespace

TEST_CASE("units: trade values to SI and back") {
  CHECK(dbm_to_watt(0.0) == doctest::Approx(1e-3).epsilon(1e-15));
  CHECK(watt_to_dbm(dbm_to_watt(-17.3)) == doctest::Approx(-17.3).epsilon(1e-13));
  CHECK(std::exp(-db_per_km_to_per_m(0.2) * 50e3) == doctest::Approx(0.1).epsilon(1e-13));
  CHECK(beta2_length_to_accumulated(accumulated_to_beta2_length(1234.5)) ==
        doctest::Approx(1234.5).epsilon(1e-13));
}

TEST_CASE("FFT: inverse of forward is n times the identity, in both precisions and any length") {
  FftCache fft(FftPlanning::kEstimate, "");
  for (const std::size_t n : {std::size_t{1}, std::size_t{30}, std::size_t{1009}, std::size_t{4096}}) {
    ComplexRow<double> row(n);
    ComplexRow<float> single(n);
    for (std::size_t i = 0; i < n; ++i)
      single[i] = std::complex<float>(row[i] = Complex(std::sin(i + 0.5), std::cos(3.0 * i)));
    const ComplexRow<double> before = row;
    fft.get<double>(n).forward(row);
    fft.get<double>(n).inverse(row);
    fft.get<float>(n).forward(single);
    fft.get<float>(n).inverse(single);
    for (std::size_t i = 0; i < n; ++i) {
      CHECK(std::abs(row[i] / static_cast<double>(n) - before[i]) < 1e-13);
      CHECK(std::abs(Complex(single[i]) / static_cast<double>(n) - before[i]) < 2e-6);
    }
  }
}

TEST_CASE("FFT: forward is exp(-i w t), so a positive tone lands in its positive bin") {
  FftCache fft(FftPlanning::kEstimate, "");
  ComplexRow<double> row(64);
  for (std::size_t i = 0; i < 64; ++i) row[i] = std::polar(1.0, kTwoPi * 5.0 * static_cast<double>(i) / 64.0);
  fft.get<double>(64).forward(row);
  CHECK(std::abs(row[5] - 64.0) < 1e-12);
  CHECK(bin_frequency(5, 64, 64.0) == 5.0);
  CHECK(bin_frequency(32, 64, 64.0) == -32.0);
  CHECK(bin_frequency(63, 64, 64.0) == -1.0);
}

TEST_CASE("FFT: planning and executing from many threads at once gives the same numbers") {
  FftCache fft(FftPlanning::kMeasure, "");
  std::array<ComplexRow<double>, 8> rows;
  std::vector<std::thread> threads;
  for (auto& row : rows) {
    threads.emplace_back([&] {
      row.assign(1536, Complex(0.0));
      row[7] = 1.0;
      fft.get<double>(1536).forward(row);
    });
  }
  for (auto& thread : threads) thread.join();
  for (const auto& row : rows) CHECK(row == rows[0]);
}

TEST_CASE("FFT: measured plans leave wisdom in the folder they are given, and opting out leaves none") {
  const auto folder = std::filesystem::temp_directory_path() / "cohlink-wisdom-test";
  std::filesystem::remove_all(folder);
  { FftCache(FftPlanning::kMeasure, folder.string()).get<double>(256); }
  CHECK(std::filesystem::exists(folder / "fftw-double-256.wisdom"));
  CHECK(std::distance(std::filesystem::directory_iterator(folder), {}) == 1);  // nothing half-written
  std::filesystem::remove_all(folder);
  { FftCache(FftPlanning::kMeasure, "").get<double>(512); }
  CHECK_FALSE(std::filesystem::exists(folder));
  CHECK(FftCache::default_wisdom_folder().empty());  // tests run with COHLINK_WISDOM=off
}

TEST_CASE("FFT: a plan that cannot be kept is the estimated one, and a kept one is never replaced") {
  const auto folder = std::filesystem::temp_directory_path() / "cohlink-wisdom-kept-test";
  std::filesystem::remove_all(folder);
  const auto transformed = [](FftPlanning planning, const std::string& where) {
    ComplexRow<double> row(4096);
    RandomStream random(5);
    for (auto& a : row) a = random.complex_normal();
    FftCache(planning, where).get<double>(row.size()).forward(row);
    return row;
  };
  const auto bytes = [&] {
    std::ifstream file(folder / "fftw-double-4096.wisdom");
    return std::string(std::istreambuf_iterator<char>(file), {});
  };
  std::ofstream(folder) << "a file where the folder should be";
  CHECK(transformed(FftPlanning::kMeasure, folder.string()) == transformed(FftPlanning::kEstimate, ""));
  std::filesystem::remove_all(folder);

  const auto first = transformed(FftPlanning::kMeasure, folder.string());
  const std::string kept = bytes();
  CHECK_FALSE(kept.empty());
  CHECK(transformed(FftPlanning::kMeasure, folder.string()) == first);
  CHECK(bytes() == kept);
  std::ofstream(folder / "fftw-double-4096.wisdom") << "damaged";
  transformed(FftPlanning::kMeasure, folder.string());
  CHECK(bytes().starts_with("(fftw"));
  std::filesystem::remove_all(folder);
}

TEST_CASE("RRC: shaping then matched filtering is free of intersymbol interference") {
  FftCache fft(FftPlanning::kEstimate, "");
  for (const double roll_off : {0.05, 0.2, 1.0}) {
    const PulseShape shape{Pulse::kRrc, roll_off, 32e9};
    const Symbols symbols = random_qpsk(1024, 3);
    ComplexRow<double> row = shape_symbols(symbols, shape, 4, fft);
    fft.get<double>(row.size()).forward(row);
    for (std::size_t k = 0; k < row.size(); ++k)
      row[k] *= pulse_spectrum(shape, bin_frequency(k, row.size(), 128e9));
    fft.get<double>(row.size()).inverse(row);
    Complex gain = 0.0;
    for (std::size_t k = 0; k < symbols.size(); ++k) gain += row[4 * k] * std::conj(symbols[k]);
    gain /= static_cast<double>(symbols.size());
    for (std::size_t k = 0; k < symbols.size(); ++k) CHECK(std::abs(row[4 * k] / gain - symbols[k]) < 1e-12);
  }
}

TEST_CASE("shaped symbols have unit mean power within the spread of their data") {
  FftCache fft(FftPlanning::kEstimate, "");
  for (const Pulse pulse : {Pulse::kRrc, Pulse::kNrz}) {
    const PulseShape shape{pulse, 0.1, 32e9};
    const double power = mean_power(shape_symbols(random_qpsk(65536, 4), shape, 2, fft));
    // Power of a frame fluctuates through chance correlation of neighbouring symbols: below 1/sqrt(symbols).
    CHECK(power == doctest::Approx(1.0).epsilon(3.0 / 256.0));
  }
}

TEST_CASE("a wrong decision of differential coding costs the bits that counting by hand gives") {
  // QPSK: one bit in its symbol, one in the next. 16QAM, the neighbours of the four points of a quadrant:
  // eight within the quadrant cost 1 bit; across an axis the two of the inner point cost those 2, and the two
  // of the points beside it, whose inner bits are then read exchanged, 4: (8 x 1 + 2 x 4 + 2 x 16) / (8 + 2 x
  // 2 + 2 x 4).
  CHECK(error_bunching(Modulation::kQpsk, true) == doctest::Approx(2.0));
  CHECK(error_bunching(Modulation::kQam16, true) == doctest::Approx(2.4));
  CHECK(error_bunching(Modulation::kQam16, false) == 1.0);
  CHECK(error_bunching(Modulation::kGaussian, true) == 1.0);
}

TEST_CASE("differential theory agrees with counting, QPSK and 16QAM") {
  for (const Modulation m : {Modulation::kQpsk, Modulation::kQam16}) {
    const double snr = from_db(m == Modulation::kQpsk ? 8.0 : 14.0);
    const auto per_symbol = static_cast<std::size_t>(bits_per_symbol(m));
    auto data = RandomStreams(7).stream("bits");
    auto noise = RandomStreams(7).stream("noise");
    Bits bits(per_symbol * 200000);
    for (auto& bit : bits) bit = static_cast<std::uint8_t>(data.bits() & 1);
    Symbols symbols = map_bits(m, bits, true);
    for (auto& s : symbols) s += noise.complex_normal() / std::sqrt(snr);
    const Bits decided = decide_bits(m, symbols, true);
    double errors = 0;
    for (std::size_t i = 0; i < bits.size(); ++i) errors += bits[i] != decided[i];
    const double expected = theory_ber_differential(m, snr) * static_cast<double>(bits.size());
    // Errors come in pairs (a wrong quadrant spoils two symbols): up to twice the binomial variance.
    CHECK(std::abs(errors - expected) < 3.3 * std::sqrt(2.0 * expected));
  }
}

TEST_CASE("interpolation between samples is band-limited to better than -130 dB") {
  FftCache fft(FftPlanning::kEstimate, "");
  constexpr std::size_t n = 512;
  // Random spectrum out to the last bin below Nyquist.
  auto random = RandomStreams(12).stream("noise");
  ComplexRow<double> spectrum(n);
  for (std::size_t k = 0; k < n; ++k)
    spectrum[k] = k == n / 2 ? Complex(0) : random.complex_normal() / std::sqrt(n);
  const PeriodicInterpolator interpolate(spectrum, fft);
  double error = 0, power = 0;
  for (int trial = 0; trial < 300; ++trial) {
    const double t = random.uniform() * 3 * n - n;  // also outside the first period
    Complex exact = 0;
    for (std::size_t k = 0; k < n; ++k)
      exact += spectrum[k] * std::polar(1.0, kTwoPi * bin_frequency(k, n, 1.0) * t);
    error += std::norm(interpolate(t) - exact);
    power += std::norm(exact);
  }
  CHECK(to_db(error / power) < -130.0);
}
