// The light path as a whole: repeatability, truth, and settings that do not fit together.
#include "sim/link.h"

#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>
#include <filesystem>
#include <thread>

#include "sim/link_setup.h"
#include "sim/optical_path.h"
#include "sim/signal/pulse.h"
#include "sim/signal/record/hdf5_write.h"
#include "sim/signal/units.h"

using namespace cohlink;

namespace {

Scenario small(std::initializer_list<const char*> assignments) {
  Scenario s;
  s.set("signal.symbols=1024");
  for (const char* assignment : assignments) s.set(assignment);
  return s;
}

std::string rejection(std::initializer_list<const char*> assignments) {
  FftCache fft(FftPlanning::kEstimate, "");
  try {
    const Link link(small(assignments), fft);
  } catch (const InputError& error) {
    return error.what();
  }
  return "";
}

bool same(const Capture& a, const Capture& b) {
  return a.lanes == b.lanes && a.truth->symbols == b.truth->symbols &&
         a.truth->tx_phase_rad == b.truth->tx_phase_rad && a.truth->lo_phase_rad == b.truth->lo_phase_rad &&
         a.truth->jones == b.truth->jones;
}

}  // namespace

TEST_CASE("a frame depends on seed, frame and point alone, whatever ran before or beside it") {
  FftCache fft(FftPlanning::kEstimate, "");
  const Scenario s =
      small({"fibre.spans=2", "fibre.pmd_ps_per_sqrt_km=0.1", "transmitter.laser_linewidth_khz=100",
             "frontend.shot_noise=true", "laser_lo.linewidth_khz=100", "channel.osnr_db=15",
             "frontend.thermal_noise_pa_per_sqrt_hz=20"});
  const Link link(s, fft);
  const Capture first = link(5, 2);
  link(0);
  CHECK(same(link(5, 2), first));
  std::array<Capture, 3> beside;
  std::vector<std::thread> threads;
  for (auto& capture : beside) threads.emplace_back([&] { capture = link(5, 2); });
  for (auto& thread : threads) thread.join();
  for (const auto& capture : beside) CHECK(same(capture, first));
  CHECK_FALSE(same(link(6, 2), first));
  CHECK_FALSE(same(link(5, 3), first));
  Scenario other = s;
  other.set("run.seed=2");
  CHECK_FALSE(same(Link(other, fft)(5, 2), first));
}

TEST_CASE("truth states what the scenario asked for") {
  FftCache fft(FftPlanning::kEstimate, "");
  const Capture c =
      Link(small({"fibre.spans=3", "channel.extra_dispersion_ps_per_nm=-100", "channel.dgd_ps=12",
                  "laser_lo.frequency_offset_mhz=250", "amplifier.ase=false", "channel.osnr_db=17",
                  "channel.polarisation_rotation_deg=30"}),
           fft)(0);
  const Truth& t = *c.truth;
  CHECK(t.dispersion_ps_per_nm == doctest::Approx(3 * 80 * 17 - 100).epsilon(1e-12));
  CHECK(t.dgd_ps == doctest::Approx(12).epsilon(1e-9));
  CHECK(std::hypot(t.dgd_vector_ps[0], t.dgd_vector_ps[1], t.dgd_vector_ps[2]) ==
        doctest::Approx(12).epsilon(1e-9));
  CHECK(t.frequency_offset_hz == 250e6);
  CHECK(*t.osnr_db == doctest::Approx(17).epsilon(1e-9));
  CHECK(t.bits[0].size() == 2048);
  CHECK(t.jones_frequency_hz[t.jones_frequency_hz.size() / 2] == 0.0);
  for (const Jones& j : t.jones) CHECK(std::norm(j[0][0]) + std::norm(j[1][0]) == doctest::Approx(1.0));
  CHECK(c.samples() == 2048);
}

TEST_CASE("OSNR of loading and line noise add as powers, and the 58 dB rule's exact form holds") {
  // P_launch - span loss - NF - 10 log10(N) + 57.95 with F G - 1 instead of F G.
  const auto levels = [](std::initializer_list<const char*> assignments) {
    const LinkSetup setup = link_setup(small(assignments));
    return light_levels(plan_optical_path(setup, RandomStreams(1)), launched_light(setup));
  };
  const double gain = from_db(16.0), factor = from_db(5.0);
  const double expected = 1e-3 / (10 * (factor * gain - 1.0) * kPlanck * kCarrierHz * kOsnrBandwidthHz);
  CHECK(*levels({"fibre.spans=10"}).osnr() == doctest::Approx(expected).epsilon(1e-9));
  const double loaded = *levels({"fibre.spans=10", "channel.osnr_db=15"}).osnr();
  CHECK(1.0 / loaded == doctest::Approx(1.0 / expected + 1.0 / from_db(15.0)).epsilon(1e-9));
  CHECK_FALSE(levels({}).osnr().has_value());
}

