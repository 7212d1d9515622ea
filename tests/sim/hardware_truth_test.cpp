// The hardware's truth against what an independent look at the codes finds: one flaw at a time, every lane
// fitted to the waveform that an ideal transmitter would have sent. Nothing of the light path is used but the
// capture it made.
//
// Noise is the quantiser's alone (16 bits), so every estimate comes with the standard error that the fit's
// own residual gives; truth and estimate agree within five of them.
#include "sim/signal/record/hardware_truth.h"

#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>
#include <filesystem>
#include <numeric>
#include <string>

#include "sim/link.h"
#include "sim/signal/pulse.h"
#include "sim/signal/record/hdf5.h"
#include "sim/signal/scenario/errors.h"
#include "sim/signal/units.h"
#include "tests/ffts.h"

using namespace cohlink;
using test::ffts;
using Complex = std::complex<double>;
using Row = std::vector<double>;

namespace {

constexpr double kRate = 128e9;  // of converter and simulation alike: each sample is one instant of the light
constexpr std::size_t kSymbols = 4096, kPerSymbol = 4, kSamples = kSymbols * kPerSymbol;

Capture capture_with(std::initializer_list<const char*> flaw) {
  Scenario s;
  for (const char* assignment :
       {"signal.symbols=4096", "adc.sample_rate_gsa=128", "run.samples_per_symbol=4", "adc.bits=16"})
    s.set(assignment);
  for (const char* assignment : flaw) s.set(assignment);
  return Link(s, ffts())(0);
}

/// What an ideal transmitter sends and an ideal receiver sees, unit power: real part lane I, imaginary lane
/// Q.
struct Reference {
  std::array<ComplexRow<double>, 2> row, slope;  // slope: derivative over time [1/s]
  explicit Reference(const Capture& c) {
    const auto& plan = ffts().get<double>(kSamples);
    for (std::size_t p = 0; p < 2; ++p) {
      row[p] = shape_symbols(c.truth->symbols[p], {Pulse::kRrc, 0.1, 32e9}, kPerSymbol, ffts());
      slope[p] = row[p];
      plan.forward(slope[p]);
      for (std::size_t k = 0; k < kSamples; ++k)
        slope[p][k] *= Complex(0.0, kTwoPi * bin_frequency(k, kSamples, kRate) / kSamples);
      plan.inverse(slope[p]);
    }
  }
  Row lane(std::size_t l) const { return part(row[l / 2], l % 2); }
  Row slope_of_lane(std::size_t l) const { return part(slope[l / 2], l % 2); }
  static Row part(const ComplexRow<double>& row, bool imaginary) {
    Row out(row.size());
    for (std::size_t k = 0; k < out.size(); ++k) out[k] = imaginary ? row[k].imag() : row[k].real();
    return out;
  }
};

/// Photocurrent of a lane as its codes tell it [A].
Row current(const Capture& c, std::size_t lane) {
  Row out(c.lanes[lane].begin(), c.lanes[lane].end());
  for (double& x : out) x *= c.ampere_per_code[lane];
  return out;
}

/// An estimate with its standard error.
struct Estimate {
  double value = 0.0, error = 0.0;
};

/// `sharp`: the largest relative standard error with which the look still says something.
void agrees(const Estimate& estimate, double truth, double sharp = 2e-3) {
  INFO("measured " << estimate.value << " +- " << estimate.error << ", truth " << truth);
  CHECK(std::abs(estimate.value - truth) < 5.0 * estimate.error);
  CHECK(estimate.error < sharp * std::abs(truth));
}

using Matrix = std::vector<Row>;

/// Inverse of a positive definite matrix by Gauss and Jordan's elimination.
Matrix inverse(Matrix a) {
  const std::size_t n = a.size();
  for (std::size_t i = 0; i < n; ++i) {
    a[i].resize(2 * n, 0.0);
    a[i][n + i] = 1.0;
  }
  for (std::size_t i = 0; i < n; ++i) {
    const double pivot = a[i][i];
    for (double& x : a[i]) x /= pivot;
    for (std::size_t j = 0; j < n; ++j) {
      const double factor = a[j][i];
      for (std::size_t k = 0; j != i && k < 2 * n; ++k) a[j][k] -= factor * a[i][k];
    }
  }
  for (auto& row : a) row.erase(row.begin(), row.begin() + static_cast<std::ptrdiff_t>(n));
  return a;
}

double dot(const Row& a, const Row& b) { return std::inner_product(a.begin(), a.end(), b.begin(), 0.0); }

/// Least squares of a lane on other rows. Those are scaled to unit power for the sake of the numbers.
struct Fit {
  Row c;
  Matrix covariance;
  double residual = 0.0;  // mean square

