// From a line's parameters to a plan, and what a plan says of itself.
#include <doctest/doctest.h>

#include <cmath>
#include <numeric>

#include "sim/fibre/line.h"
#include "sim/fibre/pmd.h"
#include "sim/signal/line/fibre_types.h"
#include "sim/signal/line/light_levels.h"
#include "sim/signal/line/read_line.h"
#include "sim/signal/propagation/engine.h"
#include "sim/signal/units.h"
#include "tests/ffts.h"

using namespace cohlink;
using test::ffts;

namespace {

LineParameters birefringent_line(StepLaw law) {
  LineParameters line;
  line.bandwidth = 35e9;
  line.steps.law = law;
  line.sections.resize(3);
  for (LineSection& section : line.sections) section.span.pmd_coefficient = 0.2e-12 / std::sqrt(1e3);
  line.sections[1].pdl = from_db(1.0);
  return line;
}

double distance(const JonesMatrix& a, const JonesMatrix& b) {
  const JonesMatrix d = a - b;
  return std::sqrt(std::norm(d.xx) + std::norm(d.xy) + std::norm(d.yx) + std::norm(d.yy));
}

}  // namespace

TEST_CASE("every step law fills the span and respects the dispersive cap") {
  Span span;
  span.length = 83e3;
  for (const StepLaw law : {StepLaw::kConstant, StepLaw::kLossMatched, StepLaw::kNonlinearPhase}) {
    for (const double bandwidth : {35e9, 250e9}) {
      for (const double loss : {0.0, span.loss}) {
        Span s = span;
        s.loss = loss;
        StepControl control;
        control.law = law;
        const std::vector<double> steps = step_lengths(s, control, bandwidth, 5e-3);
        CHECK(std::accumulate(steps.begin(), steps.end(), 0.0) ==
              doctest::Approx(span.length).epsilon(1e-12));
        const double cap = dispersive_step_cap(s.beta2, bandwidth);
        for (const double h : steps) {
          CHECK(h > 0.0);
          CHECK(h <= cap * (1.0 + 1e-9));
        }
      }
    }
  }
}

TEST_CASE("the dispersive cap has the value known from the pitfall") {
  // 24 km for one 35 GHz channel, 0.54 km for five of them 50 GHz apart.
  const double beta2 = dispersion_to_beta2(17.0);
  CHECK(dispersive_step_cap(beta2, 35e9) == doctest::Approx(24e3).epsilon(0.01));
  CHECK(dispersive_step_cap(beta2, 235e9) == doctest::Approx(0.54e3).epsilon(0.02));
}

TEST_CASE("loss-matched steps grow as exp(loss z/3)") {
  Span span;
  StepControl control;
  control.steps_per_span = 400;
  const std::vector<double> steps = step_lengths(span, control, 1e9, 0.0);
  CHECK(steps.size() == 400);
  double z = 0.0;
  for (std::size_t i = 0; i + 1 < steps.size(); ++i) {
    const double middle = z + steps[i] / 2.0, next = z + steps[i] + steps[i + 1] / 2.0;
    CHECK(std::log(steps[i + 1] / steps[i]) ==
          doctest::Approx(span.loss / 3.0 * (next - middle)).epsilon(1e-3));
    z += steps[i];
  }
}

TEST_CASE("nonlinear-phase steps turn the mean power by the phase asked for") {
  Span span;
  StepControl control;
  control.law = StepLaw::kNonlinearPhase;
  const std::vector<double> steps = step_lengths(span, control, 1e9, 10e-3);
  double z = 0.0;
  for (std::size_t i = 0; i + 1 < steps.size(); ++i) {  // the last may be shorter
    const double turn = 8.0 / 9.0 * span.gamma * 10e-3 * std::exp(-span.loss * z) *
                        -std::expm1(-span.loss * steps[i]) / span.loss;
    CHECK(turn == doctest::Approx(control.max_phase).epsilon(1e-9));
    z += steps[i];
  }
}