TEST_CASE("settings that do not fit together are refused with the place they were set") {
  CHECK(rejection({"signal.roll_off=1", "laser_lo.frequency_offset_mhz=3000", "run.samples_per_symbol=2"}) ==
        "run.samples_per_symbol: '2' is too few for this roll-off and frequency offset; at least 3 "
        "are needed");
  CHECK(rejection({"signal.modulation=gaussian", "signal.pattern=prbs15"}) ==
        "signal.pattern: 'prbs15' makes bits; signal.modulation = gaussian carries none");
  CHECK(rejection({"signal.pattern=file"}) == "signal.pattern: 'file' needs signal.pattern_file");
  CHECK(rejection({"signal.pattern_file=a.h5"}) ==
        "signal.pattern_file: 'a.h5' is used only with signal.pattern = file");
  CHECK(rejection({"signal.pattern=file", "signal.pattern_file=no-such.h5"}) == "no-such.h5: no such file");
  CHECK(rejection({"adc.sample_rate_gsa=20"}) == "adc.sample_rate_gsa: '20' is below one sample a symbol");
}

TEST_CASE("symbols from a file are sent as they are") {
  const std::string path = (std::filesystem::temp_directory_path() / "cohlink-pattern-test.h5").string();
  Symbols flat = map_bits(Modulation::kQpsk, Bits(4096, 1), false);
  for (std::size_t i = 0; i < flat.size(); i += 3) flat[i] *= std::complex<double>(0, 1);
  h5::create(path, [&](h5::NewFile& f) { f.write<std::complex<double>>("/symbols", flat, {2, 1024}); });
  FftCache fft(FftPlanning::kEstimate, "");
  const std::string file = "signal.pattern_file=" + path;
  const Capture c = Link(small({"signal.pattern=file", file.c_str()}), fft)(0);
  CHECK(std::equal(c.truth->symbols[1].begin(), c.truth->symbols[1].end(), flat.begin() + 1024));
  CHECK(rejection({"signal.pattern=file", file.c_str(), "signal.symbols=2048"}) ==
        path + ": /symbols holds 1024 symbols, signal.symbols asks for 2048");
  std::filesystem::remove(path);
}

TEST_CASE("single precision differs from double only by its rounding") {
  FftCache fft(FftPlanning::kEstimate, "");
  const auto lanes = [&](const char* precision) {
    return Link(small({"fibre.spans=2", "amplifier.ase=false", "adc.bits=16", precision}), fft)(0).lanes;
  };
  const Lanes single = lanes("run.precision=single"), twice = lanes("run.precision=double");
  const auto a = single[0], b = twice[0];
  double error = 0, power = 0;
  for (std::size_t i = 0; i < a.size(); ++i) {
    error += std::pow(a[i] - b[i], 2);
    power += std::pow(b[i], 2);
  }
  CHECK(to_db(error / power) < -70.0);
}

TEST_CASE("with every flaw off the codes are the short formula's, one by one") {
  // Independent of the light path: pulses, launch power, R S L* of the given powers, every second sample,
  // scaled to the loading, rounded.
  FftCache fft(FftPlanning::kEstimate, "");
  const Capture c = Link(small({"laser_lo.frequency_offset_mhz=250", "frontend.received_power_dbm=-7",
                                "signal.modulation=16qam"}),
                         fft)(0);
  const PulseShape pulse{Pulse::kRrc, 0.1, 32e9};
  std::array<ComplexRow<double>, 2> light;
  for (std::size_t pol = 0; pol < 2; ++pol) light[pol] = shape_symbols(c.truth->symbols[pol], pulse, 4, fft);
  const double scale = std::sqrt(dbm_to_watt(-7) / (mean_power(light[0]) + mean_power(light[1])));
  for (std::size_t lane = 0; lane < 4; ++lane) {
    std::vector<double> current;
    double power = 0;
    for (std::size_t t = 0; t < light[0].size(); t += 2) {
      const auto beat = light[lane / 2][t] * scale * std::sqrt(dbm_to_watt(13) / 2) *
                        std::polar(1.0, kTwoPi * 250e6 * static_cast<double>(t) / 128e9);
      current.push_back(lane % 2 ? beat.imag() : beat.real());
      power += current.back() * current.back();
    }
    const double step =
        std::sqrt(power / static_cast<double>(current.size())) / (128.0 * std::pow(10.0, -11.0 / 20.0));
    CHECK(c.ampere_per_code[lane] == doctest::Approx(step).epsilon(1e-9));
    std::size_t different = 0;
    for (std::size_t k = 0; k < current.size(); ++k)
      different +=
          c.lanes[lane][k] != static_cast<int>(std::clamp(std::nearbyint(current[k] / step), -128.0, 127.0));
    CHECK(different == 0);
  }
}