  Fit(const Row& lane, const std::vector<Row>& basis) {
    const std::size_t n = lane.size(), m = basis.size();
    Row size(m);
    for (std::size_t i = 0; i < m; ++i) size[i] = std::sqrt(dot(basis[i], basis[i]));
    covariance.assign(m, Row(m));
    for (std::size_t i = 0; i < m; ++i)
      for (std::size_t j = 0; j < m; ++j) covariance[i][j] = dot(basis[i], basis[j]) / (size[i] * size[j]);
    covariance = inverse(covariance);
    c.assign(m, 0.0);
    for (std::size_t j = 0; j < m; ++j) {
      const double projection = dot(basis[j], lane) / size[j];
      for (std::size_t i = 0; i < m; ++i) c[i] += covariance[i][j] * projection / size[i];
    }
    Row rest = lane;
    for (std::size_t i = 0; i < m; ++i)
      for (std::size_t k = 0; k < n; ++k) rest[k] -= c[i] * basis[i][k];
    const double variance = residual = dot(rest, rest) / static_cast<double>(n - m);
    for (std::size_t i = 0; i < m; ++i)
      for (std::size_t j = 0; j < m; ++j) covariance[i][j] *= variance / (size[i] * size[j]);
  }
  /// Mean square of what the fit leaves of a lane of white noise, its standard error that of a chi-square.
  Estimate noise_power(std::size_t samples) const {
    return {residual, residual * std::sqrt(2.0 / static_cast<double>(samples))};
  }
  Estimate operator()(std::size_t j) const { return {c[j], std::sqrt(covariance[j][j])}; }
  /// Any function of the coefficients; its error from its slope along each, one standard error wide.
  template <class Function>
  Estimate of(Function f) const {
    Row gradient(c.size());
    double variance = 0.0;
    for (std::size_t j = 0; j < c.size(); ++j) {
      Row moved = c;
      const double step = std::sqrt(covariance[j][j]);
      moved[j] += step;
      gradient[j] = (f(moved) - f(c)) / step;
    }
    for (std::size_t i = 0; i < c.size(); ++i) variance += gradient[i] * dot(covariance[i], gradient);
    return {f(c), std::sqrt(variance)};
  }
};

Estimate ratio_db(const Estimate& a, const Estimate& b) {
  const double relative = std::hypot(a.error / a.value, b.error / b.value);
  return {20.0 * std::log10(a.value / b.value), 20.0 / std::log(10.0) * relative};
}

const Row kOnes(kSamples, 1.0);

/// A lane on both parts of its polarisation's reference.
Fit fit_of_beat(const Capture& c, const Reference& r, std::size_t lane) {
  return Fit(current(c, lane), {r.lane(lane & ~1u), r.lane(lane | 1u)});
}

/// The same with what an imperfect balance lets through: the oscillator's light, constant, and the signal's.
Fit with_leak(const Capture& c, const Reference& r, std::size_t lane) {
  Row square(kSamples);
  for (std::size_t k = 0; k < kSamples; ++k) square[k] = std::norm(r.row[lane / 2][k]);
  return Fit(current(c, lane), {kOnes, r.lane(lane & ~1u), r.lane(lane | 1u), square});
}

/// Delay of a lane against the reference [ps]: slope of the cross spectrum's phase, each frequency weighted
/// by what it tells; its error from the scatter of the phases.
Estimate delay_ps(const Capture& c, const Reference& r, std::size_t lane) {
  const auto spectrum = [](const Row& x) {
    ComplexRow<double> row(x.begin(), x.end());
    ffts().get<double>(row.size()).forward(row);
    return row;
  };
  const auto seen = spectrum(current(c, lane)), sent = spectrum(r.lane(lane));
  double s2 = 0.0, s1 = 0.0, scatter = 0.0;
  std::size_t count = 0;
  const auto sum = [&](auto&& term) {
    for (std::size_t k = 1; bin_frequency(k, kSamples, kRate) < 17e9; ++k)
      term(kTwoPi * bin_frequency(k, kSamples, kRate), std::arg(seen[k] * std::conj(sent[k])),
           std::norm(sent[k]));
  };
  sum([&](double w, double phase, double weight) {
    s2 += weight * w * w, s1 -= weight * w * phase, ++count;
  });
  const double delay = s1 / s2;
  sum([&](double w, double phase, double weight) { scatter += weight * std::pow(phase + w * delay, 2); });
  return {delay * 1e12, std::sqrt(scatter / (static_cast<double>(count - 1) * s2)) * 1e12};
}

/// Child interferometers of the IQ modulator in one polarisation, from lanes that carry, with k = pi/(2
/// V_pi),
///   I: (1 + g_o) sin(k u_I + e_I/2) + (1 - g_o) g cos(k u_Q + e_Q/2),
///   Q: (1 - g_o) sin(k u_Q + e_Q/2) - (1 + g_o) g cos(k u_I + e_I/2).
struct ModulatorFits {
  std::array<Fit, 2> fits;
  static Fit of_lane(const Capture& c, const Reference& r, std::size_t lane) {
    const double k = kPi * 0.1 * 10.0 * std::sqrt(2.0) / (2.0 * 4.0);  // keys' values: 0.1 V, 20 dB, 4 V
    std::vector<Row> basis;
    for (const std::size_t drive : {lane & ~1u, lane | 1u})
      for (const bool cosine : {false, true}) {
        basis.push_back(r.lane(drive));
        for (double& u : basis.back()) u = cosine ? std::cos(k * u) : std::sin(k * u);
      }
    return Fit(current(c, lane), basis);
  }
  ModulatorFits(const Capture& c, const Reference& r, std::size_t pol)
      : fits{of_lane(c, r, 2 * pol), of_lane(c, r, 2 * pol + 1)} {}
  /// Offset of a lane's own child from its null [deg].
  Estimate bias_deg(std::size_t lane) const {
    return fits[lane].of(
        [lane](const Row& x) { return 2.0 * std::atan2(x[2 * lane + 1], x[2 * lane]) * 180.0 / kPi; });
  }
};

double beat_squared(const FrontendTruth& t, std::size_t lane) {  // of one balanced output, over all phases
  return std::pow(
      2.0 * t.responsivity_a_per_w[lane][0] * std::sqrt(t.signal_power_w[lane][0] * t.lo_power_w[lane][0]) +
          2.0 * t.responsivity_a_per_w[lane][1] *
              std::sqrt(t.signal_power_w[lane][1] * t.lo_power_w[lane][1]),
      2);
}

double total_lo(const FrontendTruth& t, std::size_t lane) {
  return t.lo_power_w[lane][0] + t.lo_power_w[lane][1];
}

}  // namespace

