// Truth of hybrid and photodiodes against what an independent look at the codes finds (look_at_codes.h).
#include <doctest/doctest.h>

#include <cmath>

#include "tests/sim/look_at_codes.h"

using namespace cohlink;
using namespace cohlink::test;

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