namespace {

// A key of the bench's hardware, a value that is not its default, and what must be on for it to act.
struct Effect {
  const char *key, *value;
  std::vector<const char*> context = {};
};

// clang-format off
const std::vector<const char*> kIq = {"transmitter.modulator=iq"};
const std::vector<const char*> kManual = {"frontend.gain_control=manual", "frontend.received_power_dbm=-20"};

const std::vector<Effect> kHardwareEffects = {
    {"transmitter.launch_power_dbm", "6", {"fibre.spans=1"}},
    {"transmitter.laser_linewidth_khz", "100"},
    {"transmitter.laser_flicker_hz2_per_hz", "1e8"},
    {"transmitter.laser_drift_mhz_per_ms", "1e6"},
    {"transmitter.laser_dither_mhz", "100"},
    {"transmitter.laser_dither_rate_khz", "1000", {"transmitter.laser_dither_mhz=1000"}},
    {"transmitter.laser_rin_db_per_hz", "-130"},
    {"transmitter.laser_rin_bandwidth_ghz", "5", {"transmitter.laser_rin_db_per_hz=-130"}},
    {"transmitter.laser_power_dbm", "5", {"transmitter.launch_amplifier_noise_figure_db=20"}},
    {"transmitter.dac_bits", "5"},
    {"transmitter.dac_enob", "4", {"transmitter.dac_bits=8"}},
    {"transmitter.dac_sample_rate_gsa", "64", {"run.samples_per_symbol=8"}},
    {"transmitter.dac_loading_db", "-4", {"transmitter.dac_bits=5"}},
    {"transmitter.dac_bandwidth_ghz", "20"},
    {"transmitter.dac_bandwidth_order", "2", {"transmitter.dac_bandwidth_ghz=20"}},
    {"transmitter.preemphasis_db", "6", {"transmitter.dac_bandwidth_ghz=20"}},
    {"transmitter.dac_output_rms_v", "0.2", kIq},
    {"transmitter.driver_gain_db", "26", kIq},
    {"transmitter.driver_saturation_v", "2", {"run.samples_per_symbol=8"}},
    {"transmitter.modulator", "iq", {"run.samples_per_symbol=8"}},
    {"transmitter.modulator_v_pi_v", "3", kIq},
    {"transmitter.modulator_extinction_db", "20", kIq},
    {"transmitter.modulator_outer_extinction_db", "20", kIq},
    {"transmitter.modulator_bias_error_i_deg", "5", kIq},
    {"transmitter.modulator_bias_error_q_deg", "5", kIq},
    {"transmitter.bias_control",
     "automatic",
     {"transmitter.modulator=iq", "transmitter.modulator_extinction_db=20"}},
    {"transmitter.modulator_loss_db", "20", {"transmitter.launch_amplifier_noise_figure_db=10"}},
    {"transmitter.predistortion", "arcsine", kIq},
    {"transmitter.iq_gain_imbalance_db", "1"},
    {"transmitter.iq_phase_error_deg", "5"},
    {"transmitter.iq_skew_ps", "1"},
    {"transmitter.xy_power_imbalance_db", "1"},
    {"transmitter.xy_skew_ps", "5"},
    {"transmitter.launch_amplifier_noise_figure_db", "20"},
    {"laser_lo.power_dbm", "16"},
    {"laser_lo.linewidth_khz", "100"},
    {"laser_lo.frequency_offset_mhz", "100"},
    {"laser_lo.flicker_hz2_per_hz", "1e8"},
    {"laser_lo.drift_mhz_per_ms", "1e6"},
    {"laser_lo.dither_mhz", "100"},
    {"laser_lo.dither_rate_khz", "1000", {"laser_lo.dither_mhz=1000"}},
    {"laser_lo.rin_db_per_hz", "-120"},
    {"laser_lo.rin_bandwidth_ghz", "5", {"laser_lo.rin_db_per_hz=-120"}},
    {"frontend.received_power_dbm", "-10"},
    {"frontend.attenuation_db", "10"},
    {"frontend.preamplifier_noise_figure_db", "20"},
    {"frontend.preamplifier_output_dbm", "3", {"frontend.preamplifier_noise_figure_db=5"}},
    {"frontend.pbs_extinction_db", "20"},
    {"frontend.pbs_angle_deg", "2"},
    {"frontend.lo_split_imbalance_db", "1"},
    {"frontend.lo_loss_db", "1"},
    {"frontend.splitter_imbalance_db", "0.5"},
    {"frontend.splitter_imbalance_y_db", "0.5"},
    {"frontend.combiner_imbalance_db", "0.5"},
    {"frontend.combiner_imbalance_y_db", "0.5"},
    {"frontend.coupler_phase_error_deg", "5"},
    {"frontend.hybrid_loss_db", "3"},
    {"frontend.hybrid_phase_error_deg", "5"},
    {"frontend.hybrid_phase_error_y_deg", "5"},
    {"frontend.responsivity_a_per_w", "0.8"},
    {"frontend.cmrr_db", "20"},
    {"frontend.cmrr_y_db", "20"},
    {"frontend.pn_skew_ps", "3"},
    {"frontend.pn_skew_y_ps", "3"},
    {"frontend.dark_current_na", "100000", {"frontend.shot_noise=true"}},
    {"frontend.thermal_noise_pa_per_sqrt_hz", "1000"},
    {"frontend.shot_noise", "true"},
    {"frontend.bandwidth_ghz", "20"},
    {"frontend.bandwidth_order", "2", {"frontend.bandwidth_ghz=20"}},
    {"frontend.bandwidth_xi_ghz", "15"},
    {"frontend.bandwidth_xq_ghz", "15"},
    {"frontend.bandwidth_yi_ghz", "15"},
    {"frontend.bandwidth_yq_ghz", "15"},
    {"frontend.low_cutoff_khz", "100000"},
    {"frontend.gain_control", "manual"},
    {"frontend.output_rms_mv", "200", {"frontend.output_saturation_mv=300"}},
    {"frontend.transimpedance_ohm", "500", kManual},
    {"frontend.output_saturation_mv", "300", {"run.samples_per_symbol=8"}},
    {"frontend.iq_skew_ps", "1"},
    {"frontend.xy_skew_ps", "5"},
    {"adc.sample_rate_gsa", "80"},
    {"adc.inputs", "XI,-XQ,YQ,open"},
    {"adc.bits", "6"},
    {"adc.enob", "5"},
    {"adc.loading_db", "-8"},
    {"adc.full_scale_mv", "300", kManual},
    {"adc.clock_offset_ppm", "20"},
    {"adc.clock_phase_samples", "0.3"},
    {"adc.jitter_fs", "300"},
    {"adc.sine_jitter_fs", "1000"},
    {"adc.sine_jitter_rate_mhz", "100", {"adc.sine_jitter_fs=1000"}},
    {"adc.skew_xi_ps", "2"},
    {"adc.skew_xq_ps", "2"},
    {"adc.skew_yi_ps", "2"},
    {"adc.skew_yq_ps", "2"},
    {"adc.gain_spread_db", "0.5"},
    {"adc.offset_spread_percent", "1"},
    {"adc.interleave", "8", {"adc.interleave=4", "adc.interleave_gain_percent=1"}},
    {"adc.interleave_gain_percent", "1", {"adc.interleave=4"}},
    {"adc.interleave_offset_percent", "1", {"adc.interleave=4"}},
    {"adc.interleave_skew_fs", "300", {"adc.interleave=4"}},
};
// clang-format on

// Gain control hides a plain gain from the codes: it then stands in their scale.
bool tells_apart(const Capture& a, const Capture& b) {
  for (std::size_t l = 0; l < 4; ++l)
    if (std::abs(a.ampere_per_code[l] / b.ampere_per_code[l] - 1.0) > 1e-3) return true;
  return a.lanes != b.lanes;
}

}  // namespace

