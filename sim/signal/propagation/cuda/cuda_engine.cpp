#include "sim/signal/propagation/cuda/cuda_engine.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <exception>
#include <limits>
#include <stdexcept>

#include "sim/signal/propagation/cuda/executor.h"
#include "sim/signal/propagation/execution.h"
#include "sim/signal/propagation/program.h"

namespace cohlink {
namespace {

using namespace cuda;
using namespace propagation_detail;

// Longer programs keep a card busy as they are launched, and a recording of them would take memory.
constexpr std::size_t kMostRecorded = 4096;

bool has_adaptive_stretch(const std::vector<Instruction>& program) {
  return std::any_of(program.begin(), program.end(),
                     [](const Instruction& i) { return std::holds_alternative<AdaptivePass>(i); });
}

std::size_t kerr_steps(const std::vector<Instruction>& program) {
  return static_cast<std::size_t>(std::count_if(program.begin(), program.end(), [](const Instruction& i) {
    return std::holds_alternative<KerrPass>(i);
  }));
}

std::vector<const LumpedGain*> gains_of(const std::vector<Instruction>& program) {
  std::vector<const LumpedGain*> gains;
  for (const Instruction& instruction : program) {
    if (const auto* pass = std::get_if<GainPass>(&instruction)) gains.push_back(&pass->gain);
  }
  return gains;
}

// All numbers that launches depend on.
struct Signature {
  std::vector<double> numbers;

  template <class... T>
  void add(T... values) {
    (numbers.push_back(static_cast<double>(values)), ...);
  }
  void add_pointer(const void* p) { add(reinterpret_cast<std::uintptr_t>(p)); }
  void add_matrix(const JonesMatrix& m) {
    for (const auto z : {m.xx, m.xy, m.yx, m.yy}) add(z.real(), z.imag());
  }
  void operator()(const LinearPass& e) {
    add(1, e.forward, e.inverse, e.chirp, e.phase.p2, e.phase.p3, e.amplitude, e.work.size());
    for (const SpectralWork& work : e.work) {
      if (const auto* section = std::get_if<SectionWork>(&work)) {
        add(1, section->turns);
        add_matrix(section->matrix);
      } else if (const auto* filter = std::get_if<OpticalFilter>(&work)) {
        add(2, filter->centre, filter->bandwidth, filter->otf_bandwidth);
      } else {
        const auto& gain = std::get<SpectralGain>(work);
        add(3, gain.first, gain.spacing, gain.log_gain.size());
        numbers.insert(numbers.end(), gain.log_gain.begin(), gain.log_gain.end());
      }
    }
  }
  void operator()(const KerrPass& e) { add(2, e.turns_per_watt); }
  void operator()(const GainPass& e) { add(3, e.gain.output_power, e.gain.noise_factor, e.gain.carrier); }
  void operator()(const AdaptivePass&) { add(4); }
  void operator()(const TrackPass&) { throw std::invalid_argument("no card turns by a polarisation track"); }
  void operator()(const RotationPass& e) {
    add(5, e.rotation.rate, e.rotation.axis[0], e.rotation.axis[1], e.rotation.axis[2], e.rotation.start);
  }
};

// A worker for as long as a call lasts.
class Loan {
 public:
  Loan(Cards& cards, std::size_t bytes, const Execution& execution)
      : cards_(cards), worker_(cards.take(bytes, execution)) {
    worker_->enter();
  }
  // A worker that an error has stopped is not used again.
  ~Loan() { cards_.give_back(std::move(worker_), std::uncaught_exceptions() == exceptions_); }
  Loan(const Loan&) = delete;
  Loan& operator=(const Loan&) = delete;
  Worker& operator*() const { return *worker_; }

 private:
  Cards& cards_;
  std::unique_ptr<Worker> worker_;
  int exceptions_ = std::uncaught_exceptions();
};

// X and Y of a field on the host, where numbers may be wider than on the card.
template <class Host>
using HostRows = std::array<std::complex<Host>*, 2>;

template <class Host>
struct Batch {
  std::vector<HostRows<Host>> fields;
  std::size_t samples = 0;
  double rate = 0.0;
};

// Complex numbers lie in memory as pairs (ISO C++, [complex.numbers]).
template <class To, class From>
void copy_numbers(To* to, const From* from, std::size_t count) {
  for (std::size_t i = 0; i < count; ++i) to[i] = static_cast<To>(from[i]);
}

// Keeps the host a little ahead of the card, and no more: a program is left when it is told to stop, and
// tells of the progress that was made.
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

// One program on chunk after chunk of a batch.
template <class Real>
class Run {
 public:
  template <class Host>
  Run(Worker& worker, const Execution& execution, const PropagationPlan& plan, const Batch<Host>& batch)
      : worker_(worker),
        execution_(execution),
        n_(batch.samples),
        rate_(batch.rate),
        program_(compile(plan, n_, rate_)),
        gains_(gains_of(program_)) {
    const std::size_t fitting = std::max<std::size_t>(1, kCacheBytes / (n_ * sizeof(Sample<Real>)));
    chunk_ = has_adaptive_stretch(program_) ? 1 : std::min(fitting, batch.fields.size());
    for (const Instruction& instruction : program_) std::visit(signature_, instruction);
  }

  std::size_t chunk() const { return chunk_; }

  template <class Host>
  void operator()(std::span<const HostRows<Host>> fields, std::span<const RandomStreams> streams) {
    execution_.check();
    make_room(fields.size());
    send(fields);
    set_gains(fields.size(), streams);
    const double told = launch(fields.size());
    fetch(fields);
    execution_.progress(static_cast<double>(fields.size()) - told);
    report.steps += kerr_steps(program_) * fields.size();
  }

  EngineReport report{};

