#include "tools/study/plan/receiver_outputs.h"

#include <algorithm>
#include <array>
#include <stdexcept>

#include "sim/signal/units.h"

namespace cohlink {
namespace {

using R = const ReceiverResult&;
using Maybe = std::optional<double>;

bool scored_both(R r) { return r.score && !r.one_polarisation; }
bool has_bits(R r) { return r.score && r.score->both.bits > 0; }
bool decoded(R r) { return r.score && r.score->post_fec; }

template <class Value>
Maybe when(bool exists, const Value& value) {
  return exists ? Maybe(value()) : std::nullopt;
}

double ber(R r, std::size_t polarisation) { return r.score->polarisation[polarisation].ber(); }

// clang-format off
constexpr OutputRow kOutputs[] = {
    {Output::kQ, "q_db", "Q", "Q factor that would give the BER", [](R r) { return when(r.score.has_value(), [&] { return r.score->q_db; }); }},
    {Output::kSnr, "snr_db", "SNR", "signal over noise of the recovered symbols; against what was sent where that is known", [](R r) { return Maybe(r.snr_db); }},
    {Output::kEvm, "evm_percent", "EVM", "error vector over the rms of the constellation", [](R r) { return Maybe(r.evm_percent); }},
    {Output::kSnrX, "snr_x_db", "X, Y alone", "SNR of what was sent on X", [](R r) { return when(scored_both(r), [&] { return r.score->snr_db_polarisation[0]; }); }},
    {Output::kSnrY, "snr_y_db", "", "SNR of what was sent on Y", [](R r) { return when(scored_both(r), [&] { return r.score->snr_db_polarisation[1]; }); }},
    {Output::kBerX, "ber_x", "X, Y alone", "bit error ratio of what was sent on X", [](R r) { return when(has_bits(r) && scored_both(r), [&] { return ber(r, 0); }); }},
    {Output::kBerY, "ber_y", "", "bit error ratio of what was sent on Y", [](R r) { return when(has_bits(r) && scored_both(r), [&] { return ber(r, 1); }); }},
    {Output::kMutualInformation, "mi_bits", "mutual information", "bits a symbol and polarisation that any code could carry", [](R r) { return when(has_bits(r), [&] { return r.score->information.mutual_bits; }); }},
    {Output::kGeneralisedInformation, "gmi_bits", "GMI", "bits a symbol and polarisation that a binary code could carry", [](R r) { return when(has_bits(r), [&] { return r.score->information.generalised_bits; }); }},
    {Output::kNormalisedInformation, "ngmi", "", "the largest rate of an ideal binary code", [](R r) { return when(has_bits(r), [&] { return r.score->information.normalised; }); }},
    {Output::kAchievableRate, "achievable_rate_gbps", "achievable rate", "what an ideal binary code would carry: GMI of all symbols but the pilots, less the matcher's loss", [](R r) { return when(has_bits(r), [&] { return (r.one_polarisation ? 1e-9 : 2e-9) * r.payload_rate * std::max(0.0, r.score->information.generalised_bits - r.matcher_loss_bits); }); }},
    {Output::kPostFecBer, "post_fec_ber", "BER after decoding", "bit error ratio that the code leaves (fec.decode)", [](R r) { return when(decoded(r), [&] { return r.score->post_fec->ber(); }); }},
    {Output::kLostBlocks, "post_fec_lost_blocks", "lost blocks", "blocks that the decoder did not mend", [](R r) { return when(decoded(r), [&] { return static_cast<double>(r.score->post_fec->lost_blocks); }); }},
    {Output::kIterations, "post_fec_iterations", "iterations", "iterations of the decoder that changed anything in a block, in the mean", [](R r) { return when(decoded(r), [&] { return r.score->post_fec->mean_iterations(); }); }},
    {Output::kErrorDispersion, "error_dispersion", "errors", "variance of the errors in 1,024 consecutive bits over that of errors that fall one by one (fec.decode)", [](R r) { return when(decoded(r), [&] { return r.score->post_fec->before.dispersion(); }); }},
    {Output::kFrequencyOffset, "frequency_offset_hz", "frequency offset", "the carrier's, as estimated", [](R r) { return r.frequency_offset_hz; }},
    {Output::kDispersion, "dispersion_ps_per_nm", "dispersion", "the path's, as estimated (dsp.dispersion = blind)", [](R r) { return when(r.beta2_length.has_value(), [&] { return r.in_ps_per_nm(*r.beta2_length); }); }},
    {Output::kClockOffset, "clock_offset_ppm", "clock offset", "the receiver's clock too fast, as estimated", [](R r) { return r.clock_offset_ppm; }},
    {Output::kIqSkewX, "iq_skew_x_ps", "I/Q skew of X, Y", "Q later than I on X, as estimated (dsp.deskew = blind)", [](R r) { return when(r.iq_skew_ps.has_value(), [&] { return (*r.iq_skew_ps)[0]; }); }},
    {Output::kIqSkewY, "iq_skew_y_ps", "", "Q later than I on Y, as estimated", [](R r) { return when(r.iq_skew_ps.has_value(), [&] { return (*r.iq_skew_ps)[1]; }); }},
    {Output::kTapsDgd, "taps_dgd_ps", "DGD by the taps", "differential group delay that the equaliser's taps show, but for whole symbols between X and Y", [](R r) { return when(r.channel.has_value(), [&] { return 1e12 * r.channel->dgd; }); }},
    {Output::kTapsSkew, "taps_xy_skew_ps", "X/Y skew by the taps", "Y as sent later than X, by a frame's known symbols: skew, and the path's delay along X and Y", [](R r) { return when(r.channel.has_value() && r.channel->xy_skew.has_value(), [&] { return 1e12 * *r.channel->xy_skew; }); }},
    {Output::kTapsPdl, "taps_pdl_db", "PDL by the taps", "polarisation-dependent loss that the equaliser's taps show", [](R r) { return when(r.channel.has_value(), [&] { return to_db(r.channel->pdl); }); }},
    {Output::kTapsDispersion, "taps_dispersion_ps_per_nm", "dispersion left over", "dispersion that the equaliser's taps show: what no block before took off", [](R r) { return when(r.channel.has_value(), [&] { return r.in_ps_per_nm(r.channel->beta2_length); }); }},
    {Output::kDiscarded, "discarded_symbols", "discarded", "symbols at the edges, not scored", [](R r) { return Maybe(r.discarded_symbols); }},
    {Output::kScored, "scored_symbols", "scored", "symbols of each polarisation that were counted", [](R r) { return when(r.score.has_value(), [&] { return static_cast<double>(r.score->symbols); }); }},
};

constexpr EventRow kEvents[] = {
    {"cycle_slips", "jumps of a quarter turn against what was sent"},
    {"suspected_cycle_slips", "jumps that the receiver takes for slips without knowing what was sent"},
    {"pilot_corrected_slips", "quarter turns that pilots put right"},
    {"equaliser_singularities", "starts that put both outputs on one polarisation"},
    {"adc_clipped_samples", "beyond full scale of the converter, all lanes"},
    {"dac_clipped_samples", "beyond full scale of the transmitter's converter, all lanes"},
    {"predistortion_clipped_samples", "beyond the reach of the modulator, all lanes"},
    {"rin_clipped_samples", "where intensity noise would have made a laser's power negative"},
    {"step_floor_hits", "split steps that were held at the shortest length"},
};
// clang-format on

}  // namespace

std::span<const OutputRow> output_rows() { return kOutputs; }

const OutputRow& row_of(Output output) {
  for (const OutputRow& row : kOutputs)
    if (row.output == output) return row;
  throw std::logic_error("an output without a row");
}

std::span<const EventRow> event_rows() { return kEvents; }

}  // namespace cohlink