TEST_CASE("the step grid does not change a line's Jones matrix") {
  const PropagationPlan coarse = plan_line(birefringent_line(StepLaw::kConstant), RandomStreams(4));
  const PropagationPlan fine = plan_line(birefringent_line(StepLaw::kLocalError), RandomStreams(4));
  CHECK(totals(coarse).pmd_sections == totals(fine).pmd_sections);
  for (const double frequency : {-20e9, 0.0, 13e9}) {
    CHECK(distance(jones_matrix(coarse, frequency), jones_matrix(fine, frequency)) < 1e-12);
  }
}

TEST_CASE("another frame's streams draw another fibre, the same ones the same fibre") {
  const LineParameters line = birefringent_line(StepLaw::kConstant);
  const JonesMatrix a = jones_matrix(plan_line(line, RandomStreams(4, 0)), 5e9);
  CHECK(distance(a, jones_matrix(plan_line(line, RandomStreams(4, 0)), 5e9)) == 0.0);
  CHECK(distance(a, jones_matrix(plan_line(line, RandomStreams(4, 1)), 5e9)) > 0.01);
}

TEST_CASE("the plan's responses are what an engine does to a tone") {
  LineParameters line = birefringent_line(StepLaw::kLossMatched);
  for (LineSection& section : line.sections) {
    section.span.gamma = 0.0;
    section.amplifier.ase = false;
  }
  line.sections[0].filters = {{-2e9, 40e9, 12e9}};
  line.sections[2].module = DispersionModule{3e-22, 1e-35};
  const PropagationPlan plan = plan_line(line, RandomStreams(4));
  constexpr std::size_t kN = 256;
  constexpr std::size_t kBin = 250;  // negative FFT frequency
  Field<double> tone(kN, 128e9);
  for (std::size_t i = 0; i < kN; ++i)
    tone.x[i] = std::polar(1.0, kTwoPi * static_cast<double>(kBin * i) / kN);
  FastEngine<double>{ffts()}(tone, plan, RandomStreams(4));
  const double frequency = bin_frequency(kBin, kN, 128e9);
  const JonesMatrix j = scalar_response(plan, frequency) * jones_matrix(plan, frequency);
  CHECK(std::abs(tone.x[0] - j.xx) < 1e-12);
  CHECK(std::abs(tone.y[0] - j.yx) < 1e-12);
}

TEST_CASE("DGD and second-order PMD are the derivatives of the Jones matrix, with PDL and without") {
  for (const double pdl_db : {0.0, 4.0}) {
    CAPTURE(pdl_db);
    LineParameters line = birefringent_line(StepLaw::kConstant);
    line.sections[1].pdl = from_db(pdl_db);
    const PropagationPlan plan = plan_line(line, RandomStreams(9));
    constexpr double f = 7e9, df = 1e6;
    const PmdState state = pmd_state(plan, f);
    // Jones matrix eigenanalysis (Heffner, IEEE Photon. Technol. Lett. 4(9) 1066, 1992): the eigenphases of
    // J(w + dw) J(w)^-1 differ by DGD dw, and the slow state's lags. Its central difference is of second
    // order in df x DGD, below 1e-10 here; rounding of the phases leaves 1e-7.
    const JonesMatrix step = jones_matrix(plan, f + df / 2.0) * inverse(jones_matrix(plan, f - df / 2.0));
    const std::complex<double> half = (step.xx + step.yy) / 2.0,
                               root = std::sqrt(half * half - determinant(step));
    const std::complex<double> one = half + root, other = half - root;
    const double lag = std::arg(other / one);
    CHECK(state.dgd == doctest::Approx(std::abs(lag) / (kTwoPi * df)).epsilon(1e-6));
    const std::complex<double> slow = lag > 0.0 ? one : other;  // exp(-i w t): the later, the more negative
    const std::complex<double> x = step.xy, y = slow - step.xx;
    const double power = std::norm(x) + std::norm(y);
    const StokesVector s = {(std::norm(x) - std::norm(y)) / power, 2.0 * (std::conj(x) * y).real() / power,
                            2.0 * (std::conj(x) * y).imag() / power};
    const StokesVector above = pmd_state(plan, f + df).vector, below = pmd_state(plan, f - df).vector;
    for (std::size_t i = 0; i < 3; ++i) {
      CHECK(std::abs(state.vector[i] / state.dgd - s[i]) < 1e-6);
      const double slope = (above[i] - below[i]) / (2.0 * kTwoPi * df);
      CHECK(std::abs(state.second_order[i] - slope) < 1e-5 * state.second_order_magnitude);
    }
  }
}