 private:
  // Before anything is recorded: a recording keeps addresses.
  void make_room(std::size_t links) {
    const std::size_t gains = std::max<std::size_t>(1, gains_.size() * links);
    samples_ = worker_.fields.at_least<Sample<Real>>(links * n_);
    rows_ = worker_.rows.at_least<Real>(4 * links * n_);
    table_ = {worker_.gains.at_least<GainOnLink>(gains), static_cast<int>(links)};
    parts_ = worker_.parts.at_least<double>((links + 2) * kSumBlocks + 2);
    host_rows_ = worker_.host_rows.at_least<Real>(4 * links * n_);
    host_gains_ = worker_.host_gains.at_least<GainOnLink>(gains);
  }

  void copy(void* to, const void* from, std::size_t bytes, cudaMemcpyKind kind) {
    if (bytes > 0) check(cudaMemcpyAsync(to, from, bytes, kind, worker_.stream()));
  }

  template <class Host>
  void send(std::span<const HostRows<Host>> fields) {
    Real* to = host_rows_;
    for (const HostRows<Host>& field : fields) {
      for (const std::complex<Host>* row : field) {
        copy_numbers(to, reinterpret_cast<const Host*>(row), 2 * n_);
        to += 2 * n_;
      }
    }
    copy(rows_, host_rows_, 4 * fields.size() * n_ * sizeof(Real), cudaMemcpyHostToDevice);
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
        if (!has_ase(gain)) continue;
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
    if (program_.size() <= kMostRecorded && !has_adaptive_stretch(program_)) {
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

  template <class Host>
  void fetch(std::span<const HostRows<Host>> fields) {
    copy(host_rows_, rows_, 4 * fields.size() * n_ * sizeof(Real), cudaMemcpyDeviceToHost);
    const std::size_t gains = gains_.size() * fields.size();
    copy(host_gains_, table_.gains, gains * sizeof(GainOnLink), cudaMemcpyDeviceToHost);
    worker_.wait();
    if (!std::all_of(host_gains_, host_gains_ + gains,
                     [](const GainOnLink& gain) { return std::isfinite(gain.amplitude); }))
      throw std::invalid_argument("an amplifier of fixed output power received no light");
    const Real* from = host_rows_;
    for (const HostRows<Host>& field : fields) {
      for (std::complex<Host>* row : field) {
        copy_numbers(reinterpret_cast<Host*>(row), from, 2 * n_);
        from += 2 * n_;
      }
    }
  }

  Worker& worker_;
  const Execution& execution_;
  std::size_t n_;
  double rate_;
  std::vector<Instruction> program_;
  std::vector<const LumpedGain*> gains_;
  std::size_t chunk_ = 1;
  Signature signature_;
  Sample<Real>* samples_ = nullptr;
  Real* rows_ = nullptr;
  GainTable table_;
  double* parts_ = nullptr;
  Real* host_rows_ = nullptr;
  GainOnLink* host_gains_ = nullptr;
};

template <class Real, class Host>
EngineReport run_batch(const Batch<Host>& batch, const PropagationPlan& plan,
                       std::span<const RandomStreams> streams, Cards& cards, const Execution& execution) {
  if (batch.samples > static_cast<std::size_t>(std::numeric_limits<int>::max()))
    throw DeviceError("CUDA device: a field of more than 2^31 samples");
  const std::size_t bytes = batch.fields.size() * batch.samples * sizeof(Sample<Real>);
  const Loan worker(cards, bytes, execution);
  Run<Real> run(*worker, execution, plan, batch);
  const std::span all(batch.fields);
  for (std::size_t first = 0; first < all.size(); first += run.chunk()) {
    const std::size_t count = std::min(run.chunk(), all.size() - first);
    run(std::span<const HostRows<Host>>(all.subspan(first, count)),
        streams.empty() ? streams : streams.subspan(first, count));
  }
  return run.report;
}

}  // namespace

template <class Real>
template <class Host>
EngineReport CudaEngine<Real>::run(std::span<Field<Host>> fields, const PropagationPlan& plan,
                                   std::span<const RandomStreams> streams) const {
  check_batch(fields, plan, streams);
  if (fields.empty()) return {};
  Batch<Host> batch{{}, fields[0].size(), fields[0].sample_rate};
  for (Field<Host>& field : fields) {
    if (field.size() != batch.samples || field.sample_rate != batch.rate)
      throw std::invalid_argument("the fields of a batch must share length and sample rate");
    batch.fields.push_back({field.x.data(), field.y.data()});
  }
  return run_batch<Real>(batch, plan, streams, *cards_, execution_);
}

template <class Real>
EngineReport CudaEngine<Real>::operator()(const FieldBatch<Real>& fields, const PropagationPlan& plan,
                                          std::span<const RandomStreams> streams) const {
  check_batch(fields, plan, streams);
  if (fields.frames() == 0) return {};
  Batch<Real> batch{{}, fields.samples(), fields.sample_rate()};
  for (std::size_t i = 0; i < fields.frames(); ++i)
    batch.fields.push_back({fields.row(i, 0), fields.row(i, 1)});
  return run_batch<Real>(batch, plan, streams, *cards_, execution_);
}

template class CudaEngine<float>;
template class CudaEngine<double>;
template EngineReport CudaEngine<float>::run(std::span<Field<float>>, const PropagationPlan&,
                                             std::span<const RandomStreams>) const;
template EngineReport CudaEngine<float>::run(std::span<Field<double>>, const PropagationPlan&,
                                             std::span<const RandomStreams>) const;
template EngineReport CudaEngine<double>::run(std::span<Field<double>>, const PropagationPlan&,
                                              std::span<const RandomStreams>) const;

}  // namespace cohlink
