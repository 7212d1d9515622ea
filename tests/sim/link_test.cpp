// The light path as a whole: repeatability, truth, and settings that do not fit together.
#include "sim/link.h"

#include <doctest/doctest.h>

#include <cmath>
#include <filesystem>
#include <thread>

#include "sim/link_setup.h"
#include "sim/optical_path.h"
#include "sim/signal/hdf5.h"
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
  return a.lanes == b.lanes && a.truth->symbols == b.truth->symbols && a.truth->tx_phase_rad == b.truth->tx_phase_rad &&
         a.truth->lo_phase_rad == b.truth->lo_phase_rad && a.truth->jones == b.truth->jones;
}

}  // namespace

TEST_CASE("a frame depends on seed, frame and point alone, whatever ran before or beside it") {
  FftCache fft(FftPlanning::kEstimate, "");
  const Scenario s = small({"fibre.spans=2", "fibre.pmd_ps_per_sqrt_km=0.1", "transmitter.laser_linewidth_khz=100", "frontend.shot_noise=true",
                            "laser_lo.linewidth_khz=100", "channel.osnr_db=15", "frontend.thermal_noise_pa_per_sqrt_hz=20"});
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
  const Capture c = Link(small({"fibre.spans=3", "channel.extra_dispersion_ps_per_nm=-100", "channel.dgd_ps=12", "laser_lo.frequency_offset_mhz=250",
                                "amplifier.ase=false", "channel.osnr_db=17", "channel.polarisation_rotation_deg=30"}),
                         fft)(0);
  const Truth& t = *c.truth;
  CHECK(t.dispersion_ps_per_nm == doctest::Approx(3 * 80 * 17 - 100).epsilon(1e-12));
  CHECK(t.dgd_ps == doctest::Approx(12).epsilon(1e-9));
  CHECK(t.frequency_offset_hz == 250e6);
  CHECK(*t.osnr_db == doctest::Approx(17).epsilon(1e-9));
  CHECK(t.bits[0].size() == 2048);
  CHECK(t.jones_frequency_hz[t.jones.size() / 2] == 0.0);
  for (const Jones& j : t.jones) CHECK(std::norm(j[0][0]) + std::norm(j[1][0]) == doctest::Approx(1.0));
  CHECK(c.samples() == 2048);
}

TEST_CASE("OSNR of loading and line noise add as powers, and the 58 dB rule's exact form holds") {
  // P_launch - span loss - NF - 10 log10(N) + 57.95 with F G - 1 instead of F G.
  const auto levels = [](std::initializer_list<const char*> assignments) {
    const LinkSetup setup = link_setup(small(assignments));
    return light_levels(plan_optical_path(setup, RandomStreams(1)), setup.transmitter.launch_power);
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
        "--set: run.samples_per_symbol: '2' is too few for this roll-off and frequency offset; at least 3 are needed");
  CHECK(rejection({"signal.modulation=gaussian", "signal.pattern=prbs15"}) ==
        "--set: signal.pattern: 'prbs15' makes bits; signal.modulation = gaussian carries none");
  CHECK(rejection({"signal.pattern=file"}) == "--set: signal.pattern: 'file' needs signal.pattern_file");
  CHECK(rejection({"signal.pattern_file=a.h5"}) == "--set: signal.pattern_file: 'a.h5' is used only with signal.pattern = file");
  CHECK(rejection({"signal.pattern=file", "signal.pattern_file=no-such.h5"}) == "no-such.h5: no such file");
  CHECK(rejection({"adc.sample_rate_gsa=20"}) == "--set: adc.sample_rate_gsa: '20' is below one sample a symbol");
}

TEST_CASE("symbols from a file are sent as they are") {
  const std::string path = (std::filesystem::temp_directory_path() / "cohlink-pattern-test.h5").string();
  Symbols flat = map_bits(Modulation::kQpsk, Bits(4096, 1), false);
  for (std::size_t i = 0; i < flat.size(); i += 3) flat[i] *= std::complex<double>(0, 1);
  h5::File::create(path, [&](h5::File& f) { f.write<std::complex<double>>("/symbols", flat, {2, 1024}); });
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
    return Link(small({"fibre.spans=2", "amplifier.ase=false", "adc.bits=16", precision}), fft)(0).lanes[0];
  };
  const auto a = lanes("run.precision=single"), b = lanes("run.precision=double");
  double error = 0, power = 0;
  for (std::size_t i = 0; i < a.size(); ++i) {
    error += std::pow(a[i] - b[i], 2);
    power += std::pow(b[i], 2);
  }
  CHECK(to_db(error / power) < -70.0);
}
