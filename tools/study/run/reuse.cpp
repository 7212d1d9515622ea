#include "tools/study/run/reuse.h"

#include <algorithm>
#include <optional>

#include "rx/recording/piece_sum.h"
#include "sim/link_setup.h"
#include "tools/study/plan/ties.h"

namespace cohlink {
namespace {

constexpr std::size_t kCapture = kCuts - 1;

std::size_t capture_bytes(const Capture& capture) {
  std::size_t sum = 4 * capture.samples() * sizeof(std::int16_t);
  if (!capture.truth) return sum;
  const Truth& truth = *capture.truth;
  for (std::size_t p = 0; p < 2; ++p)
    sum += truth.bits[p].size() * sizeof(truth.bits[p][0]) +
           truth.symbols[p].size() * sizeof(truth.symbols[p][0]);
  return sum + truth.jones.size() * sizeof(truth.jones[0]) +
         (truth.tx_phase_rad.size() + truth.lo_phase_rad.size()) * sizeof(double);
}

}  // namespace

StageInputs stage_inputs(const Scenario& scenario) {
  // Chosen, not given: may depend on keys further on.
  const std::string samples = std::to_string(link_setup(scenario).transmitter.samples_per_symbol);
  StageInputs inputs;
  for (std::size_t cut = 0; cut < kCuts; ++cut) {
    std::string text = samples;
    for (const auto& key : scenario_keys())
      if (bench_stage(key) <= static_cast<BenchStage>(cut)) text += "\n" + scenario.written(key.full_name());
    inputs[cut] = fingerprint(text);
  }
  return inputs;
}

Bench::Bench(const Scenario& scenario, const FftCache& fft)
    : link(scenario, fft),
      receiver(scenario, fft),
      inputs(stage_inputs(scenario)),
      fibre_redrawn(redraws_fibre(scenario)) {
  receiver.decode_together(static_cast<std::size_t>(scenario.integer("fec.frames")));
  if (fibre_redrawn && receiver.decoded_together() > 1)
    scenario.reject("fec.frames",
                    "would join frames of different fibres (fibre.birefringence): one frame a fibre is "
                    "decoded; 1, and longer frames (signal.symbols)");
  receiver.check_length(link_setup(scenario).adc.sample_rate,
                        static_cast<std::size_t>(scenario.integer("signal.symbols")));
}

ReuseRule search_reuse_rule(const Scenario& scenario, const std::vector<std::string>& varied) {
  ReuseRule rule;
  rule.drop_oldest = false;
  rule.memory_bytes = static_cast<std::size_t>(scenario.integer("run.reuse_memory_mb")) << 20;
  if (!scenario.boolean("run.reuse")) return rule;
  for (const std::string& name : varied) {
    const auto stage = std::min(static_cast<std::size_t>(first_stage(scenario, name)), kCuts);
    if (stage > 0) rule.cuts[stage - 1] = true;
  }
  return rule;
}

FrameReuse::Key FrameReuse::key(const StageInputs& inputs, std::uint64_t frame, StageAddresses addresses,
                                std::size_t cut) {
  std::fill(addresses.begin() + static_cast<std::ptrdiff_t>(cut) + 1, addresses.end(), 0);  // of later stages
  return {cut, inputs[cut], frame, addresses};
}

FrameResult FrameReuse::run_together(const Bench& bench, std::uint64_t frame,
                                     const StageAddresses& addresses) {
  ReceiverResult total;
  PieceSum sum(bench.receiver);
  Shared first;
  for (std::uint64_t n = 0; n < bench.receiver.decoded_together(); ++n) {
    const Shared product = behind({bench, frame + (n << kFrameBits), addresses}, kCapture);
    const ReceiverResult piece = bench.receiver(product->capture, false);
    if (n == 0) {
      first = product;
      take_over(total, piece);
    } else {
      total.discarded_symbols += piece.discarded_symbols;
      add_counters(total.counters, product->capture.counters);
    }
    add_counters(total.counters, piece.counters);
    total.warnings.insert(total.warnings.end(), piece.warnings.begin(), piece.warnings.end());
    if (!piece.score) {  // a code word with a hole in it: the group is lost
      total.score.reset();
      return count_received(first->capture, total);
    }
    sum.add(total, piece);
  }
  sum.finish(total);
  return count_received(first->capture, total);
}

FrameResult FrameReuse::run(const Bench& bench, std::uint64_t frame, const StageAddresses& addresses) {
  FrameResult result =
      bench.receiver.decoded_together() > 1
          ? run_together(bench, frame, addresses)
          : count_frame(behind({bench, frame, addresses}, kCapture)->capture, bench.receiver);
  result.fibre_redrawn = bench.fibre_redrawn;
  return result;
}

Readiness FrameReuse::readiness(const StageInputs& inputs, std::uint64_t frame,
                                const StageAddresses& addresses) const {
  const std::lock_guard lock(mutex_);
  bool deepest = true;
  for (std::size_t cut = kCuts; cut-- > 0;) {
    if (!keeps(cut)) continue;
    const auto found = entries_.find(key(inputs, frame, addresses, cut));
    if (found != entries_.end()) {
      if (!found->second.product) return Readiness::kMaking;
      return deepest ? Readiness::kReady : Readiness::kNew;
    }
    deepest = false;
  }
  return Readiness::kNew;
}

void FrameReuse::claim(const StageInputs& inputs, std::uint64_t frame, const StageAddresses& addresses) {
  const std::lock_guard lock(mutex_);
  std::optional<std::size_t> missing;  // the first stage behind the last one whose output is there
  for (std::size_t cut = kCuts; cut-- > 0;) {
    if (!keeps(cut)) continue;
    const auto found = entries_.find(key(inputs, frame, addresses, cut));
    if (found != entries_.end()) break;
    missing = cut;
  }
  if (missing) entries_[key(inputs, frame, addresses, *missing)] = {nullptr, 0, std::this_thread::get_id()};
}

FrameReuse::Shared FrameReuse::behind(const Order& order, std::size_t cut) {
  const auto fresh = [&] { return std::make_shared<const Product>(make(order, cut)); };
  if (!rule_.cuts[cut]) return fresh();
  const Key wanted = key(order.bench.inputs, order.frame, order.addresses, cut);
  {
    std::unique_lock lock(mutex_);
    if (too_big_[cut]) {
      entries_.erase(wanted);  // a claim of earlier
      lock.unlock();
      return fresh();
    }
    for (;;) {
      const auto self = std::this_thread::get_id();
      const auto [entry, added] = entries_.try_emplace(wanted, Entry{nullptr, 0, self});
      if (added || (!entry->second.product && entry->second.maker == self)) break;  // ours to make
      if (entry->second.product) {
        entry->second.used = ++clock_;
        return entry->second.product;
      }
      made_.wait(lock);
    }
  }
  try {
    Shared product = fresh();
    keep(wanted, product);
    return product;
  } catch (...) {
    {
      const std::lock_guard lock(mutex_);
      entries_.erase(wanted);
    }
    announce();
    throw;
  }
}

FrameReuse::Product FrameReuse::make(const Order& order, std::size_t cut) {
  const StreamAddress address{order.frame, order.addresses[cut]};
  const Link& link = order.bench.link;
  Product product;
  switch (static_cast<BenchStage>(cut)) {
    case BenchStage::kTransmitter:
      product.light = link.transmit(address);
      break;
    case BenchStage::kLine:
      product.light = link.propagate(light_before(order, cut), address);
      break;
    case BenchStage::kOptics:
      product.light = link.deliver(light_before(order, cut), address);
      break;
    default:
      product.capture = capture_of(order);
      product.bytes = capture_bytes(product.capture);
      return product;
  }
  product.bytes = product.light.bytes();
  return product;
}

// Behind the last stage that is kept all is done in one.
Capture FrameReuse::capture_of(const Order& order) {
  const auto at = [&](BenchStage stage) {
    return StreamAddress{order.frame, order.addresses[static_cast<std::size_t>(stage)]};
  };
  std::size_t cut = kCapture;
  {
    const std::lock_guard lock(mutex_);
    while (cut > 1 && !keeps(cut - 1)) --cut;
  }
  return order.bench.link.arrive(light_before(order, cut),
                                 {at(BenchStage::kLine), at(BenchStage::kOptics), at(BenchStage::kFrontend)});
}

// A copy where it is kept: the next stage works in place.
LightFrame FrameReuse::light_before(const Order& order, std::size_t cut) {
  if (rule_.cuts[cut - 1]) return behind(order, cut - 1)->light;
  return make(order, cut - 1).light;
}

void FrameReuse::keep(const Key& kept, Shared product) {
  {
    const std::lock_guard lock(mutex_);
    if (product->bytes > rule_.memory_bytes) too_big_[std::get<0>(kept)] = true;
    if (product->bytes <= rule_.memory_bytes && make_room(kept, product->bytes)) {
      bytes_ += product->bytes;
      entries_.at(kept) = {std::move(product), ++clock_, {}};
    } else {
      entries_.erase(kept);
    }
  }
  announce();
}

// Drops what was used longest ago; searches, which come back to frame 0 again and again, only what belongs to
// other inputs than the newcomer.
bool FrameReuse::make_room(const Key& newcomer, std::size_t bytes) {
  while (bytes_ + bytes > rule_.memory_bytes || entries_.size() > rule_.most_entries) {
    auto oldest = entries_.end();
    for (auto entry = entries_.begin(); entry != entries_.end(); ++entry) {
      const bool may_go = rule_.drop_oldest || std::get<1>(entry->first) != std::get<1>(newcomer);
      if (entry->second.product && may_go &&
          (oldest == entries_.end() || entry->second.used < oldest->second.used))
        oldest = entry;
    }
    if (oldest == entries_.end()) return bytes_ + bytes <= rule_.memory_bytes;
    bytes_ -= oldest->second.product->bytes;
    entries_.erase(oldest);
  }
  return true;
}

void FrameReuse::announce() {
  made_.notify_all();
  if (listener_) listener_();
}

}  // namespace cohlink
