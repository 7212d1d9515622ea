// The table: every scenario key, declared once.
#include <array>
#include <utility>

#include "sim/signal/constellation.h"
#include "sim/signal/scenario/scenario.h"

namespace cohlink {
namespace {

constexpr auto kNumber = KeyType::kNumber;
constexpr auto kInteger = KeyType::kInteger;
constexpr auto kBoolean = KeyType::kBoolean;
constexpr auto kChoice = KeyType::kChoice;
constexpr auto kText = KeyType::kText;
constexpr auto kList = KeyType::kList;
constexpr auto kNumbers = KeyType::kNumbers;

// clang-format off
// section, key, type, unit, default, low, high, choices, help, source
const std::vector<ScenarioKey> kKeys = {
    {"signal", "symbol_rate_gbd", kNumber, "GBd", "32", 0.1, 400, "", "symbol rate of one polarisation", "common practice: 28 to 64 GBd modules"},
    {"signal", "modulation", kChoice, "", "qpsk", 0, 0, modulation_names(), "symbols of each polarisation; gaussian = circular Gaussian symbols without bits", ""},
    {"signal", "entropy_bits", kNumber, "bits", "", 2.1, 6, "", "probabilistic shaping of 16qam or 64qam: entropy of a symbol, its points drawn by the Maxwell-Boltzmann law; absent = all points alike", "Boecherer et al., IEEE Trans. Commun. 63(12) 4651, 2015"},
    {"signal", "matcher_block", kInteger, "amplitudes", "0", 0, 4096, "", "amplitudes that the constant-composition distribution matcher of shaped symbols makes at a time; short blocks lose rate; 0 = drawn ideally", "Schulte and Boecherer, IEEE Trans. Inf. Theory 62(1) 430, 2016"},
    {"signal", "pulse", kChoice, "", "rrc", 0, 0, "rrc|nrz", "root-raised-cosine, or NRZ cut at its main lobe", ""},
    {"signal", "roll_off", kNumber, "", "0.1", 0.01, 1, "", "roll-off of the root-raised-cosine pulse", "common practice: 0.05 to 0.2"},
    {"signal", "symbols", kInteger, "", "65536", 1024, 16777216, "", "symbols per frame and polarisation; lengths with small prime factors are fastest", ""},
    {"signal", "pattern", kChoice, "", "random", 0, 0, "random|prbs15|prbs23|prbs31|file", "data: random bits, an ITU-T O.150 sequence, or pattern_file", "ITU-T O.150 clause 5"},
    {"signal", "pattern_file", kText, "", "", 0, 0, "", "HDF5 file with /symbols [2, symbols], complex {r,i}, unit mean power (for pattern = file)", ""},
    {"signal", "pilot_spacing", kInteger, "symbols", "0", 0, 65536, "", "every so many symbols one is a pilot that the receiver knows: it resolves quarter turns and removes cycle slips, and costs 1/spacing of the rate; 0 = none", "OIF-400ZR-01.0: 32 (from memory)"},
    {"signal", "differential", kBoolean, "", "false", 0, 0, "", "differential quadrant coding of the bits", "Weber, IEEE Trans. Commun. 26(3) 385, 1978"},

    {"run", "seed", kInteger, "", "1", 0, 9007199254740992.0, "", "seed of every random stream", ""},
    {"run", "frames", kInteger, "", "1", 1, 1000000, "", "frames: how many to simulate; in a sweep the most spent on one point", ""},
    {"run", "target_errors", kInteger, "", "100", 0, 1000000000, "", "a sweep point ends with the frame that reaches this many bit errors; 0 = always all frames", "common practice: 100 errors"},
    {"run", "precision", kChoice, "", "double", 0, 0, "single|double", "arithmetic of the fibre propagation", ""},
    {"run", "device", kChoice, "", "auto", 0, 0, "auto|cpu|cuda", "where light goes through fibre: auto = a GPU where there is one, else the CPU; light is the same but for rounding", ""},
    {"run", "samples_per_symbol", kInteger, "", "", 2, 256, "", "optical samples per symbol in the simulation; absent = the fewest that hold the signal, the converter's images and the harmonics of modulator and amplifiers, and keep first-order Kerr products from aliasing", ""},
    {"run", "threads", kInteger, "", "0", 0, 1024, "", "worker threads; 0 = one per core", ""},
    {"run", "reuse", kBoolean, "", "true", 0, 0, "", "studies keep what the keys they vary do not touch: the light behind the fibre for other OSNRs, the capture for other DSP; the numbers are the same without", ""},
    {"run", "reuse_memory_mb", kInteger, "MB", "1024", 0, 1000000, "", "memory that may be spent on it; what does not fit is computed again", ""},
    {"run", "fft_planning", kChoice, "", "measured", 0, 0, "measured|estimated", "FFT plans: measured are faster; their wisdom is kept in the user's cache folder", ""},

    {"transmitter", "launch_power_dbm", kNumber, "dBm", "0", -60, 30, "", "launch power, both polarisations of one channel", ""},
    {"transmitter", "laser_linewidth_khz", kNumber, "kHz", "0", 0, 100000, "", "Lorentzian full width at half maximum of the transmit laser; 0 = none", "common practice: 100 kHz"},
    {"transmitter", "laser_flicker_hz2_per_hz", kNumber, "Hz2/Hz", "0", 0, 1e12, "", "one-sided density at 1 MHz of the 1/f frequency noise of the transmit laser; 0 = none", "common practice: about the white level linewidth / pi, 3e4 for 100 kHz"},
    {"transmitter", "laser_drift_mhz_per_ms", kNumber, "MHz/ms", "0", -1000000, 1000000, "", "drift of the optical frequency of the transmit laser within a frame", ""},
    {"transmitter", "laser_dither_mhz", kNumber, "MHz", "0", 0, 10000, "", "peak deviation of a sinusoidal dither of the frequency of the transmit laser; 0 = none", "common practice: 50 to 100 MHz where a locker uses dither"},
    {"transmitter", "laser_dither_rate_khz", kNumber, "kHz", "10", 0.001, 1000000, "", "rate of the dither of the transmit laser", "common practice: 1 to 50 kHz"},
    {"transmitter", "laser_rin_db_per_hz", kNumber, "dB/Hz", "", -200, -80, "", "one-sided relative intensity noise of the transmit laser; absent = none", "OIF-400ZR-01.0: -145 (from memory)"},
    {"transmitter", "laser_rin_bandwidth_ghz", kNumber, "GHz", "", 0.001, 1000, "", "the intensity noise of the transmit laser is flat up to here and nothing beyond; absent = white over the simulated band", "common practice: 10 to 20 GHz, past the relaxation peak"},
    {"transmitter", "laser_power_dbm", kNumber, "dBm", "16", -30, 30, "", "power of the transmit laser into the modulator; decides the noise of the launch amplifier", "common practice: 13 to 17 dBm"},
    {"transmitter", "dac_bits", kInteger, "", "", 2, 16, "", "resolution of the transmitter's converters; absent = values go through unrounded", "common practice: 8"},
    {"transmitter", "dac_enob", kNumber, "", "", 1, 16, "", "effective number of bits of the transmitter's converters; absent = dac_bits", "common practice: 5.5 to 6"},
    {"transmitter", "dac_sample_rate_gsa", kNumber, "GSa/s", "", 0.1, 1000, "", "rate of the converters, whose zero-order hold droops as sinc(f / rate) and leaves images; absent = no hold", "common practice: 64 to 120"},
    {"transmitter", "dac_loading_db", kNumber, "dB", "-10", -40, 0, "", "rms of a drive lane relative to the converter's full scale (with dac_bits)", "common practice: -12 to -8"},
    {"transmitter", "dac_bandwidth_ghz", kNumber, "GHz", "", 0.1, 1000, "", "3 dB bandwidth of converter, driver and modulator together, Bessel; absent = unlimited", "common practice: 0.5 to 0.7 of the symbol rate"},
    {"transmitter", "dac_bandwidth_order", kInteger, "", "4", 1, 10, "", "order of that Bessel filter", ""},
    {"transmitter", "preemphasis_db", kNumber, "dB", "0", 0, 40, "", "digital inverse of hold and bandwidth, lifting at most by this much; 0 = off", "common practice: up to 10"},
    {"transmitter", "dac_output_rms_v", kNumber, "V", "0.1", 0.0001, 10, "", "rms voltage of a lane out of the converter", "common practice: 0.5 V peak to peak"},
    {"transmitter", "driver_gain_db", kNumber, "dB", "20", -20, 60, "", "small-signal voltage gain of the driver, 20 log10", "common practice: 15 to 25"},
    {"transmitter", "driver_saturation_v", kNumber, "V", "", 0.001, 100, "", "the driver's output never exceeds this (soft knee); absent = linear", "common practice: about V_pi"},
    {"transmitter", "modulator", kChoice, "", "ideal", 0, 0, "ideal|iq", "ideal = linear; iq = nested Mach-Zehnder interferometers", "Seimetz, High-Order Modulation for Optical Fiber Transmission, 2009, ch. 2"},
    {"transmitter", "modulator_v_pi_v", kNumber, "V", "4", 0.01, 100, "", "voltage that turns the arms of a child interferometer by pi against each other", "common practice: 2 to 6 V"},
    {"transmitter", "modulator_extinction_db", kNumber, "dB", "", 3, 100, "", "static extinction ratio of the child interferometers (modulator = iq); absent = infinite", "common practice: 20 to 30"},
    {"transmitter", "modulator_outer_extinction_db", kNumber, "dB", "", 3, 100, "", "static extinction ratio of the outer interferometer (modulator = iq); absent = infinite", "common practice: 20 to 30"},
    {"transmitter", "modulator_bias_error_i_deg", kNumber, "deg", "0", -180, 180, "", "bias of the I interferometer off its null, 180 deg = V_pi (modulator = iq)", "common practice: a few degrees under bias control"},
    {"transmitter", "modulator_bias_error_q_deg", kNumber, "deg", "0", -180, 180, "", "bias of the Q interferometer off its null (modulator = iq)", "common practice: a few degrees under bias control"},
    {"transmitter", "bias_control", kChoice, "", "off", 0, 0, "off|automatic", "automatic = the children's biases are led to where the mean carrier vanishes, and their errors count from there (modulator = iq)", "common practice: every module has one"},
    {"transmitter", "modulator_loss_db", kNumber, "dB", "0", 0, 40, "", "insertion loss of the modulator at its maximum, beyond the 3 dB of its quadrature", "common practice: 6 to 13 dB"},
    {"transmitter", "predistortion", kChoice, "", "off", 0, 0, "off|arcsine", "digital inverse of the modulator's sine (modulator = iq)", "common practice"},
    {"transmitter", "iq_gain_imbalance_db", kNumber, "dB", "0", -20, 20, "", "amplitude of I over Q, 20 log10, both polarisations", "OIF-400ZR-01.0: up to 1 (from memory)"},
    {"transmitter", "iq_phase_error_deg", kNumber, "deg", "0", -60, 60, "", "angle between I and Q off 90 degrees (bias of the outer interferometer)", "OIF-400ZR-01.0: within 5 (from memory)"},
    {"transmitter", "iq_skew_ps", kNumber, "ps", "0", -1000, 1000, "", "Q later than I by this, both polarisations", "OIF-400ZR-01.0: up to 0.75 (from memory)"},
    {"transmitter", "xy_power_imbalance_db", kNumber, "dB", "0", -20, 20, "", "power of X over Y", "OIF-400ZR-01.0: up to 1.5 (from memory)"},
    {"transmitter", "xy_skew_ps", kNumber, "ps", "0", -10000, 10000, "", "Y later than X by this", "OIF-400ZR-01.0: up to 5 (from memory)"},
    {"transmitter", "launch_amplifier_noise_figure_db", kNumber, "dB", "", 0, 20, "", "noise figure of the amplifier that sets the launch power; absent = noiseless", "common practice: 5; OIF-400ZR-01.0 asks an OSNR of 34 dB (from memory)"},

    {"fibre", "type", kChoice, "", "G.652.D", 0, 0, "G.652.D|G.654.E|G.655", "fibre type: gives loss, dispersion, slope and Kerr coefficient where they are not given", "ITU-T G.652, G.654, G.655; typical values, common practice"},
    {"fibre", "spans", kInteger, "", "0", 0, 1000, "", "equal spans, each followed by an amplifier that restores the launch power; 0 = back to back", ""},
    {"fibre", "length_km", kNumber, "km", "", 0.001, 1000000, "", "length of the whole line, cut into the fewest equal spans of at most span_length_km; stands in for spans", ""},
    {"fibre", "span_length_km", kNumber, "km", "80", 0.001, 1000, "", "length of a span, with length_km the longest (not used with span_lengths_km)", "common practice: 80 to 100 km"},
    {"fibre", "final_amplifier", kBoolean, "", "true", 0, 0, "", "an amplifier stands behind the last span, too; false = the receiver gets the light as the fibre and the losses behind it leave it: unamplified and passive links", ""},
    {"fibre", "span_lengths_km", kNumbers, "km", "", 0.001, 1000, "", "lengths of spans that differ, in order; stands in for spans and span_length_km", ""},
    {"fibre", "span_types", kList, "", "", 0, 0, "G.652.D|G.654.E|G.655", "fibre types of the spans in span_lengths_km, one each; a fibre constant that is given itself still holds for all of them", ""},
    {"fibre", "span_losses_db", kNumbers, "dB", "", 0, 60, "", "lumped losses before the amplifiers of the spans in span_lengths_km, one each; absent = lumped_loss_db for all", ""},
    {"fibre", "lumped_loss_db", kNumber, "dB", "0", 0, 60, "", "loss of connectors and switches between each span and its amplifier", "common practice: 0.5 to 2"},
    {"fibre", "attenuation_db_per_km", kNumber, "dB/km", "", 0, 10, "", "fibre loss at 1550 nm; absent = of fibre.type", "common practice; ITU-T G.652.D allows up to 0.30 at 1530 to 1565 nm"},
    {"fibre", "loss_curve", kChoice, "", "auto", 0, 0, "auto|flat|typical|file", "how the loss hangs on frequency: flat; as Rayleigh scattering and infrared absorption of silica make it, equal to the fibre's loss at 1550 nm; or as fibre.loss_file says; auto = typical where the grid's wavelength is given, else flat", "docs/theory.md"},
    {"fibre", "loss_file", kText, "", "", 0, 0, "", "table of the loss of every fibre: a line wavelength_nm,db_per_km or frequency_thz,db_per_km, then a line a point, in order; must cover the comb (for loss_curve = file)", ""},
    {"fibre", "raman_slope_per_w_km_thz", kNumber, "1/(W km THz)", "0", 0, 1, "", "stimulated Raman scattering between the channels: slope of the gain over the distance in frequency, light of all polarisations; carries power to lower frequencies; 0 = none", "Zirngibl, Electron. Lett. 34(8) 789, 1998; 0.028 for standard fibre (from memory)"},
    {"fibre", "dispersion_ps_per_nm_km", kNumber, "ps/(nm km)", "", -200, 200, "", "chromatic dispersion at 1550 nm; absent = of fibre.type", "ITU-T G.652 (11/2016): 13.3 to 18.6, typical 17 (from memory)"},
    {"fibre", "dispersion_slope_ps_per_nm2_km", kNumber, "ps/(nm2 km)", "", -5, 5, "", "slope of the dispersion at 1550 nm; absent = of fibre.type", "ITU-T G.652 (11/2016): typical 0.056 (from memory)"},
    {"fibre", "nonlinear_coefficient_per_w_km", kNumber, "1/(W km)", "", 0, 1000, "", "Kerr coefficient gamma, the Manakov factor 8/9 is applied to it; absent = of fibre.type", "n2 = 2.6e-20 m2/W over the effective area (Agrawal, Nonlinear Fiber Optics)"},
    {"fibre", "pmd_ps_per_sqrt_km", kNumber, "ps/sqrt(km)", "0", 0, 100, "", "PMD coefficient: times the root of the length it is the mean DGD; 0 = none", "ITU-T G.652.D: PMD_Q up to 0.20 (from memory)"},
    {"fibre", "birefringence", kChoice, "", "frozen", 0, 0, "frozen|redrawn", "the random birefringence is the same in every frame and point, or drawn anew", ""},
    {"fibre", "step_law", kChoice, "", "loss-matched", 0, 0, "constant|loss-matched|nonlinear-phase|local-error", "how a span is cut into split steps; a dispersive cap holds in all", "Sinkin et al., JLT 21(1) 61, 2003"},
    {"fibre", "steps_per_span", kInteger, "", "20", 1, 100000, "", "split steps in a span (constant and loss-matched)", ""},
    {"fibre", "max_phase_rad", kNumber, "rad", "0.001", 1e-7, 1, "", "Kerr phase per step at most (nonlinear-phase)", ""},
    {"fibre", "local_error", kNumber, "", "1e-4", 1e-12, 0.1, "", "relative local error aimed at (local-error)", ""},
    {"fibre", "compensation_ps_per_nm", kNumber, "ps/nm", "0", -10000, 10000, "", "dispersion module before each amplifier, as on older links; negative for standard fibre; 0 = none", "common practice"},
    {"fibre", "compensation_loss_db", kNumber, "dB", "0", 0, 30, "", "loss of that module", "common practice: 4 to 8"},
    {"fibre", "filter_bandwidth_ghz", kNumber, "GHz", "", 1, 10000, "", "-6 dB width of the optical filter of an add-drop site; absent = no filters", "Pulikkaseril et al., Opt. Express 19(9) 8458, 2011"},
    {"fibre", "filter_edge_ghz", kNumber, "GHz", "10", 0.1, 100, "", "3 dB width of the optical transfer function that blurs that filter's edges", "Pulikkaseril et al., Opt. Express 19(9) 8458, 2011 (8 to 14 GHz from memory)"},
    {"fibre", "filter_every_spans", kInteger, "", "1", 1, 1000, "", "an add-drop site with its filter stands after each so many spans", ""},

    {"amplifier", "noise_figure_db", kNumber, "dB", "5", 0, 20, "", "noise figure F of every amplifier; ASE per polarisation (F G - 1)/2 h nu", "common practice: 4.5 to 6 dB"},
    {"amplifier", "ase", kBoolean, "", "true", 0, 0, "", "amplifiers add spontaneous emission", ""},
    {"amplifier", "output_power_dbm", kNumber, "dBm", "", -60, 40, "", "total output power of every amplifier, all light in the simulated band; absent = the gain makes up for the loss before it", ""},
    {"amplifier", "gain_tilt_db_per_thz", kNumber, "dB/THz", "0", -10, 10, "", "slope of every amplifier's gain over optical frequency; the power of all channels together stays", "common practice: within 1 dB over the band"},
    {"amplifier", "equalise_every_spans", kInteger, "", "0", 0, 1000, "", "a channel equaliser behind the amplifier of each so many spans brings the comb back to its shape at launch; 0 = never", "common practice: one every 4 to 8 spans"},
    {"amplifier", "raman_gain_db", kNumber, "dB", "0", 0, 40, "", "on-off gain of a Raman pump from the end of every amplified span; counts as a lower noise figure of the amplifier behind it, the light in the fibre stays as it is; 0 = none", "common practice: 8 to 15; Bromage, JLT 22(1) 79, 2004 (from memory)"},
    {"amplifier", "pdl_db", kNumber, "dB", "0", 0, 10, "", "polarisation-dependent loss of every amplifier, largest over smallest transmission, axes random; the amplifier makes up for its mean loss", "common practice: 0.1 to 0.5 an element"},

    {"channel", "osnr_db", kNumber, "dB", "", -10, 100, "", "white noise loaded before the receiver: OSNR in 12.5 GHz of the loading alone, the line's ASE adds to it; absent = none", "reference bandwidth 0.1 nm, common practice"},
    {"channel", "count", kInteger, "", "1", 1, 400, "", "wavelength channels, each with data of its own", ""},
    {"channel", "spacing_ghz", kNumber, "GHz", "50", 0.1, 10000, "", "spacing of the channel grid", "ITU-T G.694.1: 12.5, 25, 50, 100"},
    {"channel", "wavelength_nm", kNumber, "nm", "", 1460, 1675, "", "wavelength of the channel under test, the grid lies about it: loss, dispersion and photon energy follow; absent = as grid_centre_thz says", "C band 1530 to 1565, L band 1565 to 1625 (ITU-T G.Sup39)"},
    {"channel", "grid_centre_thz", kNumber, "THz", "", 179, 205.4, "", "optical frequency of the grid's centre, whichever channel is received, in the place of wavelength_nm; absent without that = 1550 nm", "ITU-T G.694.1: 193.1 is the grid's anchor"},
    {"channel", "under_test", kInteger, "", "0", 0, 400, "", "channel that is received, counted from the lowest optical frequency; 0 = the middle one", ""},
    {"channel", "power_offsets_db", kNumbers, "dB", "", -60, 30, "", "power of each channel against the launch power, in grid order; absent = all equal", ""},
    {"channel", "modulations", kList, "", "", 0, 0, modulation_names(), "modulation of each channel, in grid order; absent = all as signal.modulation", ""},
    {"channel", "roll_offs", kNumbers, "", "", 0.01, 1, "", "roll-off of each channel, in grid order; absent = all as signal.roll_off", ""},
    {"channel", "filter_bandwidth_ghz", kNumber, "GHz", "", 1, 10000, "", "-6 dB width of the receiver's optical filter, about the channel under test; absent = none", ""},
    {"channel", "filter_edge_ghz", kNumber, "GHz", "10", 0.1, 100, "", "3 dB width of the optical transfer function that blurs that filter's edges", "Pulikkaseril et al., Opt. Express 19(9) 8458, 2011"},
    {"channel", "extra_dispersion_ps_per_nm", kNumber, "ps/nm", "0", -1000000, 1000000, "", "lumped linear dispersion beside that of the spans", ""},
    {"channel", "dgd_ps", kNumber, "ps", "0", 0, 1000, "", "first-order differential group delay, axes at 45 degrees to X and Y", ""},
    {"channel", "pdl_db", kNumber, "dB", "0", 0, 30, "", "lumped polarisation-dependent loss, lossless axis along X, before the rotation", "OIF-400ZR-01.0: up to 2"},
    {"channel", "polarisation_rotation_krad_per_s", kNumber, "krad/s", "0", -100000, 100000, "", "steady rotation in Stokes space, about the S3 axis", "OIF-400ZR-01.0: 50"},
    {"channel", "polarisation_rotation_deg", kNumber, "deg", "0", -360, 360, "", "fixed rotation of the polarisation axes before the receiver", ""},
    {"channel", "polarisation_retardance_deg", kNumber, "deg", "0", -360, 360, "", "phase between the rotated polarisations", ""},

    {"laser_lo", "power_dbm", kNumber, "dBm", "13", -60, 30, "", "local oscillator power into its splitter", "common practice: 11 to 16 dBm"},
    {"laser_lo", "linewidth_khz", kNumber, "kHz", "0", 0, 100000, "", "Lorentzian full width at half maximum of the local oscillator; 0 = none", "common practice: 100 kHz"},
    {"laser_lo", "frequency_offset_mhz", kNumber, "MHz", "0", -100000, 100000, "", "optical frequency of the local oscillator above the carrier; the capture rotates as exp(+i 2 pi f t)", "OIF-400ZR-01.0: within 3600 MHz (from memory)"},
    {"laser_lo", "flicker_hz2_per_hz", kNumber, "Hz2/Hz", "0", 0, 1e12, "", "one-sided density at 1 MHz of the 1/f frequency noise of the local oscillator; 0 = none", "common practice: about the white level linewidth / pi, 3e4 for 100 kHz"},
    {"laser_lo", "drift_mhz_per_ms", kNumber, "MHz/ms", "0", -1000000, 1000000, "", "drift of the optical frequency of the local oscillator within a frame", ""},
    {"laser_lo", "dither_mhz", kNumber, "MHz", "0", 0, 10000, "", "peak deviation of a sinusoidal dither of the frequency of the local oscillator; 0 = none", "common practice: 50 to 100 MHz where a locker uses dither"},
    {"laser_lo", "dither_rate_khz", kNumber, "kHz", "10", 0.001, 1000000, "", "rate of the dither of the local oscillator", "common practice: 1 to 50 kHz"},
    {"laser_lo", "rin_db_per_hz", kNumber, "dB/Hz", "", -200, -80, "", "one-sided relative intensity noise of the local oscillator; absent = none", "OIF-400ZR-01.0: -145 (from memory)"},
    {"laser_lo", "rin_bandwidth_ghz", kNumber, "GHz", "", 0.001, 1000, "", "the intensity noise of the local oscillator is flat up to here and nothing beyond; absent = white over the simulated band", "common practice: 10 to 20 GHz, past the relaxation peak"},

    {"frontend", "received_power_dbm", kNumber, "dBm", "", -80, 30, "", "power that a variable attenuator leaves to the receiver, both polarisations: all channels and noise of the simulated band that pass channel.filter_bandwidth_ghz; before its pre-amplifier where there is one; absent = what arrives, less attenuation_db", ""},
    {"frontend", "attenuation_db", kNumber, "dB", "0", 0, 100, "", "fixed loss before the receiver: patch panels, demultiplexer, an attenuator (where received_power_dbm is absent)", "common practice: 0.5 to 6"},
    {"frontend", "least_input_dbm", kNumber, "dBm", "", -80, 30, "", "least power that the receiver is made for, as its data sheet says; less is cautioned of; absent = any", "OIF-400ZR-01.0: -12, -20 without amplifiers (from memory)"},
    {"frontend", "most_input_dbm", kNumber, "dBm", "", -80, 30, "", "most power that the receiver is made for (overload); more is cautioned of; absent = any", "OIF-400ZR-01.0: 0 (from memory)"},
    {"frontend", "preamplifier_noise_figure_db", kNumber, "dB", "", 0, 20, "", "noise figure of an optical pre-amplifier; absent = none (direct sensitivity)", "common practice: 5"},
    {"frontend", "preamplifier_output_dbm", kNumber, "dBm", "0", -30, 30, "", "power the pre-amplifier brings the light to, its own noise aside", "common practice: -5 to 5"},
    {"frontend", "pbs_extinction_db", kNumber, "dB", "", 3, 100, "", "extinction ratio of the polarisation splitter; absent = infinite", "common practice: 20"},
    {"frontend", "pbs_angle_deg", kNumber, "deg", "0", -90, 90, "", "angle of the polarisation splitter against the receiver's axes", "common practice: within 2"},
    {"frontend", "lo_split_imbalance_db", kNumber, "dB", "0", -20, 20, "", "local oscillator power to X over that to Y", "common practice: within 1"},
    {"frontend", "lo_loss_db", kNumber, "dB", "0", 0, 30, "", "excess loss of the local oscillator's path before it is split, beside hybrid_loss_db", "common practice: 0.5 to 2"},
    {"frontend", "splitter_imbalance_db", kNumber, "dB", "0", -20, 20, "", "power of the through port over the cross port of the hybrid's two input couplers", "common practice: within 0.5"},
    {"frontend", "splitter_imbalance_y_db", kNumber, "dB", "", -20, 20, "", "the same of Y; absent = as splitter_imbalance_db", "common practice: within 0.5"},
    {"frontend", "combiner_imbalance_db", kNumber, "dB", "0", -20, 20, "", "the same of the couplers in front of the photodiodes", "common practice: within 0.5"},
    {"frontend", "combiner_imbalance_y_db", kNumber, "dB", "", -20, 20, "", "the same of Y; absent = as combiner_imbalance_db", "common practice: within 0.5"},
    {"frontend", "coupler_phase_error_deg", kNumber, "deg", "0", -60, 60, "", "departure from 90 degrees of what crosses a coupler, all couplers alike, with the least excess loss that such a coupler has", "common practice: within 5"},
    {"frontend", "hybrid_loss_db", kNumber, "dB", "0", 0, 30, "", "excess loss of splitter and hybrid, for signal and local oscillator alike, beyond the splitting", "common practice: 2 to 5"},
    {"frontend", "hybrid_phase_error_deg", kNumber, "deg", "0", -60, 60, "", "departure of the hybrid's I-Q angle from 90 degrees, both polarisations", "OIF-DPC-RX-01.x: within 5 (from memory)"},
    {"frontend", "hybrid_phase_error_y_deg", kNumber, "deg", "", -60, 60, "", "the same of Y; absent = as hybrid_phase_error_deg", "OIF-DPC-RX-01.x: within 5 (from memory)"},
    {"frontend", "responsivity_a_per_w", kNumber, "A/W", "1", 0.001, 1.25, "", "responsivity of each photodiode; 1.25 A/W is one electron a photon at 1550 nm", "common practice: 0.8 to 1"},
    {"frontend", "cmrr_db", kNumber, "dB", "", 0.1, 100, "", "common-mode rejection of each photodiode pair, 20 log10 of sum over difference current for equal light; absent = infinite", "OIF-DPC-RX-01.x: 20 at DC for the signal, 12 for the oscillator (from memory)"},
    {"frontend", "cmrr_y_db", kNumber, "dB", "", 0.1, 100, "", "the same of the two pairs of Y; absent = as cmrr_db", "OIF-DPC-RX-01.x (from memory)"},
    {"frontend", "pn_skew_ps", kNumber, "ps", "0", -1000, 1000, "", "current of the minus diode of each pair later than that of its plus diode", "OIF-DPC-RX-01.x: skew between p and n outputs within 1 to 2 (from memory)"},
    {"frontend", "pn_skew_y_ps", kNumber, "ps", "", -1000, 1000, "", "the same of the two pairs of Y; absent = as pn_skew_ps", "OIF-DPC-RX-01.x (from memory)"},
    {"frontend", "dark_current_na", kNumber, "nA", "0", 0, 1000000, "", "dark current of each photodiode (with shot_noise)", "common practice: 10 to 100"},
    {"frontend", "thermal_noise_pa_per_sqrt_hz", kNumber, "pA/sqrt(Hz)", "0", 0, 10000, "", "one-sided input-referred noise of each balanced output; 0 = none", "common practice: 10 to 30"},
    {"frontend", "shot_noise", kBoolean, "", "false", 0, 0, "", "photodiodes add shot noise of signal and local oscillator", ""},
    {"frontend", "bandwidth_ghz", kNumber, "GHz", "", 0.1, 1000, "", "3 dB bandwidth of the electrical path, Bessel; absent = flat up to half the ADC rate", "OIF-DPC-RX-01.x: about 22 (from memory)"},
    {"frontend", "bandwidth_order", kInteger, "", "4", 1, 10, "", "order of that Bessel filter", ""},
    {"frontend", "bandwidth_xi_ghz", kNumber, "GHz", "", 0.1, 1000, "", "bandwidth of lane XI where it has one of its own, such as a damaged one; absent = as bandwidth_ghz", ""},
    {"frontend", "bandwidth_xq_ghz", kNumber, "GHz", "", 0.1, 1000, "", "the same of lane XQ", ""},
    {"frontend", "bandwidth_yi_ghz", kNumber, "GHz", "", 0.1, 1000, "", "the same of lane YI", ""},
    {"frontend", "bandwidth_yq_ghz", kNumber, "GHz", "", 0.1, 1000, "", "the same of lane YQ", ""},
    {"frontend", "low_cutoff_khz", kNumber, "kHz", "0", 0, 1000000, "", "3 dB corner of the AC coupling, first order; 0 = DC-coupled", "OIF-DPC-RX-01.x: 100 (from memory)"},
    {"frontend", "gain_control", kChoice, "", "automatic", 0, 0, "automatic|manual", "automatic = each lane is brought to output_rms_mv and adc.loading_db; manual = transimpedance_ohm and adc.full_scale_mv", "OIF-DPC-RX-01.x"},
    {"frontend", "output_rms_mv", kNumber, "mV", "150", 0.1, 10000, "", "rms voltage of a lane under automatic gain control", "common practice: 300 to 700 mV peak to peak"},
    {"frontend", "transimpedance_ohm", kNumber, "ohm", "1000", 0.1, 1000000, "", "gain of the amplifiers under manual gain control", "common practice: 500 to 5000"},
    {"frontend", "output_saturation_mv", kNumber, "mV", "", 0.1, 100000, "", "the output of an amplifier never exceeds this (soft knee); absent = linear", "common practice: 2 to 3 times output_rms_mv"},
    {"frontend", "iq_skew_ps", kNumber, "ps", "0", -1000, 1000, "", "Q later than I by this, both polarisations", "OIF-DPC-RX-01.x: up to 10 between channels, varying within 5 (from memory)"},
    {"frontend", "xy_skew_ps", kNumber, "ps", "0", -10000, 10000, "", "Y later than X by this", "OIF-DPC-RX-01.x: up to 10 (from memory)"},

    {"adc", "sample_rate_gsa", kNumber, "GSa/s", "", 0.1, 1000, "", "sample rate of each lane; absent = two samples a symbol", ""},
    {"adc", "inputs", kList, "", "XI,XQ,YI,YQ", 0, 0, "XI|XQ|YI|YQ|-XI|-XQ|-YI|-YQ|open|high|low", "lanes of the front end that the converter's inputs XI, XQ, YI, YQ are connected to; - = inverted, open = to none (a dead lane), high and low = stuck beyond full scale", ""},
    {"adc", "bits", kInteger, "", "8", 2, 16, "", "resolution; 16, the width of a capture's codes, is as good as none: it rounds 90 dB below a lane at the default loading", "common practice: 8"},
    {"adc", "enob", kNumber, "", "", 1, 16, "", "effective number of bits, by added white noise; absent = bits", "IEEE Std 1241; common practice: 5 to 6"},
    {"adc", "loading_db", kNumber, "dB", "-11", -40, 0, "", "rms of a lane relative to full scale, set by the gain control", "common practice: -12 to -9"},
    {"adc", "full_scale_mv", kNumber, "mV", "500", 0.1, 100000, "", "full scale, peak, under manual gain control", "common practice: 250 to 500"},
    {"adc", "clock_offset_ppm", kNumber, "ppm", "0", -1000, 1000, "", "the ADC clock is this much faster than sample_rate_gsa says", "common practice: within 20; IEEE 802.3 allows 100"},
    {"adc", "clock_phase_samples", kNumber, "samples", "0", -1000, 1000, "", "sample 0 is taken this much late", ""},
    {"adc", "jitter_fs", kNumber, "fs", "0", 0, 100000, "", "rms random aperture jitter, independent from sample to sample and lane to lane", "common practice: 50 to 200"},
    {"adc", "sine_jitter_fs", kNumber, "fs", "0", 0, 1000000, "", "peak sinusoidal jitter of the clock that all lanes share", ""},
    {"adc", "sine_jitter_rate_mhz", kNumber, "MHz", "1", 0.000001, 100000, "", "rate of the sinusoidal jitter", ""},
    {"adc", "skew_xi_ps", kNumber, "ps", "0", -1000, 1000, "", "lane XI later by this", "common practice: within 1 after calibration"},
    {"adc", "skew_xq_ps", kNumber, "ps", "0", -1000, 1000, "", "lane XQ later by this", "common practice: within 1 after calibration"},
    {"adc", "skew_yi_ps", kNumber, "ps", "0", -1000, 1000, "", "lane YI later by this", "common practice: within 1 after calibration"},
    {"adc", "skew_yq_ps", kNumber, "ps", "0", -1000, 1000, "", "lane YQ later by this", "common practice: within 1 after calibration"},
    {"adc", "gain_spread_db", kNumber, "dB", "0", 0, 10, "", "rms spread of the gain over the four lanes, 20 log10, drawn from the seed", "common practice: 0.5"},
    {"adc", "offset_spread_percent", kNumber, "%", "0", 0, 50, "", "rms spread of the offset over the four lanes, of full scale, drawn from the seed", "common practice: 1"},
    {"adc", "interleave", kInteger, "", "1", 1, 1024, "", "sub-converters that take turns in each lane", "common practice: 4 to 64 with independent errors"},
    {"adc", "interleave_gain_percent", kNumber, "%", "0", 0, 50, "", "rms gain error over the sub-converters of a lane", "common practice: 0.5 after calibration"},
    {"adc", "interleave_offset_percent", kNumber, "%", "0", 0, 50, "", "rms offset over the sub-converters of a lane, of full scale", "common practice: 0.5 after calibration"},
    {"adc", "interleave_skew_fs", kNumber, "fs", "0", 0, 100000, "", "rms timing error over the sub-converters of a lane", "common practice: 100 to 300 after calibration"},

    {"dsp", "chain", kList, "", "deskew,orthonormalise,resample,frequency,dispersion,clock,matched-filter,equaliser,frequency,phase", 0, 0,
     "", "receiver blocks in order", ""},
    {"dsp", "deskew", kChoice, "", "known", 0, 0, "known|blind", "delays of the lanes: the four skew keys, or the I/Q skew of each polarisation found from the lanes' clock tones", ""},
    {"dsp", "skew_xi_ps", kNumber, "ps", "0", -1000, 1000, "", "lane XI is later by this (deskew = known)", ""},
    {"dsp", "skew_xq_ps", kNumber, "ps", "0", -1000, 1000, "", "lane XQ is later by this (deskew = known)", ""},
    {"dsp", "skew_yi_ps", kNumber, "ps", "0", -1000, 1000, "", "lane YI is later by this (deskew = known)", ""},
    {"dsp", "skew_yq_ps", kNumber, "ps", "0", -1000, 1000, "", "lane YQ is later by this (deskew = known)", ""},
    {"dsp", "iq_correction", kChoice, "", "gram-schmidt", 0, 0, "gram-schmidt|circular-fit", "how the block orthonormalise makes I and Q square: by second moments, or by an ellipse fitted to the points", "Fatadin et al., IEEE Photon. Technol. Lett. 20(20) 1733, 2008"},
    {"dsp", "dispersion", kChoice, "", "known", 0, 0, "known|blind", "dispersion to compensate: dispersion_ps_per_nm, or found from the signal within +-60000 ps/nm", ""},
    {"dsp", "dispersion_ps_per_nm", kNumber, "ps/nm", "", -1000000, 1000000, "", "dispersion to compensate; absent = what the [fibre] and [channel] sections add up to", ""},
    {"dsp", "clock_window", kInteger, "symbols", "8192", 512, 16777216, "", "symbols that one estimate of the clock's delay averages; jitter faster than about a quarter cycle in it stays", ""},
    {"dsp", "back_propagation_steps", kInteger, "", "4", 1, 1000, "", "split steps a span of block back-propagation, which stands in the place of dispersion", "Ip and Kahn, JLT 26(20) 3416, 2008"},
    {"dsp", "dispersion_overlap", kNumber, "", "1", 0.05, 4, "", "overlap of the dispersion filter's blocks over the spread of the channel; below 1 cheaper, and the spread's ends are cut off", ""},
    {"dsp", "equaliser", kChoice, "", "auto", 0, 0, "auto|cma|radius-directed|decision-directed", "error rule after start-up; auto = cma where all points lie on one ring, decision-directed elsewhere", "Savory, Opt. Express 16(2) 804, 2008"},
    {"dsp", "equaliser_form", kChoice, "", "complex", 0, 0, "complex|widely-linear", "complex = 2x2 filters; widely-linear = filters of the conjugates too (4x4 real), which undo skew, gain and phase errors between I and Q of the transmitter, and, behind any carrier offset, of a receiver without dispersion before it", "Fludger and Kupfer, Proc. ECOC, Tu3A.2, 2016; da Silva and Zibar, JLT 34(15) 3577, 2016"},
    {"dsp", "equaliser_taps", kInteger, "", "15", 3, 255, "", "taps of each butterfly filter, half a symbol apart; odd", ""},
    {"dsp", "equaliser_step", kNumber, "", "0.00025", 1e-7, 0.1, "", "adaptation step at unit mean power", ""},
    {"dsp", "equaliser_passes", kInteger, "", "4", 1, 100, "", "start-up passes over the head of the capture", ""},
    {"dsp", "phase_recovery", kChoice, "", "bps", 0, 0, "bps|fourth-power|genie|off", "carrier phase: blind phase search, fourth-power law, the known phase of a synthetic capture, or none", "Pfau, Hoffmann and Noe, JLT 27(8) 989, 2009"},
    {"dsp", "phase_window", kInteger, "", "64", 1, 4096, "", "symbols averaged by the phase estimate", ""},
    {"dsp", "phase_second_stage", kChoice, "", "off", 0, 0, "off|ml", "second stage of the carrier phase: maximum likelihood on the first one's decisions", "Zhou, IEEE Photon. Technol. Lett. 22(14) 1051, 2010"},
    {"dsp", "phase_second_window", kInteger, "", "32", 1, 4096, "", "symbols averaged by the second stage", ""},
    {"dsp", "phase_joint", kBoolean, "", "true", 0, 0, "", "one carrier phase estimated from both polarisations together; false = each on its own, as the published linewidth tolerances have it", ""},
    {"dsp", "test_phases", kInteger, "", "32", 4, 1024, "", "phases tried by the blind phase search in a quarter turn", "Pfau et al., 2009: 32 for 4 and 16QAM (from memory)"},
    {"dsp", "training_symbols", kInteger, "", "0", 0, 1048576, "", "known symbols at the head of the frame that the equaliser may start on; 0 = blind", ""},

    {"cost", "energy_per_multiplication_pj", kNumber, "pJ", "0.07", 0, 1000, "", "energy of one real multiplication of 8-bit words in cost.node_nm, for the table of cost", "Jouppi et al., Proc. ISCA, 1, 2021 (from memory): 8-bit integer, 7 nm; Horowitz, ISSCC 2014 (from memory): 0.2 in 45 nm"},
    {"cost", "energy_per_addition_pj", kNumber, "pJ", "0.007", 0, 1000, "", "energy of one real addition of 8-bit words in cost.node_nm, for the table of cost", "Jouppi et al., Proc. ISCA, 1, 2021 (from memory): 8-bit integer, 7 nm; Horowitz, ISSCC 2014 (from memory): 0.03 in 45 nm"},
    {"cost", "energy_per_conversion_step_pj", kNumber, "pJ", "0.05", 0, 1000, "", "energy of an analogue-to-digital conversion over 2^adc.bits, for economise", "Murmann's survey of converters (from memory): 0.05 to 0.2 at 50 GSa/s and more"},
    {"cost", "word_length_bits", kInteger, "bits", "6", 1, 64, "", "word length of the arithmetic: a multiplication's energy grows with its square, an addition's with it", "common practice: 5 to 8 bits in coherent receivers"},
    {"cost", "node_nm", kNumber, "nm", "7", 0.1, 1000, "", "process that the two energies are of; said beside them, changes no number", ""},

    {"trace", "file", kText, "", "", 0, 0, "", "samples recorded elsewhere, beside the scenario file or from the working folder: makes this a description of a foreign capture for receive; NAME.sigmf-meta = a SigMF recording, whose metadata say what the keys from format to sample_rate_gsa would", ""},
    {"trace", "lane_files", kList, "", "", 0, 0, "", "a file for each of trace.lanes, in their order, instead of trace.file", ""},
    {"trace", "format", kChoice, "", "int16", 0, 0, "int8|int16|float32|csv|hdf5", "how the samples are stored; csv = a line for each instant; hdf5 = also MATLAB 7.3", ""},
    {"trace", "layout", kChoice, "", "interleaved", 0, 0, "interleaved|lanes", "binary: an instant of all lanes after the other, or a whole lane after the other", ""},
    {"trace", "byte_order", kChoice, "", "little", 0, 0, "little|big", "of binary numbers", ""},
    {"trace", "skip_bytes", kInteger, "bytes", "0", 0, 1000000000, "", "header before the first binary sample", ""},
    {"trace", "datasets", kList, "", "", 0, 0, "", "hdf5: paths of the data sets; one that holds all lanes, two complex ones (X, Y), or one a lane", ""},
    {"trace", "lanes", kList, "", "XI,XQ,YI,YQ", 0, 0, "XI|XQ|YI|YQ|-XI|-XQ|-YI|-YQ|skip", "what the columns hold, in order; - = inverted, skip = none of ours; XI and XQ alone: one polarisation, sent and received as one", ""},
    {"trace", "scales", kNumbers, "", "", 1e-30, 1e30, "", "volts, amperes or any common unit of one step of each of trace.lanes; absent = all alike", ""},
    {"trace", "sample_rate_gsa", kNumber, "GSa/s", "", 0.001, 1000, "", "sample rate of each lane", ""},
    {"trace", "first_sample", kInteger, "samples", "0", 0, 1e15, "", "samples of each lane left out at the start", ""},
    {"trace", "samples", kInteger, "samples", "", 1, 1e15, "", "samples of each lane used; absent = all", ""},
    {"trace", "symbols_file", kText, "", "", 0, 0, "", "HDF5 file with what was sent, repeating: /symbols [2, symbols], or a capture for its truth; absent = not known", ""},
    {"trace", "piece_symbols", kInteger, "symbols", "262144", 16384, 16777216, "", "symbols received at a time: bounds the memory, about 0.5 kB a symbol", ""},
    {"trace", "check_lanes", kBoolean, "", "true", 0, 0, "", "where the receiver finds no lock, try swapped and inverted lanes", ""},

    {"fec", "code", kChoice, "", "ofec", 0, 0, "none|rs-g709|staircase-g709.2|cfec-400zr|ofec", "code whose pre-FEC threshold gives the verdict; none = threshold_ber must be given",
     "ITU-T G.709, G.709.2, OIF-400ZR-01.0, Open ROADM / OpenZR+ 1.0"},
    {"fec", "decode", kBoolean, "", "false", 0, 0, "", "decode fec.code, of every frame by itself, and count what is left; needs known bits", "docs/codes.md"},
    {"fec", "threshold_ber", kNumber, "", "", 1e-15, 0.4, "", "pre-FEC BER for the verdict; absent = the code's", "a threshold of 2e-2 is common for soft-decision codes of 15 to 20 % overhead"},
    {"fec", "threshold_ngmi", kNumber, "", "", 0.05, 0.9999, "", "NGMI (gmi over bits a symbol) for the verdict, in place of a BER; not beside threshold_ber", "docs/codes.md: 0.923 to 0.982 for the codes here"},
    {"fec", "overhead_percent", kNumber, "%", "", 0, 1000, "", "parity over payload, for the net bit rate; absent = the code's (unknown where a threshold is given)", "ITU-T G.709: 16/239 = 6.69; OIF-400ZR-01.0: 14.8 (from memory)"},
};
// clang-format on

// Where the keys of a section act; single keys that act elsewhere follow. A section not named here counts as
// the transmitter's: nothing stands before it, so nothing is reused.
constexpr std::array<std::pair<std::string_view, BenchStage>, 7> kSectionStages = {{
    {"fibre", BenchStage::kLine},
    {"amplifier", BenchStage::kLine},
    {"laser_lo", BenchStage::kFrontend},
    {"frontend", BenchStage::kFrontend},
    {"adc", BenchStage::kFrontend},
    {"dsp", BenchStage::kReceiver},
    {"fec", BenchStage::kReceiver},
}};
constexpr std::array<std::pair<std::string_view, BenchStage>, 16> kKeyStages = {{
    {"run.precision", BenchStage::kLine},
    {"run.device", BenchStage::kLine},
    {"run.frames", BenchStage::kStudy},
    {"run.target_errors", BenchStage::kStudy},
    {"run.threads", BenchStage::kStudy},
    {"run.reuse", BenchStage::kStudy},
    {"run.reuse_memory_mb", BenchStage::kStudy},
    {"channel.osnr_db", BenchStage::kOptics},
    {"channel.filter_bandwidth_ghz", BenchStage::kOptics},
    {"channel.filter_edge_ghz", BenchStage::kOptics},
    {"channel.extra_dispersion_ps_per_nm", BenchStage::kOptics},
    {"channel.dgd_ps", BenchStage::kOptics},
    {"channel.pdl_db", BenchStage::kOptics},
    {"channel.polarisation_rotation_krad_per_s", BenchStage::kOptics},
    {"channel.polarisation_rotation_deg", BenchStage::kOptics},
    {"channel.polarisation_retardance_deg", BenchStage::kOptics},
}};

}  // namespace

const std::vector<ScenarioKey>& scenario_keys() { return kKeys; }

BenchStage bench_stage(const ScenarioKey& key) {
  const std::string name = key.full_name();
  for (const auto& [key_name, stage] : kKeyStages)
    if (key_name == name) return stage;
  for (const auto& [section, stage] : kSectionStages)
    if (section == key.section) return stage;
  return BenchStage::kTransmitter;
}

std::string_view bench_stage_name(BenchStage stage) {
  constexpr std::array<std::string_view, 6> kNames = {"transmitter", "line",     "optics",
                                                      "front end",   "receiver", "study"};
  return kNames[static_cast<std::size_t>(stage)];
}

}  // namespace cohlink
