// A program on its way through a card: room, launches or their replay, progress.
#pragma once

#include <algorithm>
#include <cmath>
#include <span>
#include <stdexcept>
#include <utility>
#include <variant>
#include <vector>

#include "sim/signal/propagation/cuda/executor.h"
#include "sim/signal/propagation/cuda/signature.h"
#include "sim/signal/propagation/execution.h"

namespace cohlink::cuda {

using propagation_detail::AdaptivePass;
using propagation_detail::GainPass;
using propagation_detail::Instruction;
using propagation_detail::KerrPass;

/// Longer programs keep a card busy as they are launched, and a recording of them would take memory; a few
/// launches are not worth the place of a longer one.
inline constexpr std::size_t kFewestRecorded = 16, kMostRecorded = 4096;

inline bool has_adaptive_stretch(const std::vector<Instruction>& program) {
  return std::any_of(program.begin(), program.end(),
                     [](const Instruction& i) { return std::holds_alternative<AdaptivePass>(i); });
}

inline std::size_t kerr_steps(const std::vector<Instruction>& program) {
  return static_cast<std::size_t>(std::count_if(program.begin(), program.end(), [](const Instruction& i) {
    return std::holds_alternative<KerrPass>(i);
  }));
}

inline std::vector<const LumpedGain*> gains_of(const std::vector<Instruction>& program) {
  std::vector<const LumpedGain*> gains;
  for (const Instruction& instruction : program) {
    if (const auto* pass = std::get_if<GainPass>(&instruction)) gains.push_back(&pass->gain);
  }
  return gains;
}

/// Keeps the host a little ahead of the card, and no more: a program is left when it is told to stop, and
/// tells of the progress that was made.
class Watch {
 public:
  Watch(const Execution& execution, cudaStream_t stream, std::size_t instructions, std::size_t links)
      : execution_(execution),
        stream_(stream),
        share_(static_cast<double>(kBlock * links) /
               static_cast<double>(std::max<std::size_t>(1, instructions))) {
    // Blocking: a thread that waits leaves its core to those that make and receive light.
    for (cudaEvent_t& event : done_)
      check(cudaEventCreateWithFlags(&event, cudaEventDisableTiming | cudaEventBlockingSync));
  }
  ~Watch() {
    for (cudaEvent_t event : done_) cudaEventDestroy(event);
  }
  Watch(const Watch&) = delete;
  Watch& operator=(const Watch&) = delete;

  void operator()() {
    if (++count_ % kBlock != 0) return;
    execution_.check();
    const std::size_t block = count_ / kBlock;
    if (block >= 2) {
      check(cudaEventSynchronize(done_[block % 2]));  // recorded two blocks ago
      told_ += share_;
      execution_.progress(share_);
    }
    check(cudaEventRecord(done_[block % 2], stream_));
  }
  double told() const { return told_; }

 private:
  static constexpr std::size_t kBlock = 256;
  const Execution& execution_;
  cudaStream_t stream_;
  double share_, told_ = 0.0;
  std::size_t count_ = 0;
  cudaEvent_t done_[2] = {};
};

/// So many samples at that rate [Hz].
struct TimeSpan {
  std::size_t samples = 0;
  double rate = 0.0;
};

/// One program on fields that a worker holds as the host has them, in time and natural order: x of field 0, y
/// of field 0, x of field 1, ...
template <class Real>
class Passage {
 public:
  Passage(Worker& worker, const Execution& execution, const PropagationPlan& plan, const TimeSpan& span)
      : worker_(worker),
        execution_(execution),
        n_(span.samples),
        rate_(span.rate),
        program_(propagation_detail::compile(plan, n_, rate_)),
        gains_(gains_of(program_)) {
    for (const auto& instruction : program_) std::visit(signature_, instruction);
  }

  /// Most fields that go through together: what stays in the cache, and one for an adaptive stretch.
  std::size_t most_links() const {
    if (has_adaptive_stretch(program_)) return 1;
    return std::max<std::size_t>(1, kCacheBytes / (n_ * sizeof(Sample<Real>)));
  }

  /// Room for so many, before they are sent: a recording keeps addresses, and rows that have to grow lose
  /// what they held. (Of one field alone, rows that hold it are room enough.)
  void make_room(std::size_t links) {
    const std::size_t gains = std::max<std::size_t>(1, gains_.size() * links);
    samples_ = worker_.fields.at_least<Sample<Real>>(links * n_);
    rows_ = worker_.rows.at_least<Real>(4 * links * n_);
    table_ = {worker_.gains.at_least<GainOnLink>(gains), static_cast<int>(links)};
    parts_ = worker_.parts.at_least<double>((links + 2) * kSumBlocks + 2);
    host_gains_ = worker_.host_gains.at_least<GainOnLink>(gains);
  }

  /// Sends the fields that lie in the worker's rows through the program, as long as room was made for, with a
  /// stream each where there is noise. Queued; finish() waits.
  void operator()(std::size_t links, std::span<const RandomStreams> streams) {
    execution_.check();
    set_gains(links, streams);
    told_ = launch(links);
    copy(host_gains_, table_.gains, gains_.size() * links * sizeof(GainOnLink), cudaMemcpyDeviceToHost);
    report.steps += kerr_steps(program_) * links;
  }

