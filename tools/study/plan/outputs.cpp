#include "tools/study/plan/outputs.h"

#include <algorithm>
#include <boost/math/distributions/students_t.hpp>
#include <boost/math/special_functions/gamma.hpp>
#include <cmath>
#include <limits>
#include <string_view>

#include "rx/chain/table.h"
#include "tools/study/plan/receiver_outputs.h"
#include "tools/study/run/frame.h"

namespace cohlink {
namespace {

constexpr double kNone = std::numeric_limits<double>::quiet_NaN();
constexpr double kTail = 0.025;  // of a 95 % interval, either side

bool is_event(const std::string& output) {
  return std::ranges::any_of(event_rows(), [&](const EventRow& row) { return row.name == output; });
}

bool is(const std::string& name, Output output) { return name == row_of(output).name; }

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
  const double value = is(output, Output::kSnr)   ? total.snr_db()
                       : is(output, Output::kEvm) ? total.evm_percent()
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
  for (const OutputRow& row : output_rows()) {
    if (row.output == Output::kQ) continue;  // of the BER of all frames together
    if (const auto value = row.of(received)) out[row.name] = *value;
  }
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
  std::vector<std::string> names;
  for (const OutputRow& row : output_rows()) names.emplace_back(row.name);
  for (const BlockRow& block : block_table())
    for (const BlockOutput& output : block.outputs) names.emplace_back(output.name);
  for (const EventRow& row : event_rows()) names.emplace_back(row.name);
  return names;
}

MeasuredOutput measured(const FrameResult& total, const std::string& output) {
  if (!is(output, Output::kQ) && !is(output, Output::kPostFecBer))
    return is_event(output) ? events_a_frame(total, output) : mean_of_frames(total, output);
  if (total.count.bits == 0) return {kNone, kNone, kNone};
  if (is(output, Output::kPostFecBer)) {
    if (total.post_fec.blocks == 0) return {kNone, kNone, kNone};
    const Interval left = total.post_fec_interval();
    return {total.post_fec.ber(), left.low, left.high};
  }
  const Interval ber = total.ber_interval();
  return {q_from_ber_db(total.count.ber()), q_from_ber_db(ber.high), q_from_ber_db(ber.low)};
}

std::string bound_name(const std::string& output, const std::string& bound) {
  for (const char* unit : {"_ps_per_nm", "_dbm", "_db", "_percent", "_bits", "_hz", "_ppm", "_ps", "_gbps"})
    if (output.ends_with(unit))
      return output.substr(0, output.size() - std::string_view(unit).size()) + "_" + bound + unit;
  return output + "_" + bound;
}

}  // namespace cohlink