TEST_CASE("an amplifier makes up for the mean loss of its PDL: 0 to 2 dB at each of 20 sites take no power") {
  for (const GainMode mode : {GainMode::kSpanLoss, GainMode::kFixedOutput}) {
    for (const double pdl_db : {0.0, 0.5, 1.0, 2.0}) {
      CAPTURE(pdl_db);
      LineParameters line;
      line.bandwidth = 35e9;
      line.sections.resize(20);
      for (LineSection& section : line.sections) {
        section.pdl = from_db(pdl_db);
        section.amplifier.mode = mode;
        section.amplifier.ase = false;
      }
      LaunchedLight launched;
      launched.simulated_band = 128e9;
      const PropagationPlan plan = plan_line(line, RandomStreams(1));
      CHECK(light_levels(plan, launched).signal_power == doctest::Approx(1e-3).epsilon(1e-9));
      if (mode == GainMode::kFixedOutput) continue;
      // Unpolarised light through random axes: on average over lines just what was launched, within five
      // standard errors.
      double sum = 0.0, squares = 0.0;
      constexpr int kLines = 300;
      for (int k = 0; k < kLines; ++k) {
        const PropagationPlan drawn = plan_line(line, RandomStreams(2, static_cast<std::uint64_t>(k)));
        const double power = totals(drawn).power_gain * mean_transmission(jones_matrix(drawn, 0.0));
        sum += power, squares += power * power;
      }
      const double mean = sum / kLines, deviation = std::sqrt(std::max(0.0, squares / kLines - mean * mean));
      CHECK(std::abs(mean - 1.0) <= 5.0 * deviation / std::sqrt(kLines) + 1e-9);
    }
  }
}

TEST_CASE("PDL of many sites adds up like steps of a random walk") {
  // Mean of a Maxwell distribution whose rms is sqrt(N) times the PDL in dB of one site: N. Gisin, Opt.
  // Commun. 114, 399 (1995); A. Mecozzi and M. Shtaif, IEEE Photon. Technol. Lett. 14(3) 313 (2002). For
  // small PDL: at 2 dB in all the mean is less than 1 % above it. Std/mean is 0.422, and 1000 lines tell it
  // to 1.3 %.
  LineParameters line;
  line.bandwidth = 35e9;
  line.sections.resize(20);
  for (LineSection& section : line.sections) section.pdl = from_db(0.5);
  double sum = 0.0;
  constexpr int kLines = 1000;
  for (int k = 0; k < kLines; ++k) {
    const JonesMatrix j = jones_matrix(plan_line(line, RandomStreams(3, static_cast<std::uint64_t>(k))), 0.0);
    // Singular values squared are t +- sqrt(t^2 - |det|^2), t the mean transmission.
    const double t = mean_transmission(j), spread = std::sqrt(t * t - std::norm(determinant(j)));
    sum += to_db((t + spread) / (t - spread));
  }
  CHECK(sum / kLines == doctest::Approx(0.5 * std::sqrt(20.0 * 8.0 / (3.0 * kPi))).epsilon(0.06));
}

