#include "tools/study/search/search.h"

#include <algorithm>
#include <cmath>
#include <limits>
#include <map>
#include <memory>
#include <mutex>
#include <optional>

#include "sim/signal/awgn_information.h"
#include "sim/signal/units.h"
#include "tools/study/budget.h"
#include "tools/study/parts/journal.h"
#include "tools/study/plan/fingerprint.h"
#include "tools/study/plan/numbers.h"
#include "tools/study/plan/theory.h"
#include "tools/study/run/executor.h"
#include "tools/study/run/record.h"

namespace cohlink {
namespace {

constexpr double kConfidence95 = 1.959963985;

/// A frame in which the receiver found nothing of what was sent has no score. Leaving it out would make a
/// link look the better the more often it fails: it counts as guessed, with half its bits wrong and an SNR of
/// 0 dB.
FrameResult with_guesses(FrameResult result, int bits_per_symbol, double symbols) {
  if (result.count.bits > 0 || bits_per_symbol == 0) return result;
  result.count.bits = static_cast<std::uint64_t>(2.0 * symbols) * static_cast<std::uint64_t>(bits_per_symbol);
  result.count.errors = result.count.bits / 2;
  result.symbols = 2.0 * symbols;
  result.noise_sum = result.evm_sum = result.symbols;
  return result;
}

using RecordListener = std::function<void(const std::string&)>;

/// Frames by scenario and number, in memory; `keep` hears of every one that is new. A record: "scenario frame
/// result".
class RecordedFrames {
 public:
  RecordedFrames(const std::vector<std::string>& known, RecordListener keep) : keep_(std::move(keep)) {
    for (const std::string& record : known) {
      const auto first = record.find(' '), second = record.find(' ', first + 1);
      if (second == std::string::npos) throw RunError("a journal's record without its place");
      known_.emplace(record.substr(0, second),
                     frame_result_from(std::string_view(record).substr(second + 1)));
    }
  }
  std::optional<FrameResult> find(const std::string& place) const {
    const std::lock_guard lock(mutex_);
    const auto found = known_.find(place);
    if (found == known_.end()) return std::nullopt;
    return found->second;
  }
  void keep(const std::string& place, const FrameResult& result) {
    const std::lock_guard lock(mutex_);
    if (known_.emplace(place, result).second && keep_) keep_(place + " " + to_line(result));
  }

