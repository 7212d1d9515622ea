#include "rx/blocks/back_propagation.h"

#include <doctest/doctest.h>

#include <cmath>
#include <stdexcept>

#include "rx/blocks/dispersion.h"
#include "rx/blocks/matched_filter.h"
#include "rx/chain/order.h"
#include "rx/receiver.h"
#include "sim/link.h"
#include "sim/signal/line/read_line.h"
#include "sim/signal/propagation/engine.h"
#include "tests/rx/generator.h"

using namespace cohlink;

namespace {

constexpr std::size_t kSymbols = 16384;

// 10 x 80 km of G.652.D, one channel, no noise.
Scenario line_scenario(double launch_dbm) {
  Scenario s;
  s.set("fibre.spans=10");
  s.set("transmitter.launch_power_dbm=" + std::to_string(launch_dbm));
  return s;
}

// The field after the line, by `steps` steps a span at `per_symbol` samples, every sample or the band that
// two samples a symbol hold.
Field<float> after_line(const Scenario& s, const test::Sent& sent, std::size_t per_symbol, int steps) {
  const NominalLine line = nominal_line(read_line(s), steps);
  Field<double> field = convert_field<double>(test::shaped(sent.symbols, per_symbol));
  const double scale = std::sqrt(line.output_power / mean_power(field));
  for (auto* row : field.rows())
    for (auto& a : *row) a *= scale;
  const FastEngine<double> engine(test::fft());
  engine(field, line.path, RandomStreams(1));
  if (per_symbol == 2) return convert_field<float>(field);
  const std::size_t n = field.size(), kept = 2 * kSymbols;
  Field<double> out(kept, 2.0 * test::kRate);
  for (std::size_t p = 0; p < 2; ++p) {
    ComplexRow<double>&spectrum = *field.rows()[p], &low = *out.rows()[p];
    test::fft().get<double>(n).forward(spectrum);
    for (std::size_t k = 0; k < kept; ++k)
      low[k] = spectrum[2 * k < kept ? k : n - kept + k] / static_cast<double>(n);
    test::fft().get<double>(kept).inverse(low);
  }
  return convert_field<float>(out);
}

// Signal over what is left beside it after the matched filter, dB, away from the ends.
double snr_db(const Field<float>& received, const test::Sent& sent, std::size_t edge) {
  const Field<float> out =
      MatchedFilter({Pulse::kRrc, 0.1, test::kRate}, received.sample_rate, test::fft())(received);
  double error = 0.0, power = 0.0;
  for (std::size_t p = 0; p < 2; ++p) {
    std::complex<double> gain = 0.0;
    const auto count = static_cast<double>(kSymbols - 2 * edge);
    for (std::size_t k = edge; k < kSymbols - edge; ++k)
      gain += std::complex<double>((*out.rows()[p])[2 * k]) * std::conj(sent.symbols[p][k]) / count;
    for (std::size_t k = edge; k < kSymbols - edge; ++k) {
      error += std::norm(std::complex<double>((*out.rows()[p])[2 * k]) - gain * sent.symbols[p][k]);
      power += std::norm(gain);
    }
  }
  return to_db(power / error);
}

double after_back_propagation(const Scenario& s, const Field<float>& received, const test::Sent& sent,
                              int steps, double margin = 2e9) {
  const NominalLine line = nominal_line(read_line(s), steps);
  const BackPropagation block({line.path, line.output_power, 2.0 * test::kRate, 17.6e9, margin}, test::fft());
  CHECK(block.steps() == static_cast<std::size_t>(10 * steps));
  return snr_db(block(received), sent, block.reach() / 2 + 20);
}

double after_dispersion(const Field<float>& received, const test::Sent& sent) {
  const DispersionEqualiser block(
      {accumulated_to_beta2_length(17.0 * 800.0), 2.0 * test::kRate, 17.6e9, 2e9, 3.2e9}, test::fft());
  return snr_db(block(received), sent, block.reach() / 2 + 20);
}

}  // namespace