TEST_CASE("DGD of one section stays its own between elements with PDL") {
  // Similar matrices have the same eigenvalues: P D P^-1 for any P before or behind.
  for (const double pdl_db : {2.0, 4.0, 6.0}) {
    RandomStream random = RandomStreams(3).stream("turns");
    PropagationPlan plan;
    for (int k = 0; k < 4; ++k) {
      const JonesMatrix turn = random_unitary(random);
      if (k == 2) plan.elements.push_back(PmdSection{JonesMatrix{}, 20e-12});
      plan.elements.push_back(LumpedJones{adjoint(turn) * pdl_element(from_db(pdl_db)) * turn});
    }
    CHECK(pmd_state(plan, 5e9).dgd == doctest::Approx(20e-12).epsilon(1e-9));
  }
}

TEST_CASE("a single section has its own DGD along its output axis") {
  PropagationPlan plan;
  plan.elements.push_back(PmdSection{JonesMatrix{}, 20e-12});
  const PmdState state = pmd_state(plan, 3e9);
  CHECK(state.dgd == doctest::Approx(20e-12));
  CHECK(state.vector[0] == doctest::Approx(20e-12));  // x is slow: +S1
  CHECK(state.second_order_magnitude < 1e-30);
}

TEST_CASE("a section delays x behind y by its DGD") {
  PropagationPlan plan;
  plan.elements.push_back(PmdSection{JonesMatrix{}, 20e-12});
  Field<double> field(64, 100e9);  // 10 ps a sample
  field.x[30] = field.y[30] = 1.0;
  FastEngine<double>{ffts()}(field, plan, RandomStreams(1));
  CHECK(std::abs(field.x[31]) == doctest::Approx(1.0));
  CHECK(std::abs(field.y[29]) == doctest::Approx(1.0));
}

TEST_CASE("polarisation turns at the Stokes rate asked for") {
  PropagationPlan plan;
  constexpr double rate = 50e3;  // rad/s
  plan.elements.push_back(PolarisationRotation{rate, {0.0, 0.0, 1.0}, 0.0});
  Field<double> field(1024, 1e8);
  for (auto& a : field.x) a = 1.0;
  FastEngine<double>{ffts()}(field, plan, RandomStreams(1));
  const double time = 1000 / 1e8, angle = std::atan2(std::abs(field.y[1000]), std::abs(field.x[1000]));
  CHECK(2.0 * angle == doctest::Approx(rate * time).epsilon(1e-9));
}

TEST_CASE("PDL is the ratio of the largest to the smallest transmission") {
  LineParameters line = birefringent_line(StepLaw::kConstant);
  for (LineSection& section : line.sections) section.pdl = 1.0;
  line.sections[1].pdl = from_db(2.0);
  const JonesMatrix j = jones_matrix(plan_line(line, RandomStreams(4)), 0.0), h = adjoint(j) * j;
  const double half = (h.xx + h.yy).real() / 2.0, root = std::sqrt(half * half - determinant(h).real());
  CHECK(to_db((half + root) / (half - root)) == doctest::Approx(2.0).epsilon(1e-9));
  CHECK(half + root == doctest::Approx(1.0));
}

TEST_CASE("an optical filter has its bandwidth at -6 dB and narrows in cascade") {
  const OpticalFilter filter{5e9, 50e9, 10e9};
  CHECK(filter_response(filter, 5e9) == doctest::Approx(1.0).epsilon(1e-6));
  for (const double side : {-25e9, 25e9})
    CHECK(filter_response(filter, 5e9 + side) == doctest::Approx(0.5).epsilon(1e-6));
  const auto width = [&](int count) {
    double f = 0.0;
    while (std::pow(filter_response(filter, 5e9 + f), 2 * count) > 0.5) f += 1e6;
    return 2.0 * f;
  };
  CHECK(width(10) < width(1));
  CHECK(width(1) < 50e9);
}

TEST_CASE("an amplifier of fixed output power delivers it") {
  LineParameters line;
  line.bandwidth = 1e9;
  line.sections.resize(1);
  line.sections[0].amplifier = {GainMode::kFixedOutput, 5.0, false, 3e-3};
  Field<double> field(256, 64e9);
  for (auto& a : field.x) a = 0.01;
  FastEngine<double>{ffts()}(field, plan_line(line, RandomStreams(1)), RandomStreams(1));
  CHECK(mean_power(field) == doctest::Approx(3e-3).epsilon(1e-9));
}

