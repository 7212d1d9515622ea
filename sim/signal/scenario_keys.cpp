// The table: every scenario key, declared once.
#include "sim/signal/scenario.h"

namespace cohlink {
namespace {

constexpr auto kNumber = KeyType::kNumber;
constexpr auto kInteger = KeyType::kInteger;
constexpr auto kBoolean = KeyType::kBoolean;
constexpr auto kChoice = KeyType::kChoice;
constexpr auto kText = KeyType::kText;
constexpr auto kList = KeyType::kList;

// clang-format off
// section, key, type, unit, default, low, high, choices, help, source
const std::vector<ScenarioKey> kKeys = {
    {"signal", "symbol_rate_gbd", kNumber, "GBd", "32", 0.1, 400, "", "symbol rate of one polarisation", "common practice: 28 to 64 GBd modules"},
    {"signal", "modulation", kChoice, "", "qpsk", 0, 0, "qpsk|16qam|gaussian", "symbols of each polarisation; gaussian = circular Gaussian symbols without bits", ""},
    {"signal", "pulse", kChoice, "", "rrc", 0, 0, "rrc|nrz", "root-raised-cosine, or NRZ cut at its main lobe", ""},
    {"signal", "roll_off", kNumber, "", "0.1", 0.01, 1, "", "roll-off of the root-raised-cosine pulse", "common practice: 0.05 to 0.2"},
    {"signal", "symbols", kInteger, "", "65536", 1024, 16777216, "", "symbols per frame and polarisation; lengths with small prime factors are fastest", ""},
    {"signal", "pattern", kChoice, "", "random", 0, 0, "random|prbs15|prbs23|prbs31|file", "data: random bits, an ITU-T O.150 sequence, or pattern_file", "ITU-T O.150 clause 5"},
    {"signal", "pattern_file", kText, "", "", 0, 0, "", "HDF5 file with /symbols [2, symbols], complex {r,i}, unit mean power (for pattern = file)", ""},
    {"signal", "differential", kBoolean, "", "false", 0, 0, "", "differential quadrant coding of the bits", "Weber, IEEE Trans. Commun. 26(3) 385, 1978"},

    {"run", "seed", kInteger, "", "1", 0, 9007199254740992.0, "", "seed of every random stream", ""},
    {"run", "frames", kInteger, "", "1", 1, 1000000, "", "frames: how many to simulate; in a sweep the most spent on one point", ""},
    {"run", "target_errors", kInteger, "", "100", 0, 1000000000, "", "a sweep point ends with the frame that reaches this many bit errors; 0 = always all frames", "common practice: 100 errors"},
    {"run", "precision", kChoice, "", "double", 0, 0, "single|double", "arithmetic of the fibre propagation", ""},
    {"run", "samples_per_symbol", kInteger, "", "4", 2, 64, "", "optical samples per symbol in the simulation", ""},
    {"run", "threads", kInteger, "", "0", 0, 1024, "", "worker threads; 0 = one per core", ""},
    {"run", "fft_planning", kChoice, "", "measured", 0, 0, "measured|estimated", "FFT plans: measured are faster; their wisdom is kept in the user's cache folder", ""},

    {"transmitter", "launch_power_dbm", kNumber, "dBm", "0", -60, 30, "", "launch power, both polarisations of one channel", ""},
    {"transmitter", "laser_linewidth_khz", kNumber, "kHz", "0", 0, 100000, "", "Lorentzian full width at half maximum of the transmit laser; 0 = none", "common practice: 100 kHz"},

    {"fibre", "spans", kInteger, "", "0", 0, 1000, "", "equal spans, each followed by an amplifier that restores the launch power; 0 = back to back", ""},
    {"fibre", "span_length_km", kNumber, "km", "80", 0.001, 1000, "", "length of a span", "common practice: 80 to 100 km"},
    {"fibre", "attenuation_db_per_km", kNumber, "dB/km", "0.2", 0, 10, "", "fibre loss", "common practice; ITU-T G.652.D allows up to 0.30 at 1530 to 1565 nm"},
    {"fibre", "dispersion_ps_per_nm_km", kNumber, "ps/(nm km)", "17", -200, 200, "", "chromatic dispersion at 1550 nm", "ITU-T G.652 (11/2016): 13.3 to 18.6, typical 17 (from memory)"},
    {"fibre", "dispersion_slope_ps_per_nm2_km", kNumber, "ps/(nm2 km)", "0.056", -5, 5, "", "slope of the dispersion at 1550 nm", "ITU-T G.652 (11/2016): typical 0.056 (from memory)"},
    {"fibre", "nonlinear_coefficient_per_w_km", kNumber, "1/(W km)", "1.3", 0, 1000, "", "Kerr coefficient gamma; the Manakov factor 8/9 is applied to it", "n2 = 2.6e-20 m2/W over 80 um2 (Agrawal, Nonlinear Fiber Optics)"},
    {"fibre", "pmd_ps_per_sqrt_km", kNumber, "ps/sqrt(km)", "0", 0, 100, "", "PMD coefficient: times the root of the length it is the mean DGD; 0 = none", "ITU-T G.652.D: PMD_Q up to 0.20 (from memory)"},
    {"fibre", "birefringence", kChoice, "", "frozen", 0, 0, "frozen|redrawn", "the random birefringence is the same in every frame and point, or drawn anew", ""},
    {"fibre", "step_law", kChoice, "", "loss-matched", 0, 0, "constant|loss-matched|nonlinear-phase|local-error", "how a span is cut into split steps; a dispersive cap holds in all", "Sinkin et al., JLT 21(1) 61, 2003"},
    {"fibre", "steps_per_span", kInteger, "", "40", 1, 100000, "", "split steps in a span (constant and loss-matched)", ""},
    {"fibre", "max_phase_rad", kNumber, "rad", "0.002", 1e-7, 1, "", "Kerr phase per step at most (nonlinear-phase)", ""},
    {"fibre", "local_error", kNumber, "", "1e-5", 1e-12, 0.1, "", "relative local error aimed at (local-error)", ""},

    {"amplifier", "noise_figure_db", kNumber, "dB", "5", 0, 20, "", "noise figure F of every amplifier; ASE per polarisation (F G - 1)/2 h nu", "common practice: 4.5 to 6 dB"},
    {"amplifier", "ase", kBoolean, "", "true", 0, 0, "", "amplifiers add spontaneous emission", ""},

    {"channel", "osnr_db", kNumber, "dB", "", -10, 100, "", "white noise loaded before the receiver to this OSNR in 12.5 GHz; absent = none", "reference bandwidth 0.1 nm, common practice"},
    {"channel", "extra_dispersion_ps_per_nm", kNumber, "ps/nm", "0", -1000000, 1000000, "", "lumped linear dispersion beside that of the spans", ""},
    {"channel", "dgd_ps", kNumber, "ps", "0", 0, 1000, "", "first-order differential group delay, axes at 45 degrees to X and Y", ""},
    {"channel", "pdl_db", kNumber, "dB", "0", 0, 30, "", "lumped polarisation-dependent loss, lossless axis along X, before the rotation", "OIF-400ZR-01.0: up to 2"},
    {"channel", "polarisation_rotation_krad_per_s", kNumber, "krad/s", "0", -100000, 100000, "", "steady rotation in Stokes space, about the S3 axis", "OIF-400ZR-01.0: 50"},
    {"channel", "polarisation_rotation_deg", kNumber, "deg", "0", -360, 360, "", "fixed rotation of the polarisation axes before the receiver", ""},
    {"channel", "polarisation_retardance_deg", kNumber, "deg", "0", -360, 360, "", "phase between the rotated polarisations", ""},

    {"laser_lo", "power_dbm", kNumber, "dBm", "13", -60, 30, "", "local oscillator power into its splitter", "common practice: 11 to 16 dBm"},
    {"laser_lo", "linewidth_khz", kNumber, "kHz", "0", 0, 100000, "", "Lorentzian full width at half maximum of the local oscillator; 0 = none", "common practice: 100 kHz"},
    {"laser_lo", "frequency_offset_mhz", kNumber, "MHz", "0", -100000, 100000, "", "optical frequency of the local oscillator above the carrier; the capture rotates as exp(+i 2 pi f t)", "OIF-400ZR-01.0: within 3600 MHz (from memory)"},

    {"frontend", "received_power_dbm", kNumber, "dBm", "0", -80, 30, "", "signal power into the receiver (signal and noise), both polarisations", ""},
    {"frontend", "hybrid_phase_error_deg", kNumber, "deg", "0", -45, 45, "", "error of the hybrid's 90 degree phase shifter", "OIF-DPC-RX-01.x: within 5 (from memory)"},
    {"frontend", "responsivity_a_per_w", kNumber, "A/W", "1", 0.001, 1.25, "", "responsivity of each photodiode; 1.25 A/W is one electron a photon at 1550 nm", ""},
    {"frontend", "thermal_noise_pa_per_sqrt_hz", kNumber, "pA/sqrt(Hz)", "0", 0, 10000, "", "one-sided input-referred noise of each balanced output; 0 = none", "common practice: 10 to 30"},
    {"frontend", "shot_noise", kBoolean, "", "false", 0, 0, "", "photodiodes add shot noise of signal and local oscillator", ""},
    {"frontend", "bandwidth_ghz", kNumber, "GHz", "", 0.1, 1000, "", "3 dB bandwidth of the electrical path, fourth-order Bessel; absent = flat up to half the ADC rate", "OIF-DPC-RX-01.x: about 22 (from memory)"},

    {"adc", "sample_rate_gsa", kNumber, "GSa/s", "", 0.1, 1000, "", "sample rate of each lane; absent = two samples a symbol", ""},
    {"adc", "bits", kInteger, "", "8", 2, 16, "", "resolution", "common practice: 8"},
    {"adc", "loading_db", kNumber, "dB", "-11", -40, 0, "", "rms of a lane relative to full scale, set by the gain control", "common practice: -12 to -9"},

    {"dsp", "chain", kList, "", "orthonormalise,resample,dispersion,matched-filter,equaliser,frequency,phase", 0, 0,
     "orthonormalise|resample|dispersion|matched-filter|equaliser|genie-polarisation|decimate|frequency|phase", "receiver blocks in order", ""},
    {"dsp", "dispersion_ps_per_nm", kNumber, "ps/nm", "", -1000000, 1000000, "", "dispersion to compensate; absent = what the [fibre] and [channel] sections add up to", ""},
    {"dsp", "equaliser", kChoice, "", "auto", 0, 0, "auto|cma|radius-directed|decision-directed", "error rule after start-up; auto = cma for QPSK, radius-directed for 16QAM", "Savory, Opt. Express 16(2) 804, 2008"},
    {"dsp", "equaliser_taps", kInteger, "", "15", 3, 255, "", "taps of each butterfly filter, half a symbol apart; odd", ""},
    {"dsp", "equaliser_step", kNumber, "", "0.001", 1e-7, 0.1, "", "adaptation step at unit mean power", ""},
    {"dsp", "equaliser_passes", kInteger, "", "4", 1, 100, "", "start-up passes over the head of the capture", ""},
    {"dsp", "phase_recovery", kChoice, "", "bps", 0, 0, "bps|fourth-power|genie|off", "carrier phase: blind phase search, fourth-power law, the known phase of a synthetic capture, or none", "Pfau, Hoffmann and Noe, JLT 27(8) 989, 2009"},
    {"dsp", "phase_window", kInteger, "", "32", 1, 4096, "", "symbols averaged by the phase estimate", ""},
    {"dsp", "test_phases", kInteger, "", "32", 4, 1024, "", "phases tried by the blind phase search in a quarter turn", "Pfau et al., 2009: 32 for 4 and 16QAM (from memory)"},
    {"dsp", "training_symbols", kInteger, "", "0", 0, 1048576, "", "known symbols at the head of the frame that the equaliser may start on; 0 = blind", ""},

    {"fec", "code", kChoice, "", "ofec", 0, 0, "none|rs-g709|staircase-g709.2|cfec-400zr|ofec", "code whose pre-FEC threshold gives the verdict; none = threshold_ber must be given",
     "ITU-T G.709, G.709.2, OIF-400ZR-01.0, Open ROADM / OpenZR+ 1.0"},
    {"fec", "threshold_ber", kNumber, "", "", 1e-15, 0.4, "", "pre-FEC BER for the verdict; absent = the code's", "a threshold of 2e-2 is common for soft-decision codes of 15 to 20 % overhead"},
};
// clang-format on

}  // namespace

const std::vector<ScenarioKey>& scenario_keys() { return kKeys; }

}  // namespace cohlink
