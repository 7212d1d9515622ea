// Wavelength channels, span tables and the elements of a line, as a scenario gives them.
#include "sim/transmitter/wavelength_comb.h"

#include <doctest/doctest.h>

#include <cmath>

#include "sim/link.h"
#include "sim/link_setup.h"
#include "sim/optical_path.h"
#include "sim/signal/line/read_line.h"
#include "sim/signal/units.h"
#include "sim/step_check.h"

using namespace cohlink;

namespace {

Scenario scenario(std::initializer_list<const char*> assignments) {
  Scenario s;
  s.set("signal.symbols=2048");
  s.set("adc.bits=16");
  s.set("adc.loading_db=-18");  // dispersed light has high peaks: no clipping here
  for (const char* assignment : assignments) s.set(assignment);
  return s;
}

std::string rejection(std::initializer_list<const char*> assignments) {
  try {
    link_setup(scenario(assignments));
  } catch (const InputError& error) {
    return error.what();
  }
  return "";
}

double channel_offset_hz(const Scenario& s) { return read_line(s).comb.tested().offset; }

double path_ps_per_nm(const Scenario& s) {
  return beta2_length_to_accumulated(dispersion_at_channel(read_line(s)).beta2_length);
}

// SNR of polarisation X after dispersion compensation and matched filter of a noise-free capture at two
// samples a symbol, by one FFT over the frame: no receiver needed.
double snr_db(const Capture& c, const Scenario& s, const FftCache& fft) {
  const PulseShape pulse{Pulse::kRrc, s.number("signal.roll_off"), s.number("signal.symbol_rate_gbd") * 1e9};
  const std::size_t n = c.samples();
  ComplexRow<double> row(n);
  for (std::size_t i = 0; i < n; ++i)
    row[i] = {c.ampere_per_code[0] * c.lanes[0][i], c.ampere_per_code[1] * c.lanes[1][i]};
  const double beta2_length = accumulated_to_beta2_length(c.truth->dispersion_ps_per_nm);
  fft.get<double>(n).forward(row);
  for (std::size_t k = 0; k < n; ++k) {
    const double f = bin_frequency(k, n, c.sample_rate), w = kTwoPi * f;
    row[k] *= pulse_spectrum(pulse, f) * std::polar(1.0, -0.5 * beta2_length * w * w);
  }
  fft.get<double>(n).inverse(row);
  const Symbols& sent = c.truth->symbols[0];
  std::complex<double> cross = 0.0;
  double power = 0.0;
  for (std::size_t k = 0; k < sent.size(); ++k) {
    cross += row[2 * k] * std::conj(sent[k]);
    power += std::norm(row[2 * k]);
  }
  const double signal = std::norm(cross) / static_cast<double>(sent.size());
  return to_db(signal / (power - signal));
}

}  // namespace

TEST_CASE("a channel comes out of a linear line as it went in, wherever it stands on the grid") {
  // No noise, no Kerr effect: what is left is third-order dispersion over the channel's own band and 16-bit
  // rounding.
  FftCache fft(FftPlanning::kEstimate, "");
  for (const char* under_test : {"channel.under_test=1", "channel.under_test=3", "channel.under_test=5"}) {
    const Scenario s =
        scenario({"channel.count=5", under_test, "fibre.spans=2", "amplifier.ase=false",
                  "fibre.nonlinear_coefficient_per_w_km=0", "channel.roll_offs=0.3,0.1,0.1,0.1,0.2"});
    if (std::string(under_test).ends_with('1') || std::string(under_test).ends_with('5')) {
      CHECK_THROWS_AS(Link(s, fft), InputError);  // its roll-off is not signal.roll_off
      Scenario plain = s;
      plain.set("channel.roll_offs=");
      CHECK(snr_db(Link(plain, fft)(0), plain, fft) > 40.0);
    } else {
      CHECK(snr_db(Link(s, fft)(0), s, fft) > 40.0);
    }
  }
}

TEST_CASE("neighbours do not change the data or lasers of the channel under test") {
  FftCache fft(FftPlanning::kEstimate, "");
  const Capture alone =
      Link(scenario({"transmitter.laser_linewidth_khz=100", "run.samples_per_symbol=8"}), fft)(0);
  const Capture amid =
      Link(scenario({"transmitter.laser_linewidth_khz=100", "run.samples_per_symbol=8", "channel.count=3"}),
           fft)(0);
  CHECK(alone.truth->bits == amid.truth->bits);
  CHECK(alone.truth->tx_phase_rad == amid.truth->tx_phase_rad);
  CHECK(alone.lanes != amid.lanes);
}

