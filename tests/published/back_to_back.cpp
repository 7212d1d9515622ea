// The whole chain, simulated and received, against the closed forms of coherent detection.
#include <doctest/doctest.h>

#include <cmath>
#include <cstdio>
#include <string>

#include "sim/signal/units.h"
#include "tests/validation.h"
#include "tools/study/plan/theory.h"
#include "tools/study/run/frame.h"

using namespace cohlink;

namespace {

FftCache& fft() {
  static FftCache cache(FftPlanning::kEstimate, "");
  return cache;
}

Scenario scenario_of(const std::string& modulation, double osnr_db) {
  Scenario s;
  s.set("signal.modulation", modulation, "test");
  s.set("channel.osnr_db", std::to_string(osnr_db), "test");
  return s;
}

// No converter, no laser, no equaliser: what is left is white noise and the decision.
void make_ideal(Scenario& s) {
  s.set("adc.bits=16");
  s.set("adc.loading_db=-16");
  s.set("dsp.chain=resample,dispersion,matched-filter,genie-polarisation,decimate,phase");
  s.set("dsp.phase_recovery=genie");
}

void use_lasers(Scenario& s, const char* khz) {
  s.set(std::string("transmitter.laser_linewidth_khz=") + khz);
  s.set(std::string("laser_lo.linewidth_khz=") + khz);
  s.set("laser_lo.frequency_offset_mhz=200");
  s.set("channel.polarisation_rotation_deg=37");
  s.set("channel.polarisation_retardance_deg=70");
}

FrameResult count(const Scenario& s, std::uint64_t frames, std::uint64_t address) {
  const Link link(s, fft());
  const Receiver receiver(s, fft());
  FrameResult total;
  for (std::uint64_t frame = 0; frame < frames; ++frame) total += run_frame(link, receiver, frame, address);
  return total;
}

std::uint64_t slips(const FrameResult& result) {
  const auto found = result.counters.find("cycle_slips");
  return found == result.counters.end() ? 0 : found->second;
}

// OSNR spent beyond what theory needs for the BER that was counted.
double penalty_db(const Scenario& s, const FrameResult& result) {
  const double snr =
      s.number("channel.osnr_db") - to_db(s.number("signal.symbol_rate_gbd") * 1e9 / kOsnrBandwidthHz);
  return snr - to_db(theory_snr(scenario_modulation(s), result.count.ber()));
}

}  // namespace

TEST_CASE("ideal chain back to back: 16 BERs on theory as often as their intervals promise") {
  // 8 OSNR points a format at 32 GBd, noise of its own at each. Of 16 intervals of 95 % at most one may miss,
  // of 99.9 % none: by chance alone that fails once in five times and once in 60; the seed is fixed.
  int outside = 0, points = 0;
  double worst_db = 0.0;
  for (const auto& tried : {std::pair{"qpsk", 8.25}, {"16qam", 15.25}}) {
    const auto& modulation = std::get<0>(tried);
    const auto& first = std::get<1>(tried);
    for (int k = 0; k < 8; ++k) {
      Scenario s = scenario_of(modulation, first + 0.75 + 0.85 * k);  // 9 to 14.95 dB, 16 to 21.95 dB
      make_ideal(s);
      const FrameResult result = count(s, 4, static_cast<std::uint64_t>(points++));
      const double theory = *theory_ber(s);
      const Interval usual = clopper_pearson(result.count.errors, result.count.bits, 0.95);
      const Interval wide = clopper_pearson(result.count.errors, result.count.bits, 0.999);
      CAPTURE(modulation);
      CAPTURE(result.count.errors);
      outside += theory < usual.low || theory > usual.high;
      CHECK(theory > wide.low);
      CHECK(theory < wide.high);
      worst_db = std::max(worst_db, std::abs(penalty_db(s, result)));
    }
  }
  CHECK(outside <= 3);    // of 16 at 95 %, more are outside once in 140 draws (binomial)
  CHECK(worst_db < 0.1);  // 250 errors, the fewest, fix a point to 0.05 dB (one standard error)
  validation::record(
      "BERs of 16 back-to-back points outside their 95 % interval around theory",
      "Proakis, Digital Communications, ch. 4; Cho and Yoon, IEEE Trans. Commun. 50(7) 1074, 2002", 0,
      outside, 1);
  validation::record(
      "largest distance of 16 back-to-back points from theory [dB]",
      "Proakis, Digital Communications, ch. 4; Cho and Yoon, IEEE Trans. Commun. 50(7) 1074, 2002", 0,
      worst_db, 0.1);
}

TEST_CASE(
    "blind chain with two 100 kHz lasers at BER 1e-2: QPSK within 0.3 dB of theory, 16QAM within 0.5 dB") {
  // A million bits and more at 1e-2 fix a penalty to about 0.02 dB.
  for (const auto& [modulation, osnr, frames, bound] :
       {std::tuple{"qpsk", 11.5, 6, 0.3}, {"16qam", 18.1, 3, 0.5}}) {
    Scenario s = scenario_of(modulation, osnr);
    use_lasers(s, "100");
    const FrameResult result = count(s, static_cast<std::uint64_t>(frames), 0);
    const double penalty = penalty_db(s, result);
    CHECK(penalty < bound);
    CHECK(penalty > -0.05);
    CHECK(slips(result) == 0);
    validation::record(std::string("penalty of the blind chain, ") + modulation + " at BER 1e-2 [dB]",
                       "exact BER of coherent detection (Proakis; Cho and Yoon)", 0, penalty, bound);
  }
}

TEST_CASE("50,000 ps/nm costs less than 0.2 dB with 1 kHz lasers") {
  // Common practice: what a long-haul 100G-class module is specified for.
  for (const auto& [modulation, osnr, frames] : {std::tuple{"qpsk", 11.5, 6}, {"16qam", 18.1, 3}}) {
    Scenario s = scenario_of(modulation, osnr);
    use_lasers(s, "1");
    s.set("channel.extra_dispersion_ps_per_nm=50000");
    const FrameResult result = count(s, static_cast<std::uint64_t>(frames), 0);
    CHECK(penalty_db(s, result) < 0.2);
    CHECK(slips(result) == 0);
    validation::record(
        std::string("penalty of 50,000 ps/nm in all, ") + modulation + " at BER 1e-2, 1 kHz lasers [dB]",
        "exact BER of coherent detection; the dispersion is common practice", 0, penalty_db(s, result), 0.2);
  }
}
