// Converter, driver, modulator, lane errors and launch amplifier of the transmitter.
#include "sim/transmitter/transmitter.h"

#include <doctest/doctest.h>

#include <cmath>

#include "sim/electronics/lanes.h"
#include "sim/signal/units.h"
#include "tests/ffts.h"

using namespace cohlink;
using test::ffts;
using Complex = std::complex<double>;

namespace {

constexpr std::size_t kSamples = 4096;
constexpr double kRate = 128e9;

Field<double> tone(int cycles, double amplitude = 1.0) {
  Field<double> field(kSamples, kRate);
  for (std::size_t t = 0; t < kSamples; ++t)
    field.x[t] = field.y[t] = std::polar(amplitude, kTwoPi * cycles * static_cast<double>(t) / kSamples);
  return field;
}

Complex line(const ComplexRow<double>& row, int cycles) {
  Complex sum = 0;
  for (std::size_t t = 0; t < row.size(); ++t)
    sum += row[t] * std::polar(1.0 / row.size(), -kTwoPi * cycles * static_cast<double>(t) / row.size());
  return sum;
}

TransmitterParameters small() {
  TransmitterParameters p;
  p.symbols = 1024;
  return p;
}

// Error of `field` against g times `reference`, best complex g, over the reference [dB].
double distance_db(const ComplexRow<double>& field, const ComplexRow<double>& reference) {
  Complex cross = 0;
  double power = 0, rest = 0;
  for (std::size_t t = 0; t < field.size(); ++t) {
    cross += field[t] * std::conj(reference[t]);
    power += std::norm(reference[t]);
  }
  for (std::size_t t = 0; t < field.size(); ++t) rest += std::norm(field[t] - cross / power * reference[t]);
  return to_db(rest / (std::norm(cross) / power) + 1e-40);
}

}  // namespace

TEST_CASE("modulator: an interferometer is two arms between two couplers, to 1e-12") {
  // Independent form: [1 i; i 1]/sqrt(2) couplers with uneven arms. The coupler halves give amplitudes a, b
  // with a + b = 1 and a - b = g at the port where the arms add.
  for (const double extinction : {15.0, 25.0, 400.0}) {
    const double g = std::pow(10.0, -extinction / 20.0), a = (1 + g) / 2, b = (1 - g) / 2;
    for (int k = -40; k <= 40; ++k) {
      const double phase = 0.17 * k;
      const Complex expected = a * std::exp(Complex(0, phase / 2)) + b * std::exp(Complex(0, -phase / 2));
      CHECK(std::abs(mach_zehnder(phase, g) - expected) < 1e-12);
    }
  }
}

TEST_CASE("modulator: static extinction of inner and outer interferometers equals the key") {
  IqModulatorParameters p;
  const double g = std::pow(10.0, -22.0 / 20.0);
  double high = 0, low = 1;
  for (int k = 0; k <= 4000; ++k) {
    const double power = std::norm(mach_zehnder(kTwoPi * k / 4000.0, g));
    high = std::max(high, power);
    low = std::min(low, power);
  }
  CHECK(to_db(high / low) == doctest::Approx(22.0).epsilon(1e-9));
  // Outer: both children open, the outer phase turned a full circle.
  p.outer_arm_error = g;
  high = 0, low = 1;
  for (int k = 0; k <= 4000; ++k) {
    p.phase_error = kTwoPi * k / 4000.0;
    const double power = std::norm(IqTransfer(p)({p.v_pi, p.v_pi}));
    high = std::max(high, power);
    low = std::min(low, power);
  }
  CHECK(to_db(high / low) == doctest::Approx(22.0).epsilon(1e-9));
}

TEST_CASE("modulator: the IQ transfer is sine over sine in quadrature, with bias errors where stated") {
  IqModulatorParameters p;
  p.v_pi = 3.5;
  p.power_transmission = from_db(-6.0);
  for (const Complex volt : {Complex(0, 0), Complex(3.5, -3.5), Complex(1.2, 0.4), Complex(-5.0, 2.0)}) {
    const Complex expected = std::sqrt(from_db(-6.0)) * 0.5 *
                             Complex(std::sin(kPi * volt.real() / 7.0), std::sin(kPi * volt.imag() / 7.0));
    CHECK(std::abs(IqTransfer(p)(volt) - expected) < 1e-12);
  }
  // At full swing of both children 3 dB are left to the quadrature.
  CHECK(to_db(std::norm(IqTransfer(p)({3.5, 3.5}))) == doctest::Approx(-9.0103).epsilon(1e-4));
  p.bias_error_i = 10.0 * kPi / 180.0;
  p.phase_error = 4.0 * kPi / 180.0;
  CHECK(std::abs(IqTransfer(p)({0, 0}) - 0.5 * std::sqrt(from_db(-6.0)) * std::sin(5.0 * kPi / 180.0)) <
        1e-12);
  p.bias_error_i = 0.0;
  CHECK(std::arg(IqTransfer(p)({0, 1})) == doctest::Approx(94.0 * kPi / 180.0).epsilon(1e-12));
}