TEST_CASE("a compensating module undoes its fibre") {
  LineParameters line;
  line.bandwidth = 1e9;
  line.sections.resize(1);
  LineSection& section = line.sections[0];
  section.module = DispersionModule{-section.span.beta2 * 80e3, -section.span.beta3 * 80e3};
  section.module_loss = from_db(6.0);
  const PlanTotals sum = totals(plan_line(line, RandomStreams(1)));
  CHECK(std::abs(sum.beta2_length) < 1e-33);
  CHECK(std::abs(sum.beta3_length) < 1e-45);
  CHECK(sum.power_gain == doctest::Approx(1.0));
}

TEST_CASE("a line that cannot be built says why") {
  LineParameters line;
  line.sections.resize(1);
  CHECK_THROWS_WITH(plan_line(line, RandomStreams(1)), "bandwidth of the line must be above 0 Hz");
  line.bandwidth = 35e9;
  line.sections[0].span.length = 0.0;
  CHECK_THROWS_WITH(plan_line(line, RandomStreams(1)), "length of a span must be above 0 m");
  line.sections[0].span.length = 80e3;
  line.steps.steps_per_span = 0;
  CHECK_THROWS_WITH(plan_line(line, RandomStreams(1)), "steps per span must be at least 1");
}

TEST_CASE("fibre types are found by name and lie within their recommendations") {
  CHECK_FALSE(find_fibre_type("G.999").has_value());
  CHECK(find_fibre_type("g.652.d")->dispersion_ps_per_nm_km == 17.0);
  for (const FibreType& type : kFibreTypes) {
    CHECK(type.pmd_ps_per_sqrt_km <= 0.20);
    CHECK_FALSE(type.source.empty());
    Scenario scenario;
    scenario.set("fibre.spans=1");
    scenario.set("fibre.span_length_km=100");
    scenario.set("fibre.type=" + std::string(type.name));
    const Span span = read_line(scenario).sections.front().span;
    CHECK(to_db(span.total_loss()) == doctest::Approx(100.0 * type.attenuation_db_per_km));
    CHECK(span.beta2 < 0.0);
  }
  // n2 = 2.6e-20 m^2/W over 80, 125 and 72 um^2 (Agrawal, Nonlinear Fiber Optics).
  const double areas[] = {80e-12, 125e-12, 72e-12};
  for (std::size_t i = 0; i < 3; ++i) {
    CHECK(kFibreTypes[i].nonlinear_coefficient_per_w_km ==
          doctest::Approx(1e3 * kTwoPi * 2.6e-20 / (kWavelength * areas[i])).epsilon(0.015));
  }
}

TEST_CASE("halved steps are half as long under every fixed law") {
  const Span span;
  for (const StepLaw law : {StepLaw::kConstant, StepLaw::kLossMatched, StepLaw::kNonlinearPhase}) {
    for (const double bandwidth : {35e9, 250e9}) {
      StepControl control;
      control.law = law;
      const std::size_t whole = step_lengths(span, control, bandwidth, 2e-3).size();
      const std::size_t half = step_lengths(span, halved(control), bandwidth, 2e-3).size();
      CHECK(half >= 2 * whole - 2);
      CHECK(half <= 2 * whole + 1);
    }
  }
}

TEST_CASE("Kerr products of five channels need twelve samples a symbol") {
  // 4 x 50 GHz + 35.2 GHz in all, centre channel: 1.5 B + f_edge = 370 GHz, between 8 x 32 and 12 x 32 GHz.
  const double rate = kerr_alias_free_rate(235.2e9, 17.6e9);
  CHECK(rate < 12 * 32e9);
  CHECK(rate > 8 * 32e9);
}