 private:
  RecordListener keep_;
  mutable std::mutex mutex_;
  std::map<std::string, FrameResult> known_;
};

/// Frames of `source`, each computed once.
SourceMaker kept(SourceMaker source, const std::vector<std::string>& known, RecordListener keep) {
  const auto frames = std::make_shared<RecordedFrames>(known, std::move(keep));
  return [frames, source = std::move(source)](const Scenario& scenario) -> FrameSource {
    const std::string name = fingerprint(deciding_text(scenario)).text();
    const FrameSource computed = late(source, scenario);
    return [=](std::uint64_t frame) {
      const std::string place = name + " " + std::to_string(frame);
      if (const auto found = frames->find(place)) return *found;
      const FrameResult result = computed(frame);
      frames->keep(place, result);
      return result;
    };
  };
}

}  // namespace

double check_scenarios(const std::vector<Scenario>& scenarios, const FftCache& fft, unsigned threads) {
  std::vector<double> power(scenarios.size());
  for_each_index(scenarios.size(), threads,
                 [&](std::size_t i) { power[i] = Bench(scenarios[i], fft).link.peak_fibre_power(); });
  return scenarios.empty() ? 0.0 : *std::max_element(power.begin(), power.end());
}

FrameSource late(const SourceMaker& source, const Scenario& scenario) {
  struct SetUp {
    std::once_flag once;
    FrameSource frames;
  };
  return [source, scenario, set_up = std::make_shared<SetUp>()](std::uint64_t frame) {
    std::call_once(set_up->once, [&] { set_up->frames = source(scenario); });
    return set_up->frames(frame);
  };
}

SourceMaker watched(SourceMaker source, std::function<void()> done) {
  return [source = std::move(source), done = std::move(done)](const Scenario& scenario) -> FrameSource {
    return [frames = source(scenario), done](std::uint64_t frame) {
      const FrameResult result = frames(frame);
      done();
      return result;
    };
  };
}

SourceMaker recorded(SourceMaker source, Journal* journal) {
  if (journal == nullptr) return source;
  return kept(std::move(source), journal->records(),
              [journal](const std::string& record) { journal->add(record); });
}

void FrameLog::add(const std::string& record) {
  const std::lock_guard lock(mutex_);
  records_.insert(record);
}

std::vector<std::string> FrameLog::records() const {
  const std::lock_guard lock(mutex_);
  return {records_.begin(), records_.end()};
}

SourceMaker logged(SourceMaker source, FrameLog& log) {
  return kept(std::move(source), {}, [&log](const std::string& record) { log.add(record); });
}

SourceMaker known_from(const std::vector<std::string>& known, SourceMaker source) {
  return kept(std::move(source), known, nullptr);
}

SourceMaker remembered(SourceMaker source) { return kept(std::move(source), {}, nullptr); }

SourceMaker simulation(const FftCache& fft, std::shared_ptr<FrameReuse> reuse, std::uint64_t address) {
  if (!reuse) reuse = std::make_shared<FrameReuse>(ReuseRule{});
  return [&fft, reuse, address](const Scenario& scenario) -> FrameSource {
    const auto bench = std::make_shared<const Bench>(scenario, fft);
    const int bits = bits_per_symbol(scenario_modulation(scenario));
    const auto symbols = static_cast<double>(scenario.integer("signal.symbols")) *
                         static_cast<double>(bench->receiver.decoded_together());
    StageAddresses addresses;
    addresses.fill(address);
    return [=](std::uint64_t frame) {
      FrameResult result = reuse->run(*bench, frame, addresses);
      result.keep_output("");
      return with_guesses(std::move(result), bits, symbols);
    };
  };
}

void Meter::run(std::uint64_t frames) {
  std::vector<FrameResult> results(frames);
  for_each_index(frames, thread_count(threads_, frames),
                 [&](std::size_t i) { results[i] = source_(frames_ + i); });
  for (const FrameResult& result : results) total_ += result;
  frames_ += frames;
}

EquivalentSnr::EquivalentSnr(const Scenario& scenario, Quality quality)
    : modulation_(scenario_modulation(scenario)),
      differential_(scenario.boolean("signal.differential")),
      quality_(quality) {
  if (bits_per_symbol(modulation_) == 0)
    scenario.reject("signal.modulation", "carries no bits, so there is no BER to search by");
  // Shaped symbols have some before anything is received: 1 - H / m, less what wrong belief costs.
  constexpr double kFaintestDb = -25.0;
  if (quality_ == Quality::kNgmi)
    least_ngmi_ = std::max(least_ngmi_, awgn_ngmi(constellation(modulation_), from_db(kFaintestDb)));
}

double EquivalentSnr::db(double value) const {
  return quality_ != Quality::kNgmi
             ? to_db(required_snr(modulation_, differential_, std::clamp(value, 1e-12, 0.35)))
             : to_db(
                   awgn_snr_for_ngmi(constellation(modulation_), std::clamp(value, least_ngmi_, 1.0 - 1e-7)));
}

double EquivalentSnr::slope(double value) const {
  if (quality_ != Quality::kNgmi) {
    const double p = std::clamp(value, 2e-12, 0.3), step = 1.05;
    return (db(p / step) - db(p * step)) / (2.0 * std::log(step));
  }
  const double ngmi = std::clamp(value, 0.06, 1.0 - 2e-7), step = 0.05 * (1.0 - ngmi);
  return (db(ngmi + step) - db(ngmi - step)) / (2.0 * step);
}

EquivalentSnr::Reading EquivalentSnr::read(const FrameResult& total, double confidence) const {
  if (quality_ == Quality::kNgmi) {
    const Interval interval = total.ngmi_interval(confidence);
    return {db(total.mean_ngmi()), db(interval.low), db(interval.high)};
  }
  const bool decoded = quality_ == Quality::kPostFecBer;
  const Interval interval = decoded ? total.post_fec_interval(confidence) : total.ber_interval(confidence);
  if ((decoded ? total.post_fec.errors : total.count.errors) == 0)
    return {std::nan(""), db(interval.high), std::numeric_limits<double>::infinity(), true};
  return {db(decoded ? total.post_fec.ber() : total.count.ber()), db(interval.high), db(interval.low)};
}

double EquivalentSnr::deviation_db(const FrameResult& total) const {
  if (quality_ == Quality::kNgmi) return slope(total.mean_ngmi()) * total.ngmi_deviation();
  const double ber = total.count.ber();
  if (!total.fibres.empty()) {
    const Interval over_fibres = total.ber_interval();
    return slope(ber) * std::log(over_fibres.high / over_fibres.low) / (2.0 * kConfidence95);
  }
  return slope(ber) * std::sqrt(total.bunching() * (1.0 - ber) / static_cast<double>(total.count.errors));
}

}  // namespace cohlink
