#include "rx/blocks/equaliser.h"

#include <doctest/doctest.h>

#include <cmath>
#include <stdexcept>

#include "rx/blocks/butterfly.h"
#include "rx/blocks/frequency.h"
#include "rx/blocks/matched_filter.h"
#include "rx/blocks/phase.h"
#include "rx/blocks/widely_linear.h"
#include "rx/quality/alignment.h"
#include "rx/quality/score.h"
#include "tests/rx/generator.h"

using namespace cohlink;

namespace {

constexpr std::size_t kSymbols = 16384;

struct Trial {
  test::Sent sent;
  Field<float> received;  // two samples a symbol, matched-filtered
};

// Two rotations with a delay between them, the second by this angle and retardance, and the carrier's offset.
struct Path {
  double angle, retardance, dgd_s, offset_hz;
};

// A 2x2 channel, noise of Es/N0 = snr_db, then the matched filter.
Trial make_trial(Modulation modulation, double snr_db, const Path& path, std::uint64_t frame = 0) {
  const auto [angle, retardance, dgd_s, offset_hz] = path;
  Trial trial{test::random_symbols(modulation, kSymbols, frame), {}};
  Field<float> field = test::through(test::rotation(0.5, 0.1), test::shaped(trial.sent.symbols, 2));
  Field<double> wide = convert_field<double>(field);
  const std::size_t n = wide.size();
  const Fft<double>& transform = test::fft().get<double>(n);
  for (auto* row : wide.rows()) {
    const double delay = row == &wide.x ? 0.5 * dgd_s : -0.5 * dgd_s;
    transform.forward(*row);
    for (std::size_t k = 0; k < n; ++k)
      (*row)[k] *= std::polar(1.0 / static_cast<double>(n), -kTwoPi * bin_frequency(k, n, 64e9) * delay);
    transform.inverse(*row);
  }
  field = test::through(test::rotation(angle, retardance), convert_field<float>(wide));
  // Unit power over two samples a symbol: white noise of twice the power per sample gives Es/N0.
  test::add_noise(field, 2.0 * from_db(-snr_db), frame);
  field = remove_frequency(std::move(field), -offset_hz);
  trial.received = MatchedFilter({Pulse::kRrc, 0.1, test::kRate}, 64e9, test::fft())(field);
  return trial;
}

EqualiserParameters parameters(Modulation modulation, EqualiserRule rule) {
  EqualiserParameters p;
  p.modulation = modulation;
  p.rule = rule;
  return p;
}

// Penalty of the equaliser's output against the noise put in, dB, from the data-aided SNR; 99 when not
// locked.
double penalty_db(const Trial& trial, const EqualiserParameters& p, double snr_db,
                  const std::array<Symbols, 2>* training = nullptr) {
  const std::size_t edge = 200;
  const EqualiserResult out = Equaliser(p, test::fft())(trial.received, edge, kSymbols - edge, {training});
  const double offset = FrequencyEstimator(test::fft())(out.symbols, edge, kSymbols - edge).offset_hz;
  PhaseParameters phase;
  phase.modulation = p.modulation;
  const PhaseResult recovered =
      PhaseRecovery(phase)(remove_frequency(out.symbols, offset), edge, kSymbols - edge, nullptr, offset);
  Truth truth;
  truth.bits = trial.sent.bits;
  truth.symbols = trial.sent.symbols;
  std::vector<std::string> warnings;
  const auto score = score_symbols({recovered.symbols, edge, kSymbols - edge}, truth, {p.modulation, false},
                                   test::fft(), warnings);
  return score ? snr_db - score->snr_db : 99.0;
}

// Most that an equaliser of 2 x 15 taps may lose: least mean squares' misadjustment, half the step times the
// taps' input power (B. Widrow et al., Proc. IEEE 64(8) 1151, 1976), and four standard errors of an SNR from
// this many symbols of two rows.
double most_lost_db() {
  const EqualiserParameters usual;
  return to_db(1.0 + 0.5 * usual.step * 2.0 * usual.taps) +
         4.0 * 10.0 / std::log(10.0) / std::sqrt(2.0 * kSymbols);
}

}  // namespace