TEST_CASE(
    "truth in the codes: transmitter gain, phase and power balance by least squares on the sent lanes") {
  Capture c = capture_with({"transmitter.iq_gain_imbalance_db=1"});
  {
    const Reference r(c);
    const auto& truth = *c.truth->transmitter;
    CHECK(20.0 * std::log10(truth.gain[0] / truth.gain[1]) == doctest::Approx(1.0));
    for (const std::size_t pol : {0, 1})
      agrees(ratio_db(fit_of_beat(c, r, 2 * pol)(0), fit_of_beat(c, r, 2 * pol + 1)(1)),
             20.0 * std::log10(truth.gain[2 * pol] / truth.gain[2 * pol + 1]));
  }
  c = capture_with({"transmitter.iq_phase_error_deg=5"});
  {
    const Reference r(c);
    for (const std::size_t pol : {0, 1}) {
      // u_I - u_Q sin(error) in lane I, u_Q cos(error) in lane Q.
      const Estimate angle =
          fit_of_beat(c, r, 2 * pol).of([](const Row& x) { return std::asin(-x[1] / x[0]) * 180.0 / kPi; });
      agrees(angle, c.truth->transmitter->phase_error_deg[pol]);
      CHECK(c.truth->transmitter->phase_error_deg[pol] == doctest::Approx(5.0));
    }
  }
  c = capture_with({"transmitter.xy_power_imbalance_db=1.5"});
  const Reference r(c);
  agrees(ratio_db(fit_of_beat(c, r, 0)(0), fit_of_beat(c, r, 2)(0)),
         c.truth->transmitter->xy_power_imbalance_db);
  CHECK(c.truth->transmitter->xy_power_imbalance_db == doctest::Approx(1.5));
}

TEST_CASE("truth in the codes: skews of transmitter, front end and converter, and the clock's phase") {
  const auto delays = [](std::initializer_list<const char*> flaw, const PerLane& expected, auto&& truth_of) {
    const Capture c = capture_with(flaw);
    const Reference r(c);
    const PerLane truth = truth_of(*c.truth);
    for (std::size_t l = 0; l < 4; ++l) {
      CHECK(truth[l] == doctest::Approx(expected[l]));
      if (expected[l] != 0.0) agrees(delay_ps(c, r, l), truth[l]);
      if (expected[l] == 0.0) CHECK(std::abs(delay_ps(c, r, l).value) < 5.0 * delay_ps(c, r, l).error);
    }
  };
  const auto of_transmitter = [](const Truth& t) { return t.transmitter->skew_ps; };
  const auto of_lanes = [](const Truth& t) { return t.lanes->skew_ps; };
  delays({"transmitter.iq_skew_ps=0.75"}, {0, 0.75, 0, 0.75}, of_transmitter);
  delays({"transmitter.xy_skew_ps=5"}, {0, 0, 5, 5}, of_transmitter);
  delays({"frontend.iq_skew_ps=2", "adc.skew_yi_ps=-1.5"}, {0, 2, -1.5, 2}, of_lanes);
  delays({"frontend.xy_skew_ps=7"}, {0, 0, 7, 7}, of_lanes);
  // A late minus diode delays the beat by half as much: the mean of both.
  delays({"frontend.pn_skew_ps=2", "frontend.pn_skew_y_ps=3"}, {1, 1, 1.5, 1.5}, [](const Truth& t) {
    const auto [x, y] = t.frontend->pn_skew_ps;
    return PerLane{x / 2.0, x / 2.0, y / 2.0, y / 2.0};
  });
  delays({"adc.clock_phase_samples=0.3"}, {-0.3 / 0.128, -0.3 / 0.128, -0.3 / 0.128, -0.3 / 0.128},
         [](const Truth& t) {
           PerLane early;
           early.fill(-t.lanes->clock_phase_samples / kRate * 1e12);
           return early;
         });
}