TEST_CASE("modulator: the IQ transfer of a row is that of each sample, its sum that of the negatives") {
  IqModulatorParameters p{3.5, 0.2, -0.1, 0.05, 0.03, 0.07, 0.4};
  const IqTransfer transfer(p);
  ComplexRow<double> row(1029);
  RandomStreams(1).stream("test").fill_noise(0, 1.0, std::span(row));
  const ComplexRow<double> drive = row;
  const Complex sum = transfer(row, 2.3);
  double worst = 0.0;
  Complex of_negatives = 0.0;
  for (std::size_t t = 0; t < row.size(); ++t) {
    worst = std::max(worst, std::abs(row[t] - transfer(2.3 * drive[t])));
    of_negatives += transfer(-2.3 * drive[t]);
  }
  CHECK(worst < 2e-15);  // rounding of a few operations on values below one
  CHECK(std::abs(sum - of_negatives) < 1e-12);
}

TEST_CASE(
    "modulator: bias control nulls the carrier that finite extinction leaves; its errors bring it back") {
  RandomStream random = RandomStreams(3).stream("drive");
  Field<double> drive(4096, 64e9);
  for (auto* row : drive.rows())  // each value with its negative: the drive has no mean of its own
    for (std::size_t n = 0; n < row->size(); n += 2) {
      (*row)[n] = random.complex_normal();
      (*row)[n + 1] = -(*row)[n];
    }
  const double g = std::pow(10.0, -25.0 / 20.0);
  ModulatorParameters p;
  p.kind = ModulatorKind::kIq;
  p.iq.inner_arm_error = g;
  const auto carrier = [&] {
    Field<double> light = drive;
    return modulate(light, {std::vector<double>(light.size(), 0.0), {}}, p, std::sqrt(2.0), 1e-3).carrier;
  };
  const auto left = carrier();
  p.bias_control = true;
  const auto nulled = carrier();
  p.iq.bias_error_i = 3.0 * kPi / 180.0;
  const auto missed = carrier();
  p.bias_control = false;
  p.iq.inner_arm_error = 0.0;
  const auto without_leak = carrier();
  for (std::size_t pol = 0; pol < 2; ++pol) {
    // Each child leaks g <cos a> into the other's quadrature, a Gaussian of variance v = (pi / 8)^2 (1 V
    // rms, 4 V of V_pi): <cos a> = exp(-v/2), and the signal's <sin^2 a> = (1 - exp(-2v)) / 2. The moments of
    // 4096 values are their own to 3 %.
    const double v = kPi * kPi / 64.0;
    const double expected = g * g * std::exp(-v) / (0.5 * (1.0 - std::exp(-2.0 * v)));
    CHECK(std::abs(to_db(left[pol] / expected)) < 0.3);
    CHECK(nulled[pol] < 1e-25);
    // An error of the bias leaves the same carrier beside the null as beside a perfect child.
    CHECK(std::abs(to_db(missed[pol] / without_leak[pol])) < 0.3);
  }
}

TEST_CASE("modulator: arcsine predistortion removes the compression") {
  TransmitterParameters p = small();
  p.modulation = Modulation::kQam16;
  const auto ideal = transmit(p, RandomStreams(1), ffts()).field.x;
  p.modulator.kind = ModulatorKind::kIq;
  p.driver.input_rms = 0.06;  // 0.6 V rms into V_pi = 4 V: no peak reaches V_pi
  const double compressed = distance_db(transmit(p, RandomStreams(1), ffts()).field.x, ideal);
  p.modulator.predistortion = true;
  const double straight = distance_db(transmit(p, RandomStreams(1), ffts()).field.x, ideal);
  CHECK(compressed > -45.0);
  CHECK(straight < -200.0);
  // The compression is of third order: a tenth of the drive, 40 dB less of it.
  p.modulator.predistortion = false;
  p.driver.input_rms = 0.006;
  CHECK(distance_db(transmit(p, RandomStreams(1), ffts()).field.x, ideal) ==
        doctest::Approx(compressed - 40.0).epsilon(0.03));
}