TEST_CASE(
    "back-propagation in the forward run's own band gains without bound: 12 dB and more for twice the "
    "steps") {
  // Forward at two samples a symbol with 64 steps a span and the block keeps all of that band, so that no
  // Kerr product is lost: what is left is the error of the coarser steps. Of second order, it falls by 12 dB
  // when they are XX
  const Scenario s = line_scenario(10.0);
  const test::Sent sent = test::random_symbols(Modulation::kQam16, kSymbols);
  const Field<float> received = after_line(s, sent, 2, 64);
  double before = after_dispersion(received, sent);
  std::string curve = "dispersion alone " + std::to_string(before);
  std::array<double, 4> snr{};
  for (std::size_t i = 0; i < snr.size(); ++i) {
    const int steps = 4 << i;
    snr[i] = after_back_propagation(s, received, sent, steps, 14.4e9);
    curve += ", " + std::to_string(steps) + ": " + std::to_string(snr[i]);
    CHECK(snr[i] > before);
    before = snr[i];
  }
  MESSAGE(curve);
  CHECK(snr[1] - snr[0] > 12.0);
  CHECK(snr[3] > 40.0);
}

TEST_CASE(
    "back-propagation of a channel at 6 dBm: a little with one step a span, tens of decibels with four") {
  // Forward at four samples a symbol, 20 steps a span; the receiver has two. No noise, so only the steps'
  // error and the Kerr products outside the receiver's band are left. One step of 80 km gains 1.2 dB here,
  // four 28.6 dB.
  const Scenario s = line_scenario(6.0);
  const test::Sent sent = test::random_symbols(Modulation::kQam16, kSymbols);
  const Field<float> received = after_line(s, sent, 4, 20);
  const double linear = after_dispersion(received, sent);
  const double one = after_back_propagation(s, received, sent, 1),
               four = after_back_propagation(s, received, sent, 4),
               sixteen = after_back_propagation(s, received, sent, 16);
  MESSAGE("SNR after dispersion alone " << linear << " dB; with 1, 4, 16 steps a span " << one << ", " << four
                                        << ", " << sixteen);
  CHECK(one > linear + 1.0);
  CHECK(four > linear + 25.0);
  CHECK(sixteen > four);
}

TEST_CASE("back-propagation in the receiver gains on a capture that the whole link made") {
  // 10 spans at 4 dBm with their amplifiers' noise, blind receiver: the scenario alone tells the block its
  // line. By the same line without noise (above) it has some dB to gain; noise, signal-noise products and the
  // receiver's bandwidth leave a part.
  Scenario s = line_scenario(4.0);
  for (const char* setting : {"run.fft_planning=estimated", "signal.modulation=16qam", "signal.symbols=32768",
                              "run.samples_per_symbol=4", "amplifier.noise_figure_db=5"})
    s.set(setting);
  const Capture capture = Link(s, test::fft())(0);
  const auto received = [&](const std::string& block, int steps) {
    Scenario r = s;
    r.set("dsp.chain=resample,frequency," + block + ",clock,matched-filter,equaliser,frequency,phase");
    r.set("dsp.back_propagation_steps=" + std::to_string(steps));
    const ReceiverResult result = Receiver(r, test::fft())(capture);
    REQUIRE(result.score);
    CHECK(result.used_known_data.empty());
    return result.snr_db;
  };
  const double linear = received("dispersion", 1), one = received("back-propagation", 1),
               eight = received("back-propagation", 8);
  MESSAGE("SNR with dispersion alone " << linear << " dB, back-propagation of 1 and 8 steps a span " << one
                                       << ", " << eight);
  CHECK(one > linear + 0.3);
  CHECK(eight > linear + 1.5);
}

TEST_CASE("back-propagation stands in dispersion's place, not beside it") {
  CHECK(chain_fault({"resample", "back-propagation", "equaliser"}).empty());
  CHECK(chain_fault({"resample", "dispersion", "back-propagation", "equaliser"}).find("place") !=
        std::string::npos);
  CHECK_THROWS_AS(BackPropagation({{}, 0.0, 64e9, 17.6e9}, test::fft()), std::invalid_argument);
}