TEST_CASE("truth in the codes: the rate the transmit converter ran at is where its image stands") {
  // 50.01 GSa/s do not fit into the frame's 128 ns: 6,401 samples do.
  const Capture c = capture_with({"transmitter.dac_sample_rate_gsa=50.01"});
  const Reference r(c);
  ComplexRow<double> sent = r.row[0], seen(kSamples);
  const Row i = current(c, 0), q = current(c, 1);
  for (std::size_t k = 0; k < kSamples; ++k) seen[k] = {i[k], q[k]};
  ffts().get<double>(kSamples).forward(sent);
  ffts().get<double>(kSamples).forward(seen);
  std::size_t best = 0;
  double highest = 0.0, second = 0.0;
  for (std::size_t shift = 6300; shift < 6500; ++shift) {
    Complex likeness = 0.0;
    for (std::size_t k = 0; k < 1500; ++k) likeness += seen[k + shift] * std::conj(sent[k]);
    if (std::abs(likeness) > highest) {
      second = highest;
      highest = std::abs(likeness);
      best = shift;
    } else {
      second = std::max(second, std::abs(likeness));
    }
  }
  CHECK(highest > 5.0 * second);
  CHECK(*c.truth->transmitter->dac_sample_rate_hz == static_cast<double>(best) * kRate / kSamples);
  CHECK(best == 6401);
}

TEST_CASE("truth in the codes: bias points and extinction of the interferometers, by their own equations") {
  Capture c =
      capture_with({"transmitter.modulator=iq", "transmitter.modulator_extinction_db=25",
                    "transmitter.bias_control=automatic", "transmitter.modulator_bias_error_i_deg=3"});
  {
    const Reference r(c);
    const TransmitterTruth& truth = *c.truth->transmitter;
    for (const std::size_t pol : {0, 1}) {
      const ModulatorFits modulator(c, r, pol);
      agrees(modulator.bias_deg(0), (*truth.bias_deg)[2 * pol]);
      agrees(modulator.bias_deg(1), (*truth.bias_deg)[2 * pol + 1]);
      // Lane I holds the leak of child Q: g = |cos, sin of Q| / |sin, cos of I|.
      agrees(modulator.fits[0].of([](const Row& x) {
        return 20.0 * std::log10(std::hypot(x[0], x[1]) / std::hypot(x[2], x[3]));
      }),
             (*truth.extinction_db)[2 * pol + 1]);
    }
    // About twice g off the null, 6.4 degrees, and the error that control misses on top. Control also nulls
    // the data's own mean: N random symbols average to 1/sqrt(N) of their amplitude, twice that in bias.
    const double data_mean = 2.0 / std::sqrt(static_cast<double>(c.truth->symbols[0].size())) * 180.0 / kPi;
    CHECK(std::abs(std::abs((*truth.bias_deg)[1]) - 2.0 * 0.0562 * 180.0 / kPi) < 3.0 * data_mean);
    CHECK(std::isinf(*truth.outer_extinction_db));
  }
  c = capture_with({"transmitter.modulator=iq", "transmitter.modulator_outer_extinction_db=25"});
  const Reference r(c);
  const ModulatorFits modulator(c, r, 0);
  const Estimate i = modulator.fits[0](0), q = modulator.fits[1](2);
  const double ratio = i.value / q.value, leak = (ratio - 1.0) / (ratio + 1.0);  // (1 + g_o) / (1 - g_o)
  const double relative = std::hypot(i.error / i.value, q.error / q.value) * 0.5 / leak;
  agrees({-20.0 * std::log10(leak), 20.0 / std::log(10.0) * relative},
         *c.truth->transmitter->outer_extinction_db);
}

TEST_CASE("truth in the codes: hybrid phase and splitting, polarisation splitter") {
  Capture c = capture_with({"frontend.hybrid_phase_error_deg=5", "frontend.hybrid_phase_error_y_deg=-3"});
  {
    const Reference r(c);
    for (const std::size_t pol : {0, 1}) {
      // Re(S L* exp(-i e)) = cos(e) Re + sin(e) Im in lane I; lane Q is its own.
      const Estimate e =
          fit_of_beat(c, r, 2 * pol).of([](const Row& x) { return std::atan2(x[1], x[0]) * 180.0 / kPi; });
      agrees(e, c.truth->frontend->hybrid_phase_error_deg[pol]);
      CHECK(e.value == doctest::Approx(pol ? -3.0 : 5.0).epsilon(1e-4));
      CHECK(std::abs(fit_of_beat(c, r, 2 * pol + 1)(0).value) < 5 * fit_of_beat(c, r, 2 * pol + 1)(0).error);
    }
  }
  c = capture_with({"frontend.splitter_imbalance_db=0.5", "frontend.splitter_imbalance_y_db=-0.3"});
  {
    const Reference r(c);
    for (const std::size_t pol : {0, 1}) {
      // Signal and oscillator both divide: the ratio of amplitudes is that of one coupler's powers.
      const Estimate q_over_i = ratio_db(fit_of_beat(c, r, 2 * pol + 1)(1), fit_of_beat(c, r, 2 * pol)(0));
      agrees({q_over_i.value / 2.0, q_over_i.error / 2.0}, c.truth->frontend->splitter_imbalance_db[pol]);
      CHECK(c.truth->frontend->splitter_imbalance_db[pol] == doctest::Approx(pol ? -0.3 : 0.5));
    }
  }
  c = capture_with({"frontend.coupler_phase_error_deg=6", "frontend.cmrr_db=20"});
  {
    // Both diodes of a pair get tan(error) of the beat in quadrature; their mismatch, 0.1, lets it through.
    const Reference r(c);
    for (const std::size_t pol : {0, 1})
      agrees(with_leak(c, r, 2 * pol).of([](const Row& x) {
        return std::atan(std::abs(x[2] / x[1]) / 0.1) * 180.0 / kPi;
      }),
             c.truth->frontend->coupler_phase_error_deg[pol]);
    CHECK(c.truth->frontend->coupler_phase_error_deg[0] == doctest::Approx(6.0));
  }
  const auto crosstalk = [](const Capture& capture) {
    const Reference r(capture);
    return Fit(current(capture, 0), {r.lane(0), r.lane(1), r.lane(2), r.lane(3)});
  };
  c = capture_with({"frontend.pbs_angle_deg=2"});
  agrees(crosstalk(c).of([](const Row& x) { return std::atan2(x[2], x[0]) * 180.0 / kPi; }),
         c.truth->frontend->pbs_angle_deg);
  c = capture_with({"frontend.pbs_extinction_db=20"});
  agrees(crosstalk(c).of([](const Row& x) { return -20.0 * std::log10(std::abs(x[3] / x[0])); }),
         c.truth->frontend->pbs_extinction_db);
}