TEST_CASE("Constant modulus separates any rotation of QPSK") {
  RandomStream random = test::stream("rotations");
  for (std::uint64_t t = 0; t < 12; ++t) {
    CAPTURE(t);
    const Trial trial = make_trial(Modulation::kQpsk, 10.0,
                                   {kTwoPi * random.uniform(), kTwoPi * random.uniform(), 0.0, 1e8}, t);
    CHECK(penalty_db(trial, parameters(Modulation::kQpsk, EqualiserRule::kConstantModulus), 10.0) <
          most_lost_db());
  }
}

TEST_CASE("Every rule undoes 40 ps of DGD and a rotation") {
  const Trial qpsk = make_trial(Modulation::kQpsk, 10.0, {0.8, 2.0, 40e-12, 1e8});
  const Trial qam = make_trial(Modulation::kQam16, 16.0, {0.8, 2.0, 40e-12, 1e8});
  CHECK(penalty_db(qpsk, parameters(Modulation::kQpsk, EqualiserRule::kConstantModulus), 10.0) <
        most_lost_db());
  CHECK(penalty_db(qpsk, parameters(Modulation::kQpsk, EqualiserRule::kDecisionDirected), 10.0) <
        most_lost_db());
  CHECK(penalty_db(qam, parameters(Modulation::kQam16, EqualiserRule::kDecisionDirected), 16.0) <
        most_lost_db());
  CHECK(penalty_db(qam, parameters(Modulation::kQam16, EqualiserRule::kRadiusDirected), 16.0) <
        most_lost_db());
}

TEST_CASE("the turn follows a steady rotation with the lag of a first-order loop") {
  // Without noise and with taps that stand still: in a block of n symbols at a rate of r rad a symbol in
  // Jones space the loop makes up for n r when the block's mean error is r / step (first-order loop under a
  // ramp; S. Haykin, Adaptive Filter Theory, ch. on tracking). That angle is what an output has of the other
  // signal.
  constexpr double kRatePerSymbol = 4e-4;  // rad in Stokes space: 12.8 Mrad/s
  const auto sent = test::random_symbols(Modulation::kQpsk, kSymbols).symbols;
  Field<float> turning(2 * kSymbols, 2 * test::kRate);
  for (std::size_t n = 0; n < turning.size(); ++n) {
    const double angle = 0.25 * kRatePerSymbol * static_cast<double>(n);
    const auto x = sent[0][n / 2], y = sent[1][n / 2];
    turning.x[n] = std::complex<float>(std::cos(angle) * x + std::sin(angle) * y);
    turning.y[n] = std::complex<float>(std::cos(angle) * y - std::sin(angle) * x);
  }
  EqualiserParameters p = parameters(Modulation::kQpsk, EqualiserRule::kConstantModulus);
  p.step = 1e-7;
  const EqualiserResult out = Equaliser(p, test::fft())(turning, 0, kSymbols);
  // Least squares of either output to both signals.
  std::complex<double> cross = 0.0, of[2] = {};
  for (std::size_t k = 1024; k < kSymbols - 1024; ++k) {
    cross += std::conj(sent[0][k]) * sent[1][k];
    for (std::size_t i = 0; i < 2; ++i)
      of[i] += std::conj(sent[i][k]) * std::complex<double>(out.symbols.x[k]);
  }
  const double count = static_cast<double>(kSymbols - 2048);
  const double first = std::abs(of[0] - cross * of[1] / count),
               second = std::abs(of[1] - std::conj(cross) * of[0] / count);
  const double lag = 0.5 * kRatePerSymbol / p.turn_step;
  CHECK(std::min(first, second) / std::max(first, second) == doctest::Approx(std::tan(lag)).epsilon(0.03));
}