TEST_CASE("every key of transmitter, oscillator, front end and converter reaches the capture") {
  FftCache fft(FftPlanning::kEstimate, "");
  const auto& effects = kHardwareEffects;
  for (const ScenarioKey& key : scenario_keys()) {
    const bool hardware = key.section == "transmitter" || key.section == "laser_lo" ||
                          key.section == "frontend" || key.section == "adc";
    const bool caution_only = key.name == "least_input_dbm" || key.name == "most_input_dbm";
    if (!hardware || caution_only) continue;
    CAPTURE(key.full_name());
    const auto effect = std::find_if(effects.begin(), effects.end(),
                                     [&](const Effect& e) { return key.full_name() == e.key; });
    REQUIRE(effect != effects.end());  // a new key needs an entry above
    Scenario without = small({});
    for (const char* setting : effect->context) without.set(setting);
    Scenario with = without;
    with.set(effect->key, effect->value, "test");
    CHECK(tells_apart(Link(with, fft)(0), Link(without, fft)(0)));
  }
}

TEST_CASE("what hardware cuts off is counted") {
  FftCache fft(FftPlanning::kEstimate, "");
  const auto counters = [&](std::initializer_list<const char*> settings) {
    return Link(small(settings), fft)(0).counters;
  };
  const auto plain = counters({});
  CHECK_FALSE(plain.contains("predistortion_clipped_samples"));
  CHECK_FALSE(plain.contains("rin_clipped_samples"));
  CHECK(counters({"transmitter.modulator=iq", "transmitter.predistortion=arcsine",
                  "transmitter.driver_gain_db=10"})
            .at("predistortion_clipped_samples") == 0);
  CHECK(counters({"transmitter.modulator=iq", "transmitter.predistortion=arcsine",
                  "transmitter.dac_output_rms_v=0.4"})
            .at("predistortion_clipped_samples") > 0);
  CHECK(counters({"laser_lo.rin_db_per_hz=-140"}).at("rin_clipped_samples") == 0);
  // -80 dB/Hz over 32 GHz one-sided is 320 times the power: about half of all samples would be negative.
  const auto cut = counters({"transmitter.laser_rin_db_per_hz=-80"}).at("rin_clipped_samples");
  CHECK(std::abs(static_cast<double>(cut) / 2048 - 0.5) < 0.06);
}