TEST_CASE("gain and phase errors of the transmitter give the textbook image ratio") {
  LaneErrorParameters lanes;
  lanes.iq_gain_db = 1.0;
  ModulatorParameters modulator;
  modulator.iq.phase_error = 5.0 * kPi / 180.0;
  Field<double> field = tone(37);
  apply_lane_errors(field, lanes, ffts());
  modulate(field, {std::vector<double>(kSamples, 0.0), {}}, modulator, 1.0, 1e-3);
  const double g = std::pow(10.0, 1.0 / 20.0), c = std::cos(5.0 * kPi / 180.0);
  const double expected = (1 + g * g - 2 * g * c) / (1 + g * g + 2 * g * c);
  CHECK(std::abs(to_db(std::norm(line(field.x, -37)) / std::norm(line(field.x, 37))) - to_db(expected)) <
        0.05);
  CHECK(std::norm(line(field.x, -37)) + std::norm(line(field.x, 37)) ==
        doctest::Approx(0.5e-3).epsilon(1e-9));  // power kept
}

TEST_CASE("skews delay Q against I and Y against X") {
  LaneErrorParameters p;
  p.iq_skew = 0.75e-12;
  p.xy_skew = 5e-12;
  const Field<double> before = tone(300);
  Field<double> after = before;
  apply_lane_errors(after, p, ffts());
  const double w = kTwoPi * 300 * kRate / kSamples;
  const auto delay = [&](std::size_t pol, bool q) {
    const auto tone_of = [&](const Field<double>& f) {
      Complex sum = 0;
      const auto lane = lane_of(*f.rows()[pol], q);
      for (std::size_t t = 0; t < kSamples; ++t)
        sum += lane[t] * std::polar(1.0, -kTwoPi * 300.0 * t / kSamples);
      return sum;
    };
    return std::arg(tone_of(before) / tone_of(after)) / w;
  };
  CHECK(std::abs(delay(0, false)) < 1e-18);
  CHECK(delay(0, true) == doctest::Approx(0.75e-12).epsilon(1e-6));
  CHECK(delay(1, false) == doctest::Approx(5e-12).epsilon(1e-6));
  CHECK(delay(1, true) == doctest::Approx(5.75e-12).epsilon(1e-6));
}

TEST_CASE("an X/Y power imbalance keeps the launch power, whatever the modulator") {
  for (const ModulatorKind kind : {ModulatorKind::kIdeal, ModulatorKind::kIq}) {
    ModulatorParameters p;
    p.kind = kind;
    p.xy_power_ratio = from_db(1.5);
    Field<double> field = tone(7, 0.2);
    const ModulatedLight light = modulate(field, {std::vector<double>(kSamples, 0.0), {}}, p, 1.0, 25e-3);
    CHECK(to_db(mean_power(field.x) / mean_power(field.y)) == doctest::Approx(1.5).epsilon(1e-9));
    CHECK(mean_power(field) * light.power_gain ==
          doctest::Approx(kind == ModulatorKind::kIdeal ? 1e-3 : 25e-3).epsilon(1e-9));
  }
}

TEST_CASE("DAC: hold droops as sinc and leaves images; its path is 3 dB down where stated") {
  DacParameters p;
  p.sample_rate = kRate / 2;  // 64 GSa/s on a grid of 128
  Field<double> field = tone(400);
  convert_to_analogue(field, p, RandomStreams(1), ffts());
  const auto sinc = [](double x) { return std::sin(kPi * x) / (kPi * x); };
  const double f = 400.0 / 2048.0;  // of the converter's rate
  CHECK(std::abs(line(field.x, 400) - sinc(f)) < 1e-12);
  CHECK(std::abs(line(field.x, 400 - 2048) - sinc(f - 1)) < 1e-12);
  p = {};
  p.bandwidth = 400 * kRate / kSamples;
  field = tone(400);
  convert_to_analogue(field, p, RandomStreams(1), ffts());
  CHECK(to_db(std::norm(line(field.x, 400))) == doctest::Approx(-3.0103).epsilon(1e-4));
}

TEST_CASE("DAC: pre-emphasis undoes hold and bandwidth up to its limit") {
  DacParameters p;
  p.sample_rate = 64e9;
  p.bandwidth = 16e9;
  const auto at = [&](int cycles) {
    Field<double> field = tone(cycles);
    convert_to_analogue(field, p, RandomStreams(1), ffts());
    return line(field.x, cycles);
  };
  const double drooped = std::abs(at(500));  // 15.6 GHz
  CHECK(drooped < 0.7);
  p.preemphasis_db = 20.0;
  CHECK(std::abs(at(500) - 1.0) < 1e-9);
  p.preemphasis_db = 2.0;
  CHECK(std::abs(at(500)) == doctest::Approx(drooped * from_db(1.0)).epsilon(1e-9));
  CHECK(std::abs(at(20) - 1.0) < 1e-9);  // where less is enough
}