TEST_CASE("truth in the codes: light at the photodiodes from beat and leak, and their balance") {
  // Beat: all lanes' currents squared tell signal x oscillator.
  Capture c = capture_with({"frontend.received_power_dbm=-12", "frontend.responsivity_a_per_w=0.7",
                            "frontend.hybrid_loss_db=3", "frontend.lo_split_imbalance_db=1",
                            "frontend.lo_loss_db=1.5"});
  {
    const FrontendTruth& t = *c.truth->frontend;
    for (const std::size_t pol : {0, 1}) {
      double squared = 0.0;
      for (const std::size_t lane : {2 * pol, 2 * pol + 1})
        for (const double i : current(c, lane)) squared += i * i / kSamples;
      // Rounding to codes adds step^2/12 to each sample: far below the tolerance of a part in 10^6.
      CHECK(squared == doctest::Approx(beat_squared(t, 2 * pol)).epsilon(1e-6));
    }
    CHECK(total_lo(t, 0) / total_lo(t, 2) == doctest::Approx(from_db(1.0)));
    CHECK(4.0 * total_lo(t, 0) / 2.0 + 4.0 * total_lo(t, 2) / 2.0 ==
          doctest::Approx(dbm_to_watt(13.0 - 3.0 - 1.5)));
  }
  // Leak: a mismatch of the diodes turns the oscillator's light into a mean current.
  c = capture_with({"frontend.cmrr_db=20", "frontend.cmrr_y_db=26", "frontend.received_power_dbm=-5"});
  {
    const Reference r(c);
    for (std::size_t l = 0; l < 4; ++l) {
      const Fit fit = with_leak(c, r, l);
      const FrontendTruth& t = *c.truth->frontend;
      const double light =
          total_lo(t, l) * (t.responsivity_a_per_w[l][0] + t.responsivity_a_per_w[l][1]) / 2.0;
      agrees(fit.of([light](const Row& x) { return 20.0 * std::log10(light / std::abs(x[0])); }),
             t.cmrr_db[l]);
      // The signal's own square leaks alike: its mean power at the pair.
      double mean = 0.0;
      for (const auto& z : r.row[l / 2]) mean += std::norm(z) / kSamples;
      const double mismatch = (t.responsivity_a_per_w[l][0] - t.responsivity_a_per_w[l][1]) / 2.0;
      const Estimate signal = fit(3);
      agrees({signal.value * mean / mismatch, signal.error * mean / mismatch},
             t.signal_power_w[l][0] + t.signal_power_w[l][1]);
    }
  }
  c = capture_with({"frontend.combiner_imbalance_db=0.4", "frontend.combiner_imbalance_y_db=-0.2",
                    "frontend.received_power_dbm=-20"});
  const Reference r(c);
  const FrontendTruth& t = *c.truth->frontend;
  for (const std::size_t pol : {0, 1}) {
    const std::size_t l = 2 * pol;
    const Fit fit = with_leak(c, r, l);
    // The oscillator enters the second port: plus gets the cross part. P-/P+ is the imbalance.
    const double total = total_lo(t, l) * t.responsivity_a_per_w[l][0];
    agrees(fit.of([total](const Row& x) { return to_db((total - x[0]) / (total + x[0])); }),
           t.combiner_imbalance_db[pol]);
    CHECK(to_db(t.lo_power_w[l][1] / t.lo_power_w[l][0]) == doctest::Approx(pol ? -0.2 : 0.4));
  }
}

TEST_CASE("truth in the codes: shot noise tells the light at each pair of photodiodes") {
  const Capture c = capture_with({"frontend.shot_noise=true", "frontend.received_power_dbm=-25"});
  const Reference r(c);
  const FrontendTruth& t = *c.truth->frontend;
  for (std::size_t l = 0; l < 4; ++l) {
    const Estimate noise = fit_of_beat(c, r, l).noise_power(kSamples);
    const double unit =
        kElementaryCharge * kRate * t.responsivity_a_per_w[l][0];  // 2 q I up to half the rate
    agrees({noise.value / unit, noise.error / unit},
           total_lo(t, l) + t.signal_power_w[l][0] + t.signal_power_w[l][1], 0.02);
  }
}