TEST_CASE(
    "samples a symbol are chosen to hold converter images and harmonics, and a lower value is cautioned") {
  const auto chosen = [](std::initializer_list<const char*> settings) {
    return link_setup(small(settings)).transmitter.samples_per_symbol;
  };
  // 32 GBd, roll-off 0.1: the pulse ends at 17.6 GHz.
  CHECK(chosen({}) == 2);
  CHECK(chosen({"transmitter.dac_sample_rate_gsa=64"}) == 6);    // 2 (64 + 17.6) / 32 = 5.1
  CHECK(chosen({"transmitter.dac_sample_rate_gsa=120"}) == 10);  // 8.6
  CHECK(chosen({"transmitter.dac_bits=8", "transmitter.dac_bandwidth_ghz=20"}) == 2);
  CHECK(chosen({"transmitter.modulator=iq"}) == 4);           // 4 x 17.6 / 32 = 2.2
  CHECK(chosen({"transmitter.driver_saturation_v=3"}) == 4);  // 6 x 17.6 / 32 = 3.3
  CHECK(chosen({"frontend.output_saturation_mv=450"}) == 4);
  CHECK(chosen({"transmitter.dac_sample_rate_gsa=1000", "signal.symbol_rate_gbd=1"}) == 256);
  CHECK_FALSE(sampling_caution(link_setup(small({"transmitter.dac_sample_rate_gsa=64"}))));
  CHECK_FALSE(sampling_caution(link_setup(small({"run.samples_per_symbol=2"}))));
  const auto caution =
      sampling_caution(link_setup(small({"transmitter.dac_sample_rate_gsa=64", "run.samples_per_symbol=2"})));
  REQUIRE(caution);
  CHECK(
      *caution ==
      "run.samples_per_symbol = 2 does not hold the converter's images or the harmonics of driver, modulator "
      "or saturated amplifier; 6 do (left out, the key chooses itself)");
}