TEST_CASE("a comb is the sum of its channels, each made at full width and moved to its place") {
  // Written out sample by sample. Ideal lasers: a noisy one draws other noise at another sample rate.
  const FftCache fft(FftPlanning::kEstimate, "");
  const Execution execution(fft);
  for (const char* pulse : {"rrc", "nrz"}) {
    const Scenario s =
        scenario({"channel.count=4", "channel.spacing_ghz=100", "run.samples_per_symbol=20",
                  "channel.power_offsets_db=0,1,2,3", (std::string("signal.pulse=") + pulse).c_str()});
    const LinkSetup setup = link_setup(s);
    const TransmitterParameters& tested = setup.transmitter;
    const Comb& comb = setup.line.comb;
    const RandomStreams streams(1);
    Field<double> sum = transmit_comb(tested, comb, streams, execution).field;
    const double power = mean_power(sum);
    for (std::size_t k = 0; k < comb.channels.size(); ++k) {
      const Channel& channel = comb.channels[k];
      TransmitterParameters one = tested;
      one.launch_power = channel.power;
      const bool own = k == comb.under_test;
      const Field<double> light =
          transmit(one, own ? streams : streams.of("channel-" + std::to_string(channel.number)), execution)
              .field;
      for (std::size_t t = 0; t < sum.size(); ++t) {
        const auto turn =
            std::polar(1.0, kTwoPi * channel.frequency * static_cast<double>(t) / sum.sample_rate);
        sum.x[t] -= turn * light.x[t];
        sum.y[t] -= turn * light.y[t];
      }
    }
    CHECK(mean_power(sum) < 1e-20 * power);
  }
}

TEST_CASE("the grid centre of an even comb lies between its middle channels") {
  CHECK(channel_offset_hz(scenario({"channel.count=4", "channel.under_test=1"})) == doctest::Approx(-75e9));
  CHECK(channel_offset_hz(scenario({"channel.count=4"})) == doctest::Approx(25e9));
  CHECK(channel_offset_hz(scenario({"channel.count=5"})) == 0.0);
}

TEST_CASE(
    "dispersion at a channel away from the centre includes the slope, in truth and in the receiver's "
    "setting") {
  FftCache fft(FftPlanning::kEstimate, "");
  const Scenario s =
      scenario({"channel.count=5", "channel.under_test=5", "channel.spacing_ghz=100", "fibre.spans=10",
                "fibre.nonlinear_coefficient_per_w_km=0", "amplifier.ase=false"});
  // +200 GHz is -1.603 nm: D falls by 0.056 x 1.603, and beta2 = -D lambda^2/(2 pi c) by 2 x 1.603/1550 of it
  // more.
  const double nm = 1.6028;
  CHECK(path_ps_per_nm(s) == doctest::Approx(800 * (17 - nm * 0.056) * (1 - 2 * nm / 1550)).epsilon(1e-4));
  CHECK(Link(s, fft)(0).truth->dispersion_ps_per_nm == doctest::Approx(path_ps_per_nm(s)).epsilon(1e-6));
}

TEST_CASE("samples a symbol are chosen so that Kerr products do not alias, or refused when too few") {
  CHECK(link_setup(scenario({})).transmitter.samples_per_symbol == 2);
  CHECK(link_setup(scenario({"fibre.spans=1"})).transmitter.samples_per_symbol == 4);
  // Five channels at 50 GHz: 1.5 x 235.2 + 17.6 = 370.4 GHz, 11.6 symbol rates.
  CHECK(link_setup(scenario({"fibre.spans=1", "channel.count=5"})).transmitter.samples_per_symbol == 12);
  CHECK(rejection({"fibre.spans=1", "channel.count=5", "run.samples_per_symbol=8"}) ==
        "run.samples_per_symbol: '8' is too few for this comb of channels without aliasing; at least "
        "12 are needed");
}

