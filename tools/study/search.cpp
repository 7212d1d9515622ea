#include "tools/study/search.h"

#include <algorithm>
#include <cmath>
#include <memory>

#include "sim/signal/units.h"
#include "tools/study/budget.h"
#include "tools/study/executor.h"
#include "tools/study/theory.h"

namespace cohlink {
namespace {

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

}  // namespace

SourceMaker simulation(FftCache& fft, std::shared_ptr<FrameReuse> reuse, std::uint64_t address) {
  if (!reuse) reuse = std::make_shared<FrameReuse>(ReuseRule{});
  return [&fft, reuse, address](const Scenario& scenario) -> FrameSource {
    const auto bench = std::make_shared<const Bench>(scenario, fft);
    const int bits = bits_per_symbol(scenario_modulation(scenario));
    const auto symbols = static_cast<double>(scenario.integer("signal.symbols"));
    StageAddresses addresses;
    addresses.fill(address);
    return [=](std::uint64_t frame) {
      return with_guesses(reuse->run(*bench, frame, addresses), bits, symbols);
    };
  };
}

void Meter::run(std::uint64_t frames) {
  std::vector<FrameResult> results(frames);
  const std::uint64_t first = each_.size();
  for_each_index(frames, thread_count(threads_, frames),
                 [&](std::size_t i) { results[i] = source_(first + i); });
  for (const FrameResult& result : results) {
    total_ += result;
    each_.push_back(result.count);
  }
}

double Meter::bunching() const {
  constexpr std::size_t kFewest = 8;
  const double p = ber();
  if (each_.size() < kFewest || p <= 0.0 || p >= 1.0) return 1.0;
  double chi_squared = 0.0;
  for (const ErrorCount& frame : each_) {
    const auto bits = static_cast<double>(frame.bits);
    if (bits == 0.0) continue;
    const double excess = static_cast<double>(frame.errors) - bits * p;
    chi_squared += excess * excess / (bits * p * (1.0 - p));
  }
  return std::max(1.0, chi_squared / static_cast<double>(each_.size() - 1));
}

Interval Meter::interval(double confidence) const {
  const double b = bunching();
  const auto reduced = [b](std::uint64_t n) {
    return static_cast<std::uint64_t>(std::llround(static_cast<double>(n) / b));
  };
  return clopper_pearson(reduced(total_.count.errors), reduced(total_.count.bits), confidence);
}

EquivalentSnr::EquivalentSnr(const Scenario& scenario)
    : modulation_(scenario_modulation(scenario)), differential_(scenario.boolean("signal.differential")) {
  if (bits_per_symbol(modulation_) == 0)
    scenario.reject("signal.modulation", "carries no bits, so there is no BER to search by");
}

double EquivalentSnr::db(double ber) const {
  return to_db(required_snr(modulation_, differential_, std::clamp(ber, 1e-12, 0.35)));
}

double EquivalentSnr::per_log_ber(double ber) const {
  const double p = std::clamp(ber, 2e-12, 0.3), step = 1.05;
  return (db(p / step) - db(p * step)) / (2.0 * std::log(step));
}

}  // namespace cohlink
