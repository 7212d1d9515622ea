// Truth of the lanes, from electrical band to converter, against what an independent look at the codes finds
// (look_at_codes.h).
#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>

#include "tests/sim/look_at_codes.h"

using namespace cohlink;
using namespace cohlink::test;

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