TEST_CASE("Known symbols start the equaliser with X on X") {
  const Trial trial = make_trial(Modulation::kQam16, 16.0, {2.1, 1.0, 40e-12, 3e8});
  std::array<Symbols, 2> training;
  for (std::size_t p = 0; p < 2; ++p)
    training[p].assign(trial.sent.symbols[p].begin(), trial.sent.symbols[p].begin() + 2000);
  CHECK(penalty_db(trial, parameters(Modulation::kQam16, EqualiserRule::kDecisionDirected), 16.0, &training) <
        most_lost_db());
  const EqualiserResult out = Equaliser(parameters(Modulation::kQam16, EqualiserRule::kDecisionDirected),
                                        test::fft())(trial.received, 200, kSymbols - 200, {&training});
  const Alignment alignment = align(out.symbols, 200, kSymbols - 200, trial.sent.symbols, test::fft());
  CHECK(alignment.source == std::array<int, 2>{0, 1});
  CHECK(alignment.delay == std::array<long, 2>{0, 0});
}

TEST_CASE("500 known symbols are enough for any rotation with 60 ps of DGD") {
  RandomStream random = test::stream("trained");
  for (std::uint64_t t = 0; t < 8; ++t) {
    CAPTURE(t);
    const Trial trial = make_trial(Modulation::kQam16, 16.0,
                                   {kTwoPi * random.uniform(), kTwoPi * random.uniform(), 60e-12, 1e8}, t);
    std::array<Symbols, 2> training;
    for (std::size_t p = 0; p < 2; ++p)
      training[p].assign(trial.sent.symbols[p].begin(),
                         trial.sent.symbols[p].begin() + 700);  // 200 lost to edges
    CHECK(penalty_db(trial, parameters(Modulation::kQam16, EqualiserRule::kDecisionDirected), 16.0,
                     &training) < most_lost_db());
  }
}

TEST_CASE("Two outputs on one polarisation are detected") {
  const auto sent = test::random_symbols(Modulation::kQpsk, kSymbols);
  // A polariser: only one source reaches the receiver, on both rows, and no restart can find a second.
  const Trial trial = make_trial(Modulation::kQpsk, 15.0, {0.0, 0.0, 0.0, 0.0});
  Field<float> one = trial.received;
  one.y = one.x;
  const EqualiserResult out = Equaliser(parameters(Modulation::kQpsk, EqualiserRule::kConstantModulus),
                                        test::fft())(one, 200, kSymbols - 200);
  CHECK(out.singular);
  CHECK(out.singularities >= 1);
}

TEST_CASE("Row correlation tells one source from two, whatever the delay and carrier") {
  const auto sent = test::random_symbols(Modulation::kQpsk, 4096);
  Field<float> field = test::at_symbol_rate(sent.symbols);
  // 512-symbol runs of unrelated rows correlate by 1/sqrt(512) = 0.044 each, 0.04 on average.
  CHECK(row_correlation(field, 100, 4000, 8) < 0.1);
  for (std::size_t k = 3; k < 4096; ++k) field.y[k] = field.x[k - 3] * std::complex<float>(0.0f, 1.0f);
  CHECK(row_correlation(field, 100, 4000, 8) > 0.95);
}

TEST_CASE("Y's orthogonal filters give the other polarisation of a lossless channel") {
  // Undo the channel with X's filters by conjugation and let Y be made from X: no noise, no adaptation.
  const auto sent = test::random_symbols(Modulation::kQpsk, 1024);
  const Jones j = test::rotation(0.7, 1.1);
  const Field<float> received = test::through(j, test::shaped(sent.symbols, 2, 1.0));
  const ButterflyInput in(received, 7, 0, 1024);
  Butterfly filters(7);
  filters.set_centre(0, std::complex<float>(std::conj(j[0][0])), std::complex<float>(std::conj(j[1][0])));
  filters.make_y_orthogonal_to_x();
  ButterflyBlock out;
  filters.filter(in, 512, out);
  std::complex<double> own = 0.0, other = 0.0;
  const Field<float> clean = test::shaped(sent.symbols, 2, 1.0);
  for (std::size_t s = 0; s < ButterflyBlock::kSize; ++s) {
    const std::complex<double> y(out.re[1][s], out.im[1][s]);
    own += y * std::conj(std::complex<double>(clean.y[2 * (512 + s)]));
    other += std::norm(y);
  }
  double clean_power = 0.0;
  for (std::size_t s = 0; s < ButterflyBlock::kSize; ++s) clean_power += std::norm(clean.y[2 * (512 + s)]);
  CHECK(std::abs(own) / std::sqrt(std::abs(other) * clean_power) > 0.99999);
}