TEST_CASE(
    "truth in the codes: thermal noise, dark current, effective bits and random jitter by what the fit "
    "leaves") {
  const auto noise_of = [](const Capture& c, std::size_t lane) {
    return fit_of_beat(c, Reference(c), lane).noise_power(kSamples);
  };
  Capture c = capture_with({"frontend.thermal_noise_pa_per_sqrt_hz=20"});
  Estimate noise = noise_of(c, 3);
  double unit = 0.5 * kRate;
  agrees({std::sqrt(noise.value / unit), 0.5 * noise.error / std::sqrt(noise.value * unit)},
         c.truth->frontend->thermal_noise_a_per_sqrt_hz[3], 0.01);

  c = capture_with({"frontend.shot_noise=true", "frontend.dark_current_na=100000", "laser_lo.power_dbm=-10",
                    "frontend.received_power_dbm=-30"});
  noise = noise_of(c, 2);
  unit = kElementaryCharge * kRate;
  const FrontendTruth& t = *c.truth->frontend;
  agrees({noise.value / unit - total_lo(t, 2) - t.signal_power_w[2][0] - t.signal_power_w[2][1],
          noise.error / unit},
         t.dark_current_a[2][0] + t.dark_current_a[2][1], 0.02);

  const double bit = 2.0 * std::log(2.0);  // SNR grows by 4 a bit
  c = capture_with({"adc.enob=6"});
  noise = noise_of(c, 1);
  const double full_scale = 32768.0 * c.ampere_per_code[1];
  agrees({-std::log(3.0 * noise.value / (full_scale * full_scale)) / bit, noise.error / noise.value / bit},
         c.truth->lanes->enob);

  c = capture_with({"transmitter.dac_bits=8", "transmitter.dac_enob=5"});
  noise = noise_of(c, 0);
  const Row seen = current(c, 0);
  const double rail = 10.0 * dot(seen, seen) / kSamples;  // full scale squared: 10 dB above the lane's rms
  agrees({-std::log(3.0 * noise.value / rail) / bit, noise.error / noise.value / bit},
         *c.truth->transmitter->dac_enob);

  c = capture_with({"adc.jitter_fs=200"});
  noise = noise_of(c, 0);
  const Row slope = Reference(c).slope_of_lane(0);
  double second = 0.0, fourth = 0.0;
  for (const double x : slope) second += x * x / kSamples, fourth += x * x * x * x / kSamples;
  // Noise that follows the slope: its square scatters by 3 <x'^4> - <x'^2>^2.
  const double relative = std::sqrt((3.0 * fourth / (second * second) - 1.0) / kSamples);
  const double gain = fit_of_beat(c, Reference(c), 0).c[0];
  const double jitter = std::sqrt(noise.value / second) / gain * 1e15;
  agrees({jitter, 0.5 * relative * jitter}, c.truth->lanes->jitter_fs, 0.02);
}

TEST_CASE("truth in the codes: edges of the electrical bands by the cross spectrum") {
  const auto spectra = [](const Capture& c, std::size_t lane) {
    std::array<ComplexRow<double>, 2> out;  // seen, sent
    const Row seen = current(c, lane), sent = Reference(c).lane(lane);
    out[0].assign(seen.begin(), seen.end());
    out[1].assign(sent.begin(), sent.end());
    for (auto& row : out) ffts().get<double>(kSamples).forward(row);
    return out;
  };
  const auto bin = [](double f) { return static_cast<std::size_t>(f / kRate * kSamples); };
  // ln |H| by weighted least squares on 1, x, x^2, x = f - centre [GHz]: where is it half a power below 0 Hz?
  const auto three_db = [&](const Capture& c, std::size_t lane, double guess) {
    const auto [seen, sent] = spectra(c, lane);
    const auto local = [&, &seen = seen, &sent = sent](double low, double high, double centre) {
      Row level;
      std::vector<Row> basis(3);
      for (std::size_t k = bin(low); k < bin(high); ++k) {
        const double weight = std::abs(sent[k]), x = (bin_frequency(k, kSamples, kRate) - centre) / 1e9;
        level.push_back(weight * std::log(std::abs(seen[k]) / std::abs(sent[k])));
        for (std::size_t j = 0; j < 3; ++j) basis[j].push_back(weight * std::pow(x, j));
      }
      return Fit(level, basis);
    };
    const Fit middle = local(0.02e9, 1.5e9, 0.0), edge = local(guess - 0.4e9, guess + 0.4e9, guess);
    const double drop = edge.c[0] - middle.c[0] + 0.5 * std::log(2.0);
    const double error = std::hypot(edge(0).error, middle(0).error);
    return Estimate{guess - drop / edge.c[1] * 1e9, error / std::abs(edge.c[1]) * 1e9};
  };
  Capture c = capture_with({"frontend.bandwidth_ghz=12"});
  agrees(three_db(c, 1, 12.02e9), *c.truth->lanes->bandwidth_hz);
  c = capture_with({"transmitter.dac_bandwidth_ghz=13", "transmitter.dac_bandwidth_order=5"});
  agrees(three_db(c, 2, 12.98e9), *c.truth->transmitter->dac_bandwidth_hz);

  // AC coupling: seen (i f + f_c) = gain i f sent.
  c = capture_with({"frontend.low_cutoff_khz=100000"});
  const auto [seen, sent] = spectra(c, 0);
  Row left;
  std::vector<Row> right(2);
  for (std::size_t k = 1; k < bin(2e9); ++k) {
    const Complex i_f(0.0, bin_frequency(k, kSamples, kRate));
    for (const auto part : {0, 1}) {
      const auto take = [part](Complex z) { return part ? z.imag() : z.real(); };
      left.push_back(take(i_f * seen[k]));
      right[0].push_back(take(i_f * sent[k]));
      right[1].push_back(-take(seen[k]));
    }
  }
  agrees(Fit(left, right)(1), c.truth->lanes->low_cutoff_hz);
}