TEST_CASE("the truth of the hardware comes back from the file") {
  FftCache fft(FftPlanning::kEstimate, "");
  const Capture c = Link(
      small({"transmitter.laser_rin_db_per_hz=-140", "laser_lo.rin_db_per_hz=-140", "frontend.iq_skew_ps=1",
             "adc.skew_yq_ps=2", "adc.gain_spread_db=0.5", "adc.offset_spread_percent=1", "adc.interleave=4",
             "adc.interleave_gain_percent=1", "adc.interleave_skew_fs=300", "adc.clock_offset_ppm=7"}),
      fft)(3);
  const std::string path =
      (std::filesystem::temp_directory_path() / "cohlink-hardware-truth-test.h5").string();
  write_capture(c, path);
  const Capture read = read_capture(path);
  std::filesystem::remove(path);
  CHECK(read.truth->tx_relative_power == c.truth->tx_relative_power);
  CHECK(read.truth->lo_relative_power.size() == 1024);
  const LaneTruth& lanes = *read.truth->lanes;
  CHECK(lanes.skew_ps[1] == doctest::Approx(1.0));
  CHECK(lanes.skew_ps[3] == doctest::Approx(3.0));
  CHECK(lanes.gain == c.truth->lanes->gain);
  CHECK(lanes.gain != std::array<double, 4>{1, 1, 1, 1});
  CHECK(lanes.interleaving_skew_ps == c.truth->lanes->interleaving_skew_ps);
  CHECK(lanes.interleaving_gain[2].size() == 4);
  CHECK(lanes.clock_offset_ppm == doctest::Approx(7));
}

TEST_CASE("the transmitter's and the pre-amplifier's noise count in the OSNR of the truth") {
  FftCache fft(FftPlanning::kEstimate, "");
  const auto osnr = [&](std::initializer_list<const char*> assignments) {
    return Link(small(assignments), fft)(0).truth->osnr_db;
  };
  CHECK_FALSE(osnr({}).has_value());
  // Power into the amplifier - NF + 57.95 dB: 16 - 20 - 5 + 57.95, and for the receiver -30 - 5 + 57.95; the
  // exact F G - 1 differs by less than 0.1 dB at these gains.
  const double transmitter =
      *osnr({"transmitter.modulator_loss_db=20", "transmitter.launch_amplifier_noise_figure_db=5",
             "transmitter.launch_power_dbm=10"});
  CHECK(std::abs(transmitter - 48.95) < 0.15);
  const double receiver =
      *osnr({"frontend.received_power_dbm=-30", "frontend.preamplifier_noise_figure_db=5"});
  CHECK(std::abs(receiver - 22.95) < 0.02);
}

TEST_CASE("hardware settings that do not fit together are refused") {
  CHECK(rejection({"transmitter.modulator_extinction_db=20"}) ==
        "transmitter.modulator_extinction_db: '20' is used only with transmitter.modulator = iq");
  CHECK(rejection({"transmitter.predistortion=arcsine"}) ==
        "transmitter.predistortion: 'arcsine' is used only with transmitter.modulator = iq");
  CHECK(rejection({"adc.enob=9"}) == "adc.enob: '9' exceeds adc.bits = 8");
  CHECK(rejection({"transmitter.dac_enob=5"}) == "transmitter.dac_enob: '5' needs transmitter.dac_bits");
  CHECK(rejection({"frontend.dark_current_na=10"}) ==
        "frontend.dark_current_na: '10' only adds shot noise; it needs frontend.shot_noise = true");
  CHECK(rejection({"adc.interleave_skew_fs=100"}) ==
        "adc.interleave_skew_fs: '100' is a spread over sub-converters; adc.interleave must exceed 1");
  CHECK(rejection({"transmitter.dac_sample_rate_gsa=30"})
            .starts_with("transmitter.dac_sample_rate_gsa: '30' is below the bandwidth of the pulse, 35.2"));
}

TEST_CASE("a resolved scenario repeats the capture, flaws and all") {
  FftCache fft(FftPlanning::kEstimate, "");
  const Capture c = Link(small({"transmitter.modulator=iq", "transmitter.dac_bits=6", "adc.jitter_fs=100",
                                "frontend.cmrr_db=20", "laser_lo.rin_db_per_hz=-140"}),
                         fft)(2);
  Scenario again;
  again.read_text(c.scenario_text, "stored");
  CHECK(Link(again, fft)(2).lanes == c.lanes);
  Scenario plain;
  plain.read_text(Link(small({}), fft)(0).scenario_text, "stored");
  CHECK_NOTHROW(Link(plain, fft));
}