TEST_CASE("The equaliser refuses parameters that make no filter") {
  EqualiserParameters p;
  p.taps = 8;
  CHECK_THROWS_AS(Equaliser(p, test::fft()), std::invalid_argument);
  p.taps = 15;
  p.step = 0.0;
  CHECK_THROWS_AS(Equaliser(p, test::fft()), std::invalid_argument);
  p.step = 1e-3;
  p.modulation = Modulation::kGaussian;
  p.rule = EqualiserRule::kDecisionDirected;
  CHECK_THROWS_AS(Equaliser(p, test::fft()), std::invalid_argument);
}

namespace {

// I and Q of both rows `skew_s` apart (Q late) and `phase` short of a right angle: a transmitter's modulator.
Field<float> with_iq_errors(const Field<float>& in, double skew_s, double phase) {
  Field<double> wide = convert_field<double>(in);
  const std::size_t n = wide.size();
  const Fft<double>& transform = test::fft().get<double>(n);
  for (auto* row : wide.rows()) {
    ComplexRow<double> i_lane(n), q_lane(n);
    for (std::size_t t = 0; t < n; ++t) i_lane[t] = (*row)[t].real(), q_lane[t] = (*row)[t].imag();
    transform.forward(q_lane);
    for (std::size_t k = 0; k < n; ++k)
      q_lane[k] *=
          std::polar(1.0 / static_cast<double>(n), -kTwoPi * bin_frequency(k, n, in.sample_rate) * skew_s);
    transform.inverse(q_lane);
    for (std::size_t t = 0; t < n; ++t)
      (*row)[t] =
          i_lane[t].real() + q_lane[t].real() * std::complex<double>(std::sin(phase), std::cos(phase));
  }
  return convert_field<float>(wide);
}

// Q later than I [s] and out of its right angle [rad].
struct IqErrors {
  double skew_s, phase;
};

// Errors at the transmitter, a rotation, two 100 kHz lasers and an offset, errors at the receiver, noise.
Trial make_iq_trial(Modulation modulation, double snr_db, const IqErrors& transmitter,
                    const IqErrors& receiver, double tx_gain_db = 0.0) {
  Trial trial{test::random_symbols(modulation, kSymbols), {}};
  Field<float> field = test::shaped(trial.sent.symbols, 2);
  const auto stretch = static_cast<float>(from_db(0.5 * 0.5 * tx_gain_db));  // of I's amplitude; Q shrinks
  for (auto* row : field.rows())
    for (auto& a : *row) a = {a.real() * stretch, a.imag() / stretch};
  field = with_iq_errors(field, transmitter.skew_s, transmitter.phase);
  field = test::through(test::rotation(0.8, 2.0), field);
  const auto phase = test::wiener_phase(field.size(), 100e3);  // 200 kHz at two samples a symbol
  for (std::size_t n = 0; n < field.size(); ++n) {
    const std::complex<float> turn(std::polar(1.0, phase[n] + kTwoPi * 1e8 / 64e9 * static_cast<double>(n)));
    field.x[n] *= turn;
    field.y[n] *= turn;
  }
  test::add_noise(field, 2.0 * from_db(-snr_db));
  field = with_iq_errors(field, receiver.skew_s, receiver.phase);
  trial.received = MatchedFilter({Pulse::kRrc, 0.1, test::kRate}, 64e9, test::fft())(field);
  return trial;
}

EqualiserParameters widely_linear(Modulation modulation) {
  EqualiserParameters p = parameters(modulation, EqualiserRule::kDecisionDirected);
  p.widely_linear = true;
  return p;
}

}  // namespace