TEST_CASE("truth in the codes: saturation of driver and receiver by its own law, 1/y^4 = 1/x^4 + 1/limit^4") {
  // With x = a r of the sent waveform r: r^4 = a^-4 y^4 + limit^-4 r^4 y^4, linear in both constants; times
  // y/r^4, so that the noise of y weighs alike everywhere.
  const auto law = [](const Row& y, const Row& r) {
    std::vector<Row> basis(2);
    Row left;
    for (std::size_t k = 0; k < kSamples; ++k) {
      if (std::abs(r[k]) < 0.3) continue;
      left.push_back(y[k]);
      basis[0].push_back(std::pow(y[k], 5) / std::pow(r[k], 4));
      basis[1].push_back(std::pow(y[k], 5));
    }
    return Fit(left, basis);
  };
  Capture c = capture_with({"frontend.output_saturation_mv=300"});
  Row volt = current(c, 3);
  for (double& v : volt) v *= c.truth->lanes->transimpedance_ohm[3];
  agrees(law(volt, Reference(c).lane(3)).of([](const Row& x) { return std::pow(x[1], -0.25); }),
         *c.truth->lanes->saturation_v);

  c = capture_with({"transmitter.driver_saturation_v=2"});
  Row milliampere = current(c, 0);
  for (double& i : milliampere) i *= 1e3;
  // One unit of drive is sqrt(2) x 0.1 V x 20 dB.
  agrees(law(milliampere, Reference(c).lane(0)).of([](const Row& x) {
    return std::sqrt(2.0) * std::pow(x[0] / x[1], 0.25);
  }),
         *c.truth->transmitter->driver_saturation_v);
}

TEST_CASE("truth in the codes: amplitude, rate and phase of the clock's sinusoidal jitter") {
  const Capture c = capture_with({"adc.sine_jitter_fs=20", "adc.sine_jitter_rate_mhz=60"});
  const Reference r(c);
  const LaneTruth& t = *c.truth->lanes;
  CHECK(t.sine_jitter_phase_rad > 0.0);
  for (std::size_t l = 0; l < 4; ++l) {
    Row sine = r.slope_of_lane(l), cosine = sine;
    for (std::size_t k = 0; k < kSamples; ++k) {
      const double turn = kTwoPi * t.sine_jitter_rate_hz * static_cast<double>(k) / kRate;
      sine[k] *= std::sin(turn);
      cosine[k] *= std::cos(turn);
    }
    const Fit fit(current(c, l), {r.lane(l), sine, cosine});
    // x(t + A sin(w t + phase)) = x + x' A (cos(phase) sin(w t) + sin(phase) cos(w t)).
    agrees(fit.of([](const Row& x) { return std::hypot(x[1], x[2]) / x[0] * 1e15; }), t.sine_jitter_fs);
    const Estimate phase = fit.of([&](const Row& x) {
      return std::remainder(std::atan2(x[2], x[1]) - t.sine_jitter_phase_rad, kTwoPi);
    });
    CHECK(std::abs(phase.value) < 5.0 * phase.error);
    CHECK(phase.error < 2e-3);
  }
}

