#include "tools/study/plan/outputs.h"

#include <algorithm>
#include <boost/math/distributions/students_t.hpp>
#include <boost/math/special_functions/gamma.hpp>
#include <cmath>
#include <limits>
#include <string_view>

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

constexpr std::string_view kNumbers[] = {"snr_db",
                                         "evm_percent",
                                         "snr_x_db",
                                         "snr_y_db",
                                         "ber_x",
                                         "ber_y",
                                         "mi_bits",
                                         "gmi_bits",
                                         "ngmi",
                                         "frequency_offset_hz",
                                         "dispersion_ps_per_nm",
                                         "clock_offset_ppm",
                                         "iq_skew_x_ps",
                                         "iq_skew_y_ps",
                                         "taps_dgd_ps",
                                         "taps_pdl_db",
                                         "taps_dispersion_ps_per_nm",
                                         "discarded_symbols",
                                         "scored_symbols"};

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

Outputs outputs_of(const ReceiverResult& received) {
  Outputs out;
  if (!received.score) return out;
  const Score& score = *received.score;
  out["snr_db"] = received.snr_db;
  out["evm_percent"] = received.evm_percent;
  if (!received.one_polarisation) {
    out["snr_x_db"] = score.snr_db_polarisation[0];
    out["snr_y_db"] = score.snr_db_polarisation[1];
  }
  if (score.both.bits > 0) {
    if (!received.one_polarisation) {
      out["ber_x"] = score.polarisation[0].ber();
      out["ber_y"] = score.polarisation[1].ber();
    }
    out["mi_bits"] = score.information.mutual_bits;
    out["gmi_bits"] = score.information.generalised_bits;
    out["ngmi"] = score.information.normalised;
  }
  if (received.frequency_offset_hz) out["frequency_offset_hz"] = *received.frequency_offset_hz;
  if (received.dispersion_ps_per_nm) out["dispersion_ps_per_nm"] = *received.dispersion_ps_per_nm;
  if (received.clock_offset_ppm) out["clock_offset_ppm"] = *received.clock_offset_ppm;
  if (received.iq_skew_ps) {
    out["iq_skew_x_ps"] = (*received.iq_skew_ps)[0];
    out["iq_skew_y_ps"] = (*received.iq_skew_ps)[1];
  }
  if (received.channel) {
    out["taps_dgd_ps"] = received.channel->dgd_ps;
    out["taps_pdl_db"] = received.channel->pdl_db;
    out["taps_dispersion_ps_per_nm"] = received.channel->dispersion_ps_per_nm;
  }
  out["discarded_symbols"] = static_cast<double>(received.discarded_symbols);
  out["scored_symbols"] = static_cast<double>(score.symbols);
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
  names.insert(names.end(), std::begin(kNumbers), std::end(kNumbers));
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
  for (const char* unit : {"_ps_per_nm", "_db", "_percent", "_bits", "_hz", "_ppm", "_ps"})
    if (output.ends_with(unit))
      return output.substr(0, output.size() - std::string_view(unit).size()) + "_" + bound + unit;
  return output + "_" + bound;
}

}  // namespace cohlink