  /// Waits, and tells of the progress. std::invalid_argument where an amplifier of fixed output got no light.
  void finish(std::size_t links) {
    worker_.wait();
    if (!std::all_of(host_gains_, host_gains_ + gains_.size() * links,
                     [](const GainOnLink& gain) { return std::isfinite(gain.amplitude); }))
      throw std::invalid_argument("an amplifier of fixed output power received no light");
    execution_.progress(static_cast<double>(links) - told_);
  }

  EngineReport report{};

 private:
  void copy(void* to, const void* from, std::size_t bytes, cudaMemcpyKind kind) {
    if (bytes > 0) check(cudaMemcpyAsync(to, from, bytes, kind, worker_.stream()));
  }

  void set_gains(std::size_t links, std::span<const RandomStreams> streams) {
    for (std::size_t g = 0; g < gains_.size(); ++g) {
      const LumpedGain& gain = *gains_[g];
      for (std::size_t link = 0; link < links; ++link) {
        GainOnLink& out = host_gains_[g * links + link] = {};
        if (gain.output_power <= 0.0) {
          out.amplitude = std::sqrt(gain.power_gain);
          out.sigma = std::sqrt(gain.ase_psd * rate_ * static_cast<double>(n_));
        }
        if (!propagation_detail::has_ase(gain)) continue;
        const std::uint64_t key = streams[link].stream(gain.ase_stream).key();
        out.key[0] = static_cast<std::uint32_t>(key);
        out.key[1] = static_cast<std::uint32_t>(key >> 32);
      }
    }
    copy(table_.gains, host_gains_, gains_.size() * links * sizeof(GainOnLink), cudaMemcpyHostToDevice);
  }

  // The links of a chunk, divided among lanes.
  std::vector<Share<Real>> shares_of(std::size_t links) const {
    std::vector<Share<Real>> shares;
    const auto lanes = static_cast<std::size_t>(lanes_for<Real>(n_, links));
    for (std::size_t lane = 0; lane < lanes; ++lane) {
      const std::size_t first = lane * links / lanes, count = (lane + 1) * links / lanes - first;
      shares.push_back({{samples_ + first * n_, static_cast<int>(count), {static_cast<int>(n_)}},
                        {table_.gains + first, table_.links},
                        parts_ + first * kSumBlocks});
    }
    return shares;
  }

  bool is_recorded() const {
    return program_.size() >= kFewestRecorded && program_.size() <= kMostRecorded &&
           !has_adaptive_stretch(program_);
  }

  // Returns the progress that was told meanwhile, in fields.
  double launch(std::size_t links) {
    std::vector<Executor<Real>> executors;
    const std::vector<Share<Real>> shares = shares_of(links);
    for (std::size_t i = 0; i < shares.size(); ++i)
      executors.emplace_back(worker_, worker_.lanes[i], shares[i], rate_);
    const auto queue = [&](const auto& before_each) {
      const auto each = [&](const auto& pass) {
        Real* rows = rows_;
        for (std::size_t i = 0; i < shares.size(); ++i) {
          pass(shares[i].fields, rows, worker_.lanes[i].stream);
          rows += 4 * n_ * static_cast<std::size_t>(shares[i].fields.links);
        }
      };
      if (shares.size() > 1) worker_.fork();
      each([](const auto& fields, Real* rows, cudaStream_t stream) { interleave(fields, rows, stream); });
      cuda::run(executors, program_, before_each);
      each([](const auto& fields, Real* rows, cudaStream_t stream) { separate(rows, fields, stream); });
      if (shares.size() > 1) worker_.join();
    };
    if (is_recorded()) {
      worker_.recording.run(signature(links), worker_.stream(), [&] { queue([](const Instruction&) {}); });
      return 0.0;
    }
    Watch watch(execution_, worker_.stream(), program_.size(), links);
    queue([&](const Instruction&) { watch(); });
    const EngineReport& adaptive = executors.front().adaptive;  // which take one link
    report.steps += adaptive.steps;
    report.rejected_steps += adaptive.rejected_steps;
    report.step_floor_hits += adaptive.step_floor_hits;
    return watch.told();
  }

  std::vector<double> signature(std::size_t links) const {
    Signature signature = signature_;
    signature.add(n_, rate_, links, sizeof(Real));
    for (const Lane& lane : worker_.lanes) signature.add(std::get<LayoutInUse<Real>>(lane.layouts).made);
    for (const void* p : {static_cast<const void*>(samples_), static_cast<const void*>(rows_),
                          static_cast<const void*>(table_.gains), static_cast<const void*>(parts_)})
      signature.add_pointer(p);
    return std::move(signature.numbers);
  }

  Worker& worker_;
  const Execution& execution_;
  std::size_t n_;
  double rate_;
  std::vector<Instruction> program_;
  std::vector<const LumpedGain*> gains_;
  Signature signature_;
  Sample<Real>* samples_ = nullptr;
  Real* rows_ = nullptr;
  GainTable table_;
  double* parts_ = nullptr;
  GainOnLink* host_gains_ = nullptr;
  double told_ = 0.0;  // progress that launch() told of, in fields
};

}  // namespace cohlink::cuda
