#include "tools/study/plan/outputs.h"

#include <algorithm>
#include <boost/math/distributions/students_t.hpp>
#include <boost/math/special_functions/gamma.hpp>
#include <cmath>
#include <limits>
#include <optional>
#include <string_view>

#include "rx/chain/table.h"
#include "sim/signal/units.h"
#include "tools/study/run/frame.h"

namespace cohlink {
namespace {

constexpr double kNone = std::numeric_limits<double>::quiet_NaN();
constexpr double kTail = 0.025;  // of a 95 % interval, either side

/// Counters of capture and receiver (docs/capture-format.md).
constexpr std::string_view kEvents[] = {"cycle_slips",
                                        "suspected_cycle_slips",
                                        "pilot_corrected_slips",
                                        "equaliser_singularities",
                                        "adc_clipped_samples",
                                        "dac_clipped_samples",
                                        "predistortion_clipped_samples",
                                        "rin_clipped_samples",
                                        "step_floor_hits"};

/// A number of one reception that found lock and has a score: its name, and its value where there is one.
struct Number {
  std::string_view name;
  std::optional<double> (*of)(const ReceiverResult& r);
};

bool has_both(const ReceiverResult& r) { return !r.one_polarisation; }
bool has_bits(const ReceiverResult& r) { return r.score->both.bits > 0; }

using R = const ReceiverResult&;
using Maybe = std::optional<double>;
template <class Value>
Maybe when(bool exists, const Value& value) {
  return exists ? Maybe(value()) : std::nullopt;
}

// clang-format off
constexpr Number kNumbers[] = {
    {"snr_db", [](R r) { return Maybe(r.snr_db); }},
    {"evm_percent", [](R r) { return Maybe(r.evm_percent); }},
    {"snr_x_db", [](R r) { return when(has_both(r), [&] { return r.score->snr_db_polarisation[0]; }); }},
    {"snr_y_db", [](R r) { return when(has_both(r), [&] { return r.score->snr_db_polarisation[1]; }); }},
    {"ber_x", [](R r) { return when(has_bits(r) && has_both(r), [&] { return r.score->polarisation[0].ber(); }); }},
    {"ber_y", [](R r) { return when(has_bits(r) && has_both(r), [&] { return r.score->polarisation[1].ber(); }); }},
    {"mi_bits", [](R r) { return when(has_bits(r), [&] { return r.score->information.mutual_bits; }); }},
    {"gmi_bits", [](R r) { return when(has_bits(r), [&] { return r.score->information.generalised_bits; }); }},
    {"ngmi", [](R r) { return when(has_bits(r), [&] { return r.score->information.normalised; }); }},
    {"post_fec_ber", [](R r) { return when(r.score->post_fec.has_value(), [&] { return r.score->post_fec->ber(); }); }},
    {"post_fec_lost_blocks", [](R r) { return when(r.score->post_fec.has_value(), [&] { return r.score->post_fec->lost_blocks; }); }},
    {"frequency_offset_hz", [](R r) { return r.frequency_offset_hz; }},
    {"dispersion_ps_per_nm", [](R r) { return when(r.beta2_length.has_value(), [&] { return r.in_ps_per_nm(*r.beta2_length); }); }},
    {"clock_offset_ppm", [](R r) { return r.clock_offset_ppm; }},
    {"iq_skew_x_ps", [](R r) { return when(r.iq_skew_ps.has_value(), [&] { return (*r.iq_skew_ps)[0]; }); }},
    {"iq_skew_y_ps", [](R r) { return when(r.iq_skew_ps.has_value(), [&] { return (*r.iq_skew_ps)[1]; }); }},
    {"taps_dgd_ps", [](R r) { return when(r.channel.has_value(), [&] { return 1e12 * r.channel->dgd; }); }},
    {"taps_pdl_db", [](R r) { return when(r.channel.has_value(), [&] { return to_db(r.channel->pdl); }); }},
    {"taps_dispersion_ps_per_nm", [](R r) { return when(r.channel.has_value(), [&] { return r.in_ps_per_nm(r.channel->beta2_length); }); }},
    {"discarded_symbols", [](R r) { return Maybe(r.discarded_symbols); }},
    {"scored_symbols", [](R r) { return Maybe(r.score->symbols); }},
};
// clang-format on

bool is_event(const std::string& output) {
  return std::find(std::begin(kEvents), std::end(kEvents), output) != std::end(kEvents);
}

MeasuredOutput events_a_frame(const FrameResult& total, const std::string& output) {
  constexpr std::uint64_t kFewest = 8;
  const auto found = total.spread.find(output);
  if (found == total.spread.end()) return {kNone, kNone, kNone};
  const Spread& spread = found->second;
  const auto frames = static_cast<double>(spread.frames);
  double bunching = 1.0;
  if (spread.frames >= kFewest && spread.mean > 0.0)
    bunching = std::max(1.0, spread.variance() / spread.mean);
  const double events = spread.mean * frames / bunching, exposure = frames / bunching;
  return {spread.mean, events > 0.0 ? boost::math::gamma_p_inv(events, kTail) / exposure : 0.0,
          boost::math::gamma_p_inv(events + 1.0, 1.0 - kTail) / exposure};
}

MeasuredOutput mean_of_frames(const FrameResult& total, const std::string& output) {
  const auto found = total.spread.find(output);
  if (found == total.spread.end()) return {kNone, kNone, kNone};
  const Spread& spread = found->second;
  const double value = output == "snr_db"        ? total.snr_db()
                       : output == "evm_percent" ? total.evm_percent()
                                                 : spread.mean;
  if (spread.frames < 2) return {value, kNone, kNone};
  const auto frames = static_cast<double>(spread.frames);
  const double t = boost::math::quantile(boost::math::students_t(frames - 1.0), 1.0 - kTail);
  const double half_width = t * std::sqrt(spread.variance() / frames);
  return {value, value - half_width, value + half_width};
}

}  // namespace

MeasuredOutput student(const std::vector<double>& values, double confidence) {
  Spread spread;
  for (const double value : values) spread.add(value);
  if (spread.frames == 0) return {kNone, kNone, kNone};
  if (spread.frames < 2) return {spread.mean, kNone, kNone};
  const auto frames = static_cast<double>(spread.frames);
  const double t = boost::math::quantile(boost::math::students_t(frames - 1.0), 0.5 + 0.5 * confidence);
  const double half_width = t * std::sqrt(spread.variance() / frames);
  return {spread.mean, spread.mean - half_width, spread.mean + half_width};
}

Outputs outputs_of(const ReceiverResult& received) {
  Outputs out;
  if (!received.score) return out;
  for (const Number& number : kNumbers)
    if (const auto value = number.of(received)) out[std::string(number.name)] = *value;
  for (const BlockMeasurement& of_block : received.measured) out[of_block.output] = of_block.value;
  return out;
}

void Spread::add(double value) {
  ++frames;
  const double off = value - mean;
  mean += off / static_cast<double>(frames);
  squares += off * (value - mean);
}

double Spread::variance() const { return frames < 2 ? kNone : squares / static_cast<double>(frames - 1); }

std::vector<std::string> output_names() {
  std::vector<std::string> names = {"q_db"};
  for (const Number& number : kNumbers) names.emplace_back(number.name);
  for (const BlockRow& block : block_table())
    for (const BlockOutput& output : block.outputs) names.emplace_back(output.name);
  names.insert(names.end(), std::begin(kEvents), std::end(kEvents));
  return names;
}

MeasuredOutput measured(const FrameResult& total, const std::string& output) {
  if (output != "q_db")
    return is_event(output) ? events_a_frame(total, output) : mean_of_frames(total, output);
  if (total.count.bits == 0) return {kNone, kNone, kNone};
  const Interval ber = total.ber_interval();
  return {q_from_ber_db(total.count.ber()), q_from_ber_db(ber.high), q_from_ber_db(ber.low)};
}

std::string bound_name(const std::string& output, const std::string& bound) {
  for (const char* unit : {"_ps_per_nm", "_dbm", "_db", "_percent", "_bits", "_hz", "_ppm", "_ps"})
    if (output.ends_with(unit))
      return output.substr(0, output.size() - std::string_view(unit).size()) + "_" + bound + unit;
  return output + "_" + bound;
}

}  // namespace cohlink