TEST_CASE("truth in the codes: gains, offsets and clock of the converter and its sub-converters") {
  Capture c = capture_with({"adc.gain_spread_db=0.5", "adc.offset_spread_percent=1"});
  {
    const Reference r(c);
    const LaneTruth& t = *c.truth->lanes;
    for (std::size_t l = 0; l < 4; ++l) {
      const Fit fit(current(c, l), {kOnes, r.lane(l & ~1u), r.lane(l | 1u)});
      double mean = 0.0;
      for (const auto& z : r.row[l / 2]) mean += std::norm(z) / kSamples;
      const double ideal = std::sqrt(beat_squared(*c.truth->frontend, l) / mean);
      const Estimate gain = fit(1 + l % 2), offset = fit(0);
      agrees({gain.value / ideal, gain.error / ideal}, t.gain[l]);
      const double full_scale = 32768.0 * c.ampere_per_code[l];
      agrees({offset.value / full_scale, offset.error / full_scale}, t.offset_of_full_scale[l]);
    }
  }
  c = capture_with({"adc.interleave=4", "adc.interleave_gain_percent=1", "adc.interleave_offset_percent=1",
                    "adc.interleave_skew_fs=30"});
  {
    const Reference r(c);
    const LaneTruth& t = *c.truth->lanes;
    const Row whole = r.lane(2), slope = r.slope_of_lane(2), seen = current(c, 2);
    std::vector<Fit> fits;
    double mean = 0.0;
    for (std::size_t sub = 0; sub < 4; ++sub) {
      const auto every = [sub](const Row& row) {
        Row out;
        for (std::size_t k = sub; k < row.size(); k += 4) out.push_back(row[k]);
        return out;
      };
      fits.emplace_back(every(seen), std::vector{every(kOnes), every(whole), every(slope)});
      mean += fits.back()(1).value / 4.0;
    }
    // A skew s also lowers the gain by s^2 <w^2> / 2, which the fit of first order leaves out.
    double waveform = 0.0, derivative = 0.0, widest = 0.0;
    for (const double x : whole) waveform += x * x;
    for (const double x : slope) derivative += x * x;
    for (const double ps : t.interleaving_skew_ps[2]) widest = std::max(widest, std::abs(ps) * 1e-12);
    const double second_order = 0.5 * widest * widest * derivative / waveform;
    for (std::size_t sub = 0; sub < 4; ++sub) {
      const Estimate gain = fits[sub](1), offset = fits[sub](0);
      CHECK(std::abs(gain.value / mean - 1.0 - t.interleaving_gain[2][sub]) <
            5.0 * gain.error / mean + second_order);
      const double full_scale = 32768.0 * c.ampere_per_code[2];
      agrees({offset.value / full_scale, offset.error / full_scale},
             t.interleaving_offset_of_full_scale[2][sub]);
      agrees(fits[sub].of([](const Row& x) { return -x[2] / x[1] * 1e12; }), t.interleaving_skew_ps[2][sub]);
    }
  }
  c = capture_with({"adc.clock_offset_ppm=-0.1"});
  const Reference r(c);
  Row ramp = r.slope_of_lane(1);
  for (std::size_t k = 0; k < kSamples; ++k) ramp[k] *= static_cast<double>(k) / kRate;
  Row seen = current(c, 1), lane = r.lane(1);
  for (Row* row : {&seen, &lane, &ramp}) row->resize(c.samples());
  // Faster clock: sample k comes earlier by the offset's part of its time.
  agrees(Fit(seen, {lane, ramp}).of([](const Row& x) { return -x[1] / x[0] * 1e6; }),
         c.truth->lanes->clock_offset_ppm);
}

TEST_CASE("hardware truth reads back from the file as it was written, units beside it") {
  const Capture c = capture_with(
      {"transmitter.modulator=iq", "transmitter.dac_sample_rate_gsa=50.01", "transmitter.iq_skew_ps=1",
       "frontend.cmrr_db=20", "frontend.pbs_angle_deg=2", "adc.interleave=3", "adc.interleave_gain_percent=1",
       "adc.sine_jitter_fs=20", "adc.clock_phase_samples=0.25", "laser_lo.rin_db_per_hz=-140",
       "frontend.bandwidth_ghz=30", "frontend.output_saturation_mv=400",
       "transmitter.driver_saturation_v=3"});
  const std::string path =
      (std::filesystem::temp_directory_path() / "cohlink-hardware-truth-round-trip.h5").string();
  write_capture(c, path);
  const Truth read = *read_capture(path).truth;
  CHECK(*read.transmitter == *c.truth->transmitter);
  CHECK(*read.frontend == *c.truth->frontend);
  CHECK(*read.lanes == *c.truth->lanes);
  CHECK(read.transmitter->bias_deg.has_value());
  const auto file = h5::File::open(path);
  CHECK(file.shape("/truth/frontend/lo_power_w") == h5::Shape{4, 2});
  CHECK(file.attribute_text("/truth/frontend/lo_power_w", "unit") == "W");
  CHECK(file.attribute_text("/truth/transmitter/dac_sample_rate_hz", "unit") == "Hz");
  std::filesystem::remove(path);
}

TEST_CASE(
    "hardware truth of earlier versions leaves the defaults; a data set of the wrong size is refused by "
    "name") {
  const std::string path =
      (std::filesystem::temp_directory_path() / "cohlink-hardware-truth-part.h5").string();
  h5::File::create(path, [](h5::File& f) {
    f.write("/truth/lanes/skew_ps", Row{0.0, 1.0, 0.0, 2.0});
    f.write("/truth/frontend/cmrr_db", Row{20.0, 20.0, 20.0});
  });
  const auto file = h5::File::open(path);
  CHECK_FALSE(read_transmitter_truth(file).has_value());
  CHECK(read_lane_truth(file)->skew_ps == PerLane{0.0, 1.0, 0.0, 2.0});
  CHECK(read_lane_truth(file)->gain == PerLane{1.0, 1.0, 1.0, 1.0});
  const std::string message = path + ": data set /truth/frontend/cmrr_db must be [4], not [3]";
  CHECK_THROWS_WITH_AS(read_frontend_truth(file), message.c_str(), InputError);
  std::filesystem::remove(path);
}