TEST_CASE("DAC: bits and effective bits give their SNR on a full-scale sine, and clipping is counted") {
  const auto snr_db = [](std::optional<double> enob, int bits) {
    DacParameters p;
    p.quantiser = QuantiserParameters{bits, enob};
    p.loading = amplitude_from_db(
        -3.1103);  // a sine whose peak stays 0.1 dB below full scale, clear of the upper rail
    Field<double> field = tone(401);
    convert_to_analogue(field, p, RandomStreams(2), ffts());
    double rest = 0;
    const Complex a = line(field.x, 401);
    for (std::size_t t = 0; t < kSamples; ++t)
      rest += std::norm(field.x[t] - a * std::polar(1.0, kTwoPi * 401.0 * t / kSamples));
    return to_db(std::norm(a) * kSamples / rest);
  };
  // The power of 2 x 4096 samples of noise is uncertain by sqrt(2 / 8192), 0.068 dB; four of them are
  // allowed.
  CHECK(std::abs(snr_db({}, 8) - (6.0206 * 8 + 1.76 - 0.1)) < 0.27);
  CHECK(std::abs(snr_db(5.5, 8) - (6.0206 * 5.5 + 1.76 - 0.1)) < 0.27);
  DacParameters p;
  p.quantiser = QuantiserParameters{6, {}};
  p.loading = 1.0;
  Field<double> field = tone(401);
  // rms at full scale: a sine is beyond it for half of its time.
  CHECK(convert_to_analogue(field, p, RandomStreams(1), ffts()).clipped_samples ==
        doctest::Approx(2 * 2 * kSamples / 2).epsilon(0.05));
}

TEST_CASE("driver: never beyond its saturation, linear far below") {
  DriverParameters p;
  p.saturation = 2.0;  // one unit of drive is sqrt(2) V
  Field<double> field = tone(3, 10.0);
  amplify_drive(field, p);
  for (const auto& z : field.x) CHECK(std::abs(z.real()) * p.volt_per_unit() <= 2.0);
  field = tone(3, 0.05);
  amplify_drive(field, p);
  CHECK(std::abs(field.x[0].real() - 0.05) < 1e-7);
}

TEST_CASE(
    "launch: any modulator leaves at the launch power; its amplifier makes the transmitter OSNR finite") {
  TransmitterParameters p = small();
  p.launch_power = 2e-3;
  CHECK(transmit(p, RandomStreams(1), ffts()).noise_psd == 0.0);
  p.modulator.kind = ModulatorKind::kIq;
  CHECK(mean_power(transmit(p, RandomStreams(1), ffts()).field) == doctest::Approx(2e-3).epsilon(1e-9));
  p.modulator.iq.power_transmission = from_db(-10.0);
  p.launch_noise_factor = from_db(5.0);
  const TransmittedFrame noisy = transmit(p, RandomStreams(1), ffts());
  p.launch_noise_factor.reset();
  const TransmittedFrame quiet = transmit(p, RandomStreams(1), ffts());
  double noise = 0;
  for (std::size_t t = 0; t < noisy.field.size(); ++t)
    noise += std::norm(noisy.field.x[t] - quiet.field.x[t]);
  noise /= static_cast<double>(noisy.field.size()) * noisy.field.sample_rate;
  CHECK(noise == doctest::Approx(noisy.noise_psd).epsilon(4 / std::sqrt(noisy.field.size())));
  // 58 dB rule: power into the amplifier - NF + 57.95 dB.
  const double into = 40e-3 * from_db(-10.0) * mean_power(quiet.field) / 2e-3;  // bounded by the laser's
  const double osnr = to_db(p.launch_power / (2 * noisy.noise_psd * kOsnrBandwidthHz));
  CHECK(osnr < watt_to_dbm(into) - 5.0 + 57.96);
  CHECK(osnr > 30.0);
}

TEST_CASE("launch: what converter and driver take from the drive is made up for") {
  TransmitterParameters p = small();
  const double clean = mean_power(transmit(p, RandomStreams(1), ffts()).field);
  p.dac.bandwidth = 14e9;  // takes 2 dB
  p.driver.saturation = 2.0;
  CHECK(mean_power(transmit(p, RandomStreams(1), ffts()).field) == doctest::Approx(clean).epsilon(1e-12));
}

TEST_CASE("laser intensity noise reaches the transmitted power") {
  TransmitterParameters p = small();
  p.laser.rin = from_db(-120.0);
  const TransmittedFrame noisy = transmit(p, RandomStreams(1), ffts());
  p.laser.rin.reset();
  const TransmittedFrame quiet = transmit(p, RandomStreams(1), ffts());
  for (std::size_t t = 0; t < noisy.field.size(); t += 97)
    CHECK(std::norm(noisy.field.y[t]) ==
          doctest::Approx(std::norm(quiet.field.y[t]) * noisy.laser.relative_power[t]));
}
