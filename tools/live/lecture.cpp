#include "tools/live/lecture.h"

namespace cohlink::live {
namespace {

constexpr LectureStep kSteps[] = {
    {"Nothing wrong",
     "Ideal lasers, no fibre, no noise: four points in the lanes, and again at the end. Between them a ring: "
     "the "
     "coarse frequency estimate has a small error of its own, which the fine one takes away; take the coarse "
     "one out and the points stand throughout. All samples show the ways between the points.",
     "", "matched-filter"},
    {"Noise",
     "White noise turns each point into a round cloud, whose width is the OSNR and nothing else: turn "
     "channel.osnr_db by 3 dB and the variance doubles. No block undoes noise; the matched filter keeps as "
     "little of it as the signal allows.",
     "[channel]\nosnr_db = 14\n", "matched-filter"},
    {"Phase noise",
     "Two lasers of 1 MHz linewidth: before the block phase the points are smeared into rings (at 100 kHz "
     "each, into arcs). It follows the phase, and its window trades noise against speed.",
     "[transmitter]\nlaser_linewidth_khz = 1000\n[channel]\nosnr_db = 20\n[laser_lo]\nlinewidth_khz = 1000\n",
     "phase"},
    {"Frequency offset",
     "The local oscillator is 800 MHz off, and the whole constellation spins: a ring. The block frequency "
     "finds "
     "the line that the fourth power leaves in the spectrum and turns back.",
     "[channel]\nosnr_db = 20\n[laser_lo]\nfrequency_offset_mhz = 800\n", "frequency (coarse)"},
    {"Chromatic dispersion",
     "1,000 km of standard fibre spread every symbol over a hundred neighbours: a cloud like noise, with a "
     "flat spectrum that tells nothing. The block dispersion multiplies by the inverse, all-pass and exact; "
     "without it the equaliser's few taps are far too short.",
     "[channel]\nosnr_db = 20\nextra_dispersion_ps_per_nm = 17000\n", "dispersion"},
    {"Polarisation rotation",
     "The fibre turned the axes by 35 degrees: X and Y arrive mixed, each cloud the sum of two. The "
     "equaliser's butterfly turns them back; its cross taps show the angle.",
     "[channel]\nosnr_db = 20\npolarisation_rotation_deg = 35\npolarisation_retardance_deg = 40\n",
     "equaliser"},
    {"Differential group delay",
     "Half of the light arrives 40 ps late, more than a symbol: no timing suits both. The equaliser's taps "
     "spread into two, a group delay apart.",
     "[channel]\nosnr_db = 20\ndgd_ps = 40\n", "equaliser"},
    {"Hybrid error",
     "The hybrid's I and Q stand at 70 instead of 90 degrees: squares become rhombs, an ellipse of what "
     "should "
     "be round. The block orthonormalise makes the lanes square again (Gram-Schmidt).",
     "[signal]\nmodulation = 16qam\n[channel]\nosnr_db = 28\n[frontend]\nhybrid_phase_error_deg = 20\n",
     "orthonormalise"},
    {"Skew of I against Q",
     "Q comes 6 ps later than I, a fifth of a symbol: at the symbol times of I, Q is between its own. The "
     "block "
     "deskew finds the delay from the lanes' clock tones (dsp.deskew = blind) and takes it out.",
     "[signal]\nmodulation = 16qam\n[channel]\nosnr_db = 28\n[frontend]\niq_skew_ps = 6\n[dsp]\ndeskew = "
     "blind\n",
     "deskew"},
    {"A clock that runs away",
     "The converter's clock is 150 ppm fast: over the round the sampling instant slides by more than a "
     "symbol. "
     "The block clock follows it; take it out and the equaliser has to run after the delay until it loses "
     "it.",
     "[channel]\nosnr_db = 20\n[adc]\nclock_offset_ppm = 150\n", "clock"},
    {"Narrow electronics",
     "The receiver's electronics end at 10 GHz and the upper half of the band sinks: every symbol drags its "
     "neighbours along, and the eye closes. The equaliser lifts the band's edges again, and the noise with "
     "them.",
     "[channel]\nosnr_db = 22\n[frontend]\nbandwidth_ghz = 10\n", "equaliser"},
    {"Few bits",
     "Three bits in the converter: the lanes are a grid of eight levels, and what is lost stays lost, about "
     "6 dB "
     "a bit. No block undoes it; adc.loading_db finds the best of clipping and coarseness.",
     "[signal]\nmodulation = 16qam\n[channel]\nosnr_db = 28\n[adc]\nbits = 3\n", "lanes"},
    {"Kerr nonlinearity",
     "10 dBm into each of six spans: the light's own power turns its phase, and dispersion makes noise of "
     "that. "
     "The block dispersion undoes only the linear half; back-propagation in its place (dsp.chain) undoes "
     "both.",
     "[transmitter]\nlaunch_power_dbm = 10\n[fibre]\nspans = 6\n[amplifier]\nnoise_figure_db = 5\n"
     "[run]\nprecision = single\n",
     "dispersion"},
    {"All of it together",
     "Lasers, fibre, polarisation, hybrid, clock and converter as one meets them: nothing to be seen in the "
     "lanes. Each block takes one thing away; switch one off and see what the others make of what it leaves.",
     "[transmitter]\nlaser_linewidth_khz = 100\n[channel]\nosnr_db = 16\nextra_dispersion_ps_per_nm = 8500\n"
     "dgd_ps = 15\npolarisation_rotation_deg = 35\n[laser_lo]\nlinewidth_khz = 100\nfrequency_offset_mhz = "
     "300\n"
     "[frontend]\nhybrid_phase_error_deg = 5\n[adc]\nbits = 6\nclock_offset_ppm = 20\n",
     "phase"},
};

}  // namespace

std::span<const LectureStep> lecture() { return kSteps; }

std::string_view lecture_bench() {
  return "[signal]\nmodulation = qpsk\n[adc]\nbits = 16\n[amplifier]\nnoise_figure_db = 5\n";
}

}  // namespace cohlink::live
