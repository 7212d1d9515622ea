#include "tools/study/run/frame.h"

#include <algorithm>
#include <cmath>
#include <limits>

#include "rx/quality/tap_reading.h"
#include "sim/signal/units.h"
#include "tools/study/plan/fec.h"

namespace cohlink {

FrameResult& FrameResult::operator+=(const FrameResult& next) {
  if (next.count.bits > 0) {
    const auto errors = static_cast<double>(next.count.errors);
    error_squares += errors * errors / static_cast<double>(next.count.bits);
    ++scored_frames;
    ngmis.add(next.ngmi);
    ngmi_variance += next.ngmi_variance;
  }
  if (next.fibre_redrawn) {
    constexpr double kNone = std::numeric_limits<double>::quiet_NaN();
    fibres.push_back({next.count.bits > 0 ? next.count.ber() : kNone,
                      next.symbols > 0 ? next.noise_sum / next.symbols : kNone,
                      next.count.bits > 0 ? next.ngmi : kNone});
  }
  for (const auto& [name, value] : next.outputs) spread[name].add(value);
  coding_bunching = std::max(coding_bunching, next.coding_bunching);
  count += next.count;
  post_fec += next.post_fec;
  symbols += next.symbols;
  noise_sum += next.noise_sum;
  evm_sum += next.evm_sum;
  discarded += next.discarded;
  warned += next.warned;
  unlocked += next.unlocked;
  dgd_sum_ps += next.dgd_sum_ps;
  pdl_sum_db += next.pdl_sum_db;
  for (const auto& [name, events] : next.counters) counters[name] += events;
  if (first_warning.empty()) first_warning = next.first_warning;
  return *this;
}

void FrameResult::keep_output(const std::string& name) {
  std::erase_if(outputs, [&](const auto& output) { return output.first != name; });
}

double FrameResult::bunching() const {
  constexpr std::uint64_t kFewest = 8;
  const double p = count.ber();
  if (scored_frames < kFewest || p <= 0.0 || p >= 1.0) return coding_bunching;
  // Sum of (errors - bits p)^2 / (bits p (1 - p)).
  const double chi_squared = (error_squares - p * static_cast<double>(count.errors)) / (p * (1.0 - p));
  return std::max(coding_bunching, chi_squared / static_cast<double>(scored_frames - 1));
}

Interval FrameResult::ber_interval(double confidence) const {
  if (fibre_redrawn) return {0.0, 1.0};  // one of many
  if (!fibres.empty()) return ber_over_realisations(fibres, count, bunching(), confidence);
  return error_interval(count, bunching(), confidence);
}

Interval FrameResult::post_fec_interval(double confidence) const {
  if (post_fec.blocks == 0 || fibre_redrawn) return {0.0, 1.0};
  return cohlink::post_fec_interval(post_fec, ber_interval(confidence).high, confidence);
}

double FrameResult::ngmi_deviation() const {
  constexpr std::uint64_t kFewest = 8;
  if (ngmis.frames == 0) return std::sqrt(ngmi_variance);
  const auto frames = static_cast<double>(ngmis.frames);
  const double own = std::sqrt(ngmi_variance) / frames;
  return ngmis.frames >= kFewest ? std::max(own, std::sqrt(ngmis.variance() / frames)) : own;
}

Interval FrameResult::ngmi_interval(double confidence) const {
  if (fibre_redrawn) return {0.0, 1.0};  // one of many
  if (!fibres.empty()) {
    std::vector<double> values;
    for (const FibreResult& fibre : fibres)
      if (!std::isnan(fibre.ngmi)) values.push_back(fibre.ngmi);
    const auto over_fibres = mean_interval(values, confidence);
    return over_fibres && values.size() >= kFewestRealisations ? *over_fibres : Interval{0.0, 1.0};
  }
  return cohlink::ngmi_interval(mean_ngmi(), ngmi_deviation(), confidence);
}

std::optional<Interval> FrameResult::snr_over_realisations(double confidence) const {
  if (!fibre_redrawn && fibres.empty()) return std::nullopt;
  constexpr double kEndless = std::numeric_limits<double>::infinity();
  const auto noise = noise_over_realisations(fibres, confidence);
  return noise ? Interval{-to_db(noise->high), -to_db(noise->low)} : Interval{-kEndless, kEndless};
}

double FrameResult::snr_db() const {
  return symbols > 0 ? -to_db(noise_sum / symbols) : std::numeric_limits<double>::quiet_NaN();
}

double FrameResult::evm_percent() const {
  return symbols > 0 ? 100.0 * std::sqrt(evm_sum / symbols) : std::numeric_limits<double>::quiet_NaN();
}

FrameResult count_frame(const Capture& capture, const Receiver& receiver) {
  return count_received(capture, receiver(capture, false));  // no pictures
}

FrameResult count_received(const Capture& capture, const ReceiverResult& received) {
  FrameResult result;
  if (received.score) {
    result.count = received.score->both;
    result.coding_bunching = received.score->bunching;
    result.post_fec = received.score->post_fec.value_or(fec::PostFec());
    result.ngmi = received.score->information.normalised;
    result.ngmi_variance = std::pow(received.score->information.deviation, 2);
    result.symbols = 2.0 * static_cast<double>(received.score->symbols);
    result.noise_sum = result.symbols * from_db(-received.snr_db);
    result.evm_sum = result.symbols * std::pow(received.evm_percent / 100.0, 2);
  } else {
    result.unlocked = 1;  // a decision-aided SNR would flatter what could not be recognised
  }
  result.discarded = received.discarded_symbols;
  result.warned = received.warnings.empty() ? 0 : 1;
  if (!received.warnings.empty()) result.first_warning = received.warnings.front();
  if (capture.truth) {
    result.dgd_sum_ps = capture.truth->dgd_ps;
    result.pdl_sum_db = true_pdl_db(*capture.truth).value_or(std::numeric_limits<double>::infinity());
  }
  result.counters = capture.counters;
  for (const auto& [name, events] : received.counters) result.counters[name] += events;
  result.outputs = outputs_of(received);
  if (received.score)
    for (const auto& [name, events] : result.counters) result.outputs[name] = static_cast<double>(events);
  return result;
}

FrameResult run_frame(const Link& link, const Receiver& receiver, std::uint64_t frame,
                      std::uint64_t address) {
  return count_frame(link(frame, address), receiver);
}

}  // namespace cohlink