TEST_CASE(
    "the widely linear form removes 5 ps of skew and 10 degrees at the transmitter, the complex form "
    "cannot") {
  // Q's image: sin^2 of half the phase error, -21 dB, and of pi f skew over the band, -17 dB: together -15.5
  // dB of the signal, which a filter of the signal alone must take as noise. That costs QPSK at 10 dB
  // about 1.1 dB and 16QAM at 16 dB about 3 dB; the mirror filters' own noise and the decisions cost a few
  // tenths.
  constexpr double kSkew = 5e-12, kPhase = 10.0 * kPi / 180.0;
  for (const auto& [modulation, snr_db, complex_loses, widely_loses] :
       {std::tuple{Modulation::kQpsk, 10.0, 0.8, 0.3}, {Modulation::kQam16, 16.0, 2.0, 0.5}}) {
    const Trial trial = make_iq_trial(modulation, snr_db, {kSkew, kPhase}, {0.0, 0.0});
    const double complex_form =
        penalty_db(trial, parameters(modulation, EqualiserRule::kDecisionDirected), snr_db);
    const double widely = penalty_db(trial, widely_linear(modulation), snr_db);
    MESSAGE(std::string(modulation_name(modulation))
            << ": complex form loses " << complex_form << " dB, widely linear " << widely);
    CHECK(complex_form > complex_loses);
    CHECK(widely < widely_loses);
  }
}

TEST_CASE("the widely linear form removes the receiver's skew and phase error, and both ends' at once") {
  constexpr double kSkew = 4e-12, kPhase = 8.0 * kPi / 180.0;
  const Trial receiver = make_iq_trial(Modulation::kQam16, 16.0, {0.0, 0.0}, {kSkew, kPhase});
  const Trial both = make_iq_trial(Modulation::kQam16, 16.0, {3e-12, 0.1}, {-3e-12, 0.1});
  const EqualiserParameters complex_form = parameters(Modulation::kQam16, EqualiserRule::kDecisionDirected);
  for (const auto* trial : {&receiver, &both}) {
    const double complex_loses = penalty_db(*trial, complex_form, 16.0),
                 widely_loses = penalty_db(*trial, widely_linear(Modulation::kQam16), 16.0);
    MESSAGE("complex form loses " << complex_loses << " dB, widely linear " << widely_loses);
    CHECK(complex_loses > 1.5);
    CHECK(widely_loses < 0.6);
  }
}

TEST_CASE("the widely linear form costs little where there is no image, and starts from known symbols too") {
  const Trial trial = make_iq_trial(Modulation::kQam16, 16.0, {0.0, 0.0}, {0.0, 0.0});
  CHECK(penalty_db(trial, widely_linear(Modulation::kQam16), 16.0) <
        penalty_db(trial, parameters(Modulation::kQam16, EqualiserRule::kDecisionDirected), 16.0) + 0.2);
  const Trial skewed = make_iq_trial(Modulation::kQam16, 16.0, {5e-12, 0.17}, {0.0, 0.0});
  std::array<Symbols, 2> training;
  for (std::size_t p = 0; p < 2; ++p)
    training[p].assign(skewed.sent.symbols[p].begin(), skewed.sent.symbols[p].begin() + 4000);
  CHECK(penalty_db(skewed, widely_linear(Modulation::kQam16), 16.0, &training) < 0.5);
  EqualiserParameters wrong = widely_linear(Modulation::kQpsk);
  wrong.rule = EqualiserRule::kHold;
  CHECK_THROWS_AS(Equaliser(wrong, test::fft()), std::invalid_argument);
}

