#include "tools/cohlink/foreign.h"

#include <algorithm>
#include <cmath>
#include <filesystem>

#include "rx/recording/lane_arrangement.h"
#include "rx/recording/lane_health.h"
#include "sim/signal/record/known_symbols.h"
#include "sim/signal/record/trace.h"
#include "tools/cohlink/console.h"
#include "tools/cohlink/refusals.h"

namespace cohlink {
namespace {

std::vector<std::string> folders_of(const std::vector<std::string>& files) {
  std::vector<std::string> folders;
  for (const auto& file : files) folders.push_back(std::filesystem::path(file).parent_path().string());
  return folders;
}

LaneHealth scanned(const Trace& trace) {
  constexpr std::size_t kStretch = std::size_t{1} << 18;
  LaneHealth health;
  for (std::size_t start = 0; start < trace.samples(); start += kStretch)
    health.add(trace.read(start, std::min(kStretch, trace.samples() - start)));
  return health;
}

void report(const LaneHealth& health, const std::string& name) {
  const auto found = health.findings();
  if (found.faults.empty()) {
    for (const auto& warning : found.warnings) caution(name + ": " + warning);
    return;
  }
  std::string all;
  for (const auto& fault : found.faults) all += (all.empty() ? "" : "; ") + fault;
  throw InputError(name + ": " + all);
}

// Samples as 16-bit codes: codes that are such already as they are, others with 32,000 codes to the largest
// value, or to twelve times the rms where a spike is larger still (quantisation 80 dB below the signal).
class Codes {
 public:
  Codes(const Trace& trace, const LaneHealth& health) : trace_(&trace) {
    for (std::size_t l = 0; l < 4; ++l) {
      mean_[l] = static_cast<float>(health.mean(l));
      const double reach = std::min(health.peak(l), 12.0 * health.rms(l));
      step_[l] = trace.integer_codes() ? 1.0f : static_cast<float>(reach / 32000.0);
    }
  }

  Capture read(std::size_t first, std::size_t count) const {
    const auto lanes = trace_->read(first, count);
    Capture capture;
    capture.sample_rate = trace_->sample_rate();
    capture.lanes = Lanes(lanes[0].size(), lanes[2].empty() && lanes[3].empty() ? 2 : 4);
    for (std::size_t l = 0; l < 4; ++l) {
      capture.ampere_per_code[l] = trace_->unit_per_step()[l] * step_[l];
      const float origin = trace_->integer_codes() ? 0.0f : mean_[l];
      std::ranges::transform(lanes[l], capture.lanes[l].begin(), [&](float v) {
        const float code = ((std::isfinite(v) ? v : mean_[l]) - origin) / step_[l];
        return static_cast<std::int16_t>(std::lround(std::clamp(code, -32767.0f, 32767.0f)));
      });
    }
    return capture;
  }

 private:
  const Trace* trace_;
  std::array<float, 4> mean_{}, step_{};
};

}  // namespace

Capture foreign_head(const Scenario& scenario, const std::vector<std::string>& files) {
  const auto folders = folders_of(files);
  const Trace trace(scenario, folders);
  refuse_sparse_samples(trace.sample_rate(), scenario, trace.name());
  const LaneHealth health = scanned(trace);
  report(health, trace.name());
  const double per_symbol = trace.sample_rate() / (scenario.number("signal.symbol_rate_gbd") * 1e9);
  const auto piece =
      static_cast<std::size_t>(static_cast<double>(scenario.integer("trace.piece_symbols")) * per_symbol);
  Capture head = Codes(trace, health).read(0, std::min(piece, trace.samples()));
  head.truth = known_symbols(scenario, folders);
  return head;
}

namespace {

/// A trace as a long capture, read piece by piece through `read`.
LongCapture long_capture_of(const Trace& trace, const Scenario& scenario,
                            std::function<Capture(std::size_t, std::size_t)> read) {
  LongCapture all;
  all.samples = trace.samples();
  all.sample_rate = trace.sample_rate();
  all.symbol_rate = scenario.number("signal.symbol_rate_gbd") * 1e9;
  all.piece_symbols = static_cast<std::size_t>(scenario.integer("trace.piece_symbols"));
  all.read = std::move(read);
  return all;
}

}  // namespace

ForeignResult receive_foreign(const Receiver& receiver, const Scenario& scenario,
                              const std::vector<std::string>& files) {
  const auto folders = folders_of(files);
  const Trace trace(scenario, folders);
  refuse_sparse_samples(trace.sample_rate(), scenario, trace.name());
  const std::optional<Truth> truth = known_symbols(scenario, folders);
  const LaneHealth health = scanned(trace);
  report(health, trace.name());
  const Codes codes(trace, health);
  LaneArrangement arrangement;
  const auto read = [&](std::size_t first, std::size_t count) {
    Capture capture = rearranged(codes.read(first, count), arrangement);
    capture.truth = truth;
    return capture;
  };
  const LongCapture all = long_capture_of(trace, scenario, read);
  const double per_symbol = all.sample_rate / all.symbol_rate;
  const auto head = [&](std::size_t symbols) {
    return read(
        0, std::min(trace.samples(), static_cast<std::size_t>(static_cast<double>(symbols) * per_symbol)));
  };
  ForeignResult result;
  try {
    receiver.check_length(all.sample_rate,
                          static_cast<std::size_t>(static_cast<double>(all.samples) / per_symbol));
    if (scenario.boolean("trace.check_lanes") && scenario.text("signal.modulation") != "gaussian") {
      constexpr std::size_t kHead = 65536;
      arrangement = arrangement_that_locks(receiver, head(std::min(kHead, all.piece_symbols)));
      if (!arrangement.fault.empty())
        caution(trace.name() + ": the receiver locks only if " + arrangement.fault +
                "; received so (trace.lanes can say it)");
    }
    result.received = receive_long(receiver, all);
  } catch (const InputError& error) {
    throw error.in(trace.name());
  }
  result.head = head(4096);
  for (std::size_t l = 0; l < 4; ++l) result.head.counters["adc_clipped_samples"] += health.clipped(l);
  return result;
}

}  // namespace cohlink