TEST_CASE("spans that differ add up to their own losses and dispersion") {
  const Scenario s = scenario({"fibre.span_lengths_km=80,60,100", "fibre.span_types=G.652.D,G.654.E,G.655",
                               "fibre.span_losses_db=0,1,2"});
  CHECK(path_ps_per_nm(s) == doctest::Approx(80 * 17.0 + 60 * 21.0 + 100 * 4.4));
  const LinkSetup setup = link_setup(s);
  const PropagationPlan plan = plan_optical_path(setup, RandomStreams(1));
  CHECK(beta2_length_to_accumulated(totals(plan).beta2_length) == doctest::Approx(path_ps_per_nm(s)));
  // (F G - 1) h nu B summed over amplifiers of 16, 11.2 and 23 dB.
  const double f = from_db(5.0);
  double noise = 0.0;
  for (const double gain_db : {16.0, 60 * 0.17 + 1.0, 100 * 0.21 + 2.0})
    noise += (f * from_db(gain_db) - 1.0) * kPlanck * kCarrierHz * kOsnrBandwidthHz;
  CHECK(*light_levels(plan, launched_light(setup)).osnr() == doctest::Approx(1e-3 / noise).epsilon(1e-6));
  CHECK(rejection({"fibre.span_lengths_km=80,60", "fibre.span_types=G.655"}) ==
        "fibre.span_types: 'G.655' lists 1 values for 2 lengths in fibre.span_lengths_km");
  CHECK(rejection({"fibre.span_lengths_km=80,60", "fibre.spans=2"}) ==
        "fibre.spans: '2' and fibre.span_lengths_km cannot both be given; fibre.spans = 0 makes way "
        "for the list");
}

TEST_CASE("a dispersion module in every span takes its part of the dispersion away") {
  const Scenario s =
      scenario({"fibre.spans=4", "fibre.compensation_ps_per_nm=-1300", "fibre.compensation_loss_db=5"});
  CHECK(path_ps_per_nm(s) == doctest::Approx(4 * (1360 - 1300)));
  CHECK(beta2_length_to_accumulated(
            totals(plan_optical_path(link_setup(s), RandomStreams(1))).beta2_length) == doctest::Approx(240));
}

TEST_CASE("add-drop filters narrow the channel, amplifiers of fixed output keep the level") {
  FftCache fft(FftPlanning::kEstimate, "");
  const auto snr = [&](std::initializer_list<const char*> assignments) {
    const Scenario s = scenario(assignments);
    return snr_db(Link(s, fft)(0), s, fft);
  };
  const double open = snr({"fibre.spans=4", "amplifier.ase=false", "fibre.nonlinear_coefficient_per_w_km=0"});
  const double wide = snr({"fibre.spans=4", "amplifier.ase=false", "fibre.nonlinear_coefficient_per_w_km=0",
                           "fibre.filter_bandwidth_ghz=60"});
  const double narrow = snr({"fibre.spans=4", "amplifier.ase=false", "fibre.nonlinear_coefficient_per_w_km=0",
                             "fibre.filter_bandwidth_ghz=35"});
  CHECK(open > wide - 0.5);
  CHECK(wide > narrow + 3.0);
  const LinkSetup setup = link_setup(scenario({"fibre.spans=3", "amplifier.output_power_dbm=2"}));
  const LightLevels levels = light_levels(plan_optical_path(setup, RandomStreams(1)), launched_light(setup));
  // The gain brings what arrives to the output power; the amplifier's own ASE, below 1 % here, comes on top.
  const double power = levels.signal_power + 2 * levels.noise_psd * launched_light(setup).simulated_band;
  CHECK(power > dbm_to_watt(2.0));
  CHECK(power < 1.01 * dbm_to_watt(2.0));
}

TEST_CASE("halving the step lowers the numerical error at second order") {
  FftCache fft(FftPlanning::kEstimate, "");
  const auto error = [&](const char* steps) {
    return check_steps(scenario({"fibre.spans=2", "transmitter.launch_power_dbm=6", "fibre.step_law=constant",
                                 "amplifier.ase=false", steps}),
                       0, 0, fft);
  };
  const StepCheck coarse = error("fibre.steps_per_span=20"), fine = error("fibre.steps_per_span=40");
  CHECK(coarse.halved_steps == 2 * coarse.steps);
  // Four times smaller in amplitude, 12.04 dB in power; higher orders still show a little.
  CHECK(coarse.error_db - fine.error_db == doctest::Approx(12.04).epsilon(0.08));
  CHECK(coarse.limited_snr_db < -coarse.error_db + 10.0);
  CHECK_THROWS_AS(check_steps(scenario({}), 0, 0, fft), InputError);
}