TEST_CASE(
    "constant modulus (QPSK) and radius rule (16QAM) alone teach the widely linear form skew, phase and gain "
    "errors of a rotated signal") {
  // The same errors as decisions remove, and 2 dB of gain between I and Q, which leaves QPSK a rectangle with
  // one modulus: its image is -19 dB of the signal. Radius decisions pay for wrong rings (the complex form's
  // 0.5 dB without any image).
  for (const auto& [modulation, rule, snr_db, complex_loses, widely_loses] :
       {std::tuple{Modulation::kQpsk, EqualiserRule::kConstantModulus, 10.0, 0.8, 0.4},
        {Modulation::kQpsk, EqualiserRule::kRadiusDirected, 10.0, 0.8, 0.4},
        {Modulation::kQam16, EqualiserRule::kRadiusDirected, 18.0, 3.0, 0.8}}) {
    const Trial trial = make_iq_trial(modulation, snr_db, {5e-12, 10.0 * kPi / 180.0}, {0.0, 0.0}, 2.0);
    EqualiserParameters p = parameters(modulation, rule);
    const double complex_form = penalty_db(trial, p, snr_db);
    p.widely_linear = true;
    const double widely = penalty_db(trial, p, snr_db);
    MESSAGE(std::string(modulation_name(modulation))
            << ": complex form loses " << complex_form << " dB, widely linear " << widely);
    CHECK(complex_form > complex_loses);
    CHECK(widely < widely_loses);
  }
}

TEST_CASE("without an image the widely linear form's own rules cost what the complex form's do") {
  // Three times the taps follow the noise: at a step of 2.5e-4 an excess of a tenth of a dB and more.
  for (const auto& [modulation, rule, snr_db] :
       {std::tuple{Modulation::kQpsk, EqualiserRule::kConstantModulus, 10.0},
        {Modulation::kQam16, EqualiserRule::kRadiusDirected, 18.0},
        {Modulation::kQam16, EqualiserRule::kConstantModulus, 18.0}}) {
    const Trial trial = make_iq_trial(modulation, snr_db, {0.0, 0.0}, {0.0, 0.0});
    EqualiserParameters p = parameters(modulation, rule);
    const double complex_form = penalty_db(trial, p, snr_db);
    p.widely_linear = true;
    const double widely = penalty_db(trial, p, snr_db);
    MESSAGE(std::string(modulation_name(modulation))
            << ": complex form loses " << complex_form << " dB, widely linear " << widely);
    CHECK(std::abs(widely - complex_form) < 0.25);
  }
}

TEST_CASE(
    "a widely linear equaliser that starts with both outputs on one polarisation is seen and recovers by any "
    "rule") {
  for (const auto& [modulation, rule] : {std::tuple{Modulation::kQpsk, EqualiserRule::kDecisionDirected},
                                         {Modulation::kQpsk, EqualiserRule::kConstantModulus},
                                         {Modulation::kQam16, EqualiserRule::kRadiusDirected}}) {
    const Trial trial =
        make_iq_trial(modulation, modulation == Modulation::kQpsk ? 12.0 : 18.0, {3e-12, 0.1}, {0.0, 0.0});
    const EqualiserParameters complex_rule = parameters(modulation, rule);
    EqualiserParameters p = complex_rule;
    p.widely_linear = true;
    const std::size_t edge = 200, head = 8192;
    const EqualiserResult complex_form =
        Equaliser(complex_rule, test::fft())(trial.received, edge, kSymbols - edge);
    const double cycles =
        FrequencyEstimator(test::fft())(complex_form.symbols, edge, kSymbols - edge).offset_hz / test::kRate;
    Butterfly start(p.taps);
    for (std::size_t i = 0; i < 2; ++i)
      for (std::size_t j = 0; j < 2; ++j)
        for (std::size_t n = 0; n < static_cast<std::size_t>(p.taps); ++n)
          start.set_tap(i, j, n, complex_form.taps[0][j][n]);  // X's filters twice
    const ButterflyInput in(trial.received, p.taps, edge, kSymbols - edge);
    WidelyLinear form(p, in, start, {edge, kSymbols - edge, cycles});
    const auto likeness = [&] {
      form.adapt(head, 2e-3);
      const Field<float> out = form.filtered(head, test::kRate);
      return row_correlation(out, 0, out.size(), p.taps / 2 + 1);
    };
    CHECK(likeness() > kSingularCorrelation);
    form.restart_y();
    CHECK(likeness() < 0.2);
  }
}
