// The split step on a card beside its four bare cuFFT transforms: graph replays of eight each, in one run.
#include <cuda_runtime.h>
#include <cufft.h>

#include <algorithm>
#include <array>
#include <cstdio>
#include <cstdlib>
#include <cstring>
#include <functional>
#include <memory>
#include <stdexcept>
#include <vector>

#include "sim/signal/propagation/cuda/executor.h"
#include "tools/speed/speed.h"

namespace cohlink {
namespace {

using cuda::check;

constexpr int kRepeats = 8;  // steps a replay

class Replay {
 public:
  Replay(cudaStream_t stream, const std::function<void()>& record) : stream_(stream) {
    check(cudaStreamBeginCapture(stream, cudaStreamCaptureModeThreadLocal));
    record();
    check(cudaStreamEndCapture(stream, &graph_));
    check(cudaGraphInstantiate(&ready_, graph_, 0));
    check(cudaEventCreate(&start_));
    check(cudaEventCreate(&stop_));
  }
  ~Replay() {
    cudaEventDestroy(start_);
    cudaEventDestroy(stop_);
    cudaGraphExecDestroy(ready_);
    cudaGraphDestroy(graph_);
  }
  Replay(const Replay&) = delete;
  Replay& operator=(const Replay&) = delete;

  void run() {
    check(cudaEventRecord(start_, stream_));
    check(cudaGraphLaunch(ready_, stream_));
    check(cudaEventRecord(stop_, stream_));
    check(cudaEventSynchronize(stop_));
    float ms = 0;
    check(cudaEventElapsedTime(&ms, start_, stop_));
    times_.push_back(ms);
  }
  // In us, without the first two.
  double median() {
    const auto first = times_.begin() + 2, middle = first + (times_.end() - first) / 2;
    std::nth_element(first, middle, times_.end());
    return 1e3 * *middle;
  }

 private:
  cudaStream_t stream_;
  cudaGraph_t graph_ = nullptr;
  cudaGraphExec_t ready_ = nullptr;
  cudaEvent_t start_ = nullptr, stop_ = nullptr;
  std::vector<float> times_;
};

// Median times of replays of what each of `records` queues, after `prepare` each time, in us. In turn: a
// card's clock falls while it is busy, and what is compared should see the same.
template <std::size_t kCount>
std::array<double, kCount> replayed(cudaStream_t stream, const std::function<void()>& prepare,
                                    const std::array<std::function<void()>, kCount>& records) {
  std::array<std::unique_ptr<Replay>, kCount> replays;
  for (std::size_t i = 0; i < kCount; ++i) replays[i] = std::make_unique<Replay>(stream, records[i]);
  for (int i = 0; i < 17; ++i) {
    for (auto& replay : replays) {
      prepare();
      replay->run();
    }
  }
  std::array<double, kCount> medians{};
  for (std::size_t i = 0; i < kCount; ++i) medians[i] = replays[i]->median();
  return medians;
}

template <class Real>
struct Timed {
  cuda::Worker worker;
  int n, links;
  cuda::Sample<Real>* samples;

  Timed(int device, int length, int count)
      : worker(device),
        n(length),
        links(count),
        samples(worker.fields.at_least<cuda::Sample<Real>>(static_cast<std::size_t>(length) * count)) {}

  // Fresh noise of tiny power, which no number of unscaled transforms overflows.
  void refill() {
    std::vector<cuda::GainOnLink> gain(static_cast<std::size_t>(links), cuda::GainOnLink{0.0, 1e-30, {1, 2}});
    auto* table = worker.gains.template at_least<cuda::GainOnLink>(gain.size());
    check(cudaMemcpyAsync(table, gain.data(), gain.size() * sizeof gain[0], cudaMemcpyHostToDevice,
                          worker.stream()));
    check(
        cudaMemsetAsync(samples, 0, static_cast<std::size_t>(n) * links * sizeof *samples, worker.stream()));
    cuda::amplify(cuda::FieldsOnDevice<Real>{samples, links, {n}}, {table, links}, 0, worker.stream());
  }

  // All links through all steps, `chunk` at a time, in lanes as the engine has them: without and with a
  // section.
  std::array<double, 2> steps(int chunk) {
    const int lanes = cuda::lanes_for<Real>(static_cast<std::size_t>(n), static_cast<std::size_t>(chunk));
    const int share = chunk / lanes;  // chunks are powers of two
    std::vector<std::unique_ptr<cuda::Layout<Real>>> layouts;
    for (int i = 0; i < lanes; ++i)
      layouts.push_back(cuda::make_layout<Real>(n, share, worker.lanes[static_cast<std::size_t>(i)].stream));
    const auto record = [&](const cuda::RowPass<Real>& pass) {
      if (lanes > 1) worker.fork();
      for (int first = 0, i = 0; first < links; first += share, i = (i + 1) % lanes) {
        auto* at = samples + static_cast<std::size_t>(first) * n;
        for (int step = 0; step < kRepeats; ++step) {
          layouts[static_cast<std::size_t>(i)]->linear(at, share, pass);
          layouts[static_cast<std::size_t>(i)]->kerr(at, share, Real(0.01));
        }
      }
      if (lanes > 1) worker.join();
    };
    const std::array<std::function<void()>, 2> records{[&] { record(row_pass(0)); },
                                                       [&] { record(row_pass(1)); }};
    const auto [plain, pmd] = replayed(
        worker.stream(), [&] { refill(); }, records);
    return {plain / kRepeats, pmd / kRepeats};
  }

  cuda::RowPass<Real> row_pass(int sections) const {
    cuda::RowPass<Real> pass;
    pass.forward = pass.inverse = true;
    const double half = 0.5 * n;
    pass.chirp[0] = 60.3 / half / half;
    pass.chirp[1] = -3.1 / half / half / half;
    pass.amplitude = 1.0 / n;
    pass.sections = sections;
    return pass;
  }

  double bare(int chunk) {
    cufftHandle plan{};
    int length[1] = {n};
    const bool single = sizeof(Real) == sizeof(float);
    if (cufftPlanMany(&plan, 1, length, nullptr, 1, n, nullptr, 1, n, single ? CUFFT_C2C : CUFFT_Z2Z,
                      2 * chunk) != CUFFT_SUCCESS)
      throw std::runtime_error("cuFFT makes no plan");
    cufftSetStream(plan, worker.stream());
    const std::array<std::function<void()>, 1> records{[&] {
      for (int first = 0; first < links; first += chunk) {
        void* at = samples + static_cast<std::size_t>(first) * n;
        for (int i = 0; i < 2 * kRepeats; ++i) {
          const int direction = i % 2 == 0 ? CUFFT_FORWARD : CUFFT_INVERSE;
          if (single)
            cufftExecC2C(plan, static_cast<cufftComplex*>(at), static_cast<cufftComplex*>(at), direction);
          else
            cufftExecZ2Z(plan, static_cast<cufftDoubleComplex*>(at), static_cast<cufftDoubleComplex*>(at),
                         direction);
        }
      }
    }};
    const double time = replayed(
        worker.stream(), [&] { refill(); }, records)[0];
    cufftDestroy(plan);
    return time / kRepeats;
  }
};

template <class Real>
void line(const char* precision, int log_n, int links) {
  Timed<Real> timed(0, 1 << log_n, links);
  const int fitting = std::max(1, (32 << 20) / static_cast<int>(sizeof(cuda::Sample<Real>)) >> log_n);
  const int chunk = std::min(links, fitting);
  const double bare = timed.bare(links), chunked = chunk < links ? timed.bare(chunk) : bare;
  const auto [step, pmd] = timed.steps(chunk);
  std::printf("%-7s 2^%-3d x %-4d %10.2f %10.2f %10.2f %8.3f %8.3f %8.3f\n", precision, log_n, links, bare,
              chunked, step, step / bare, step / chunked, pmd / step);
  std::fflush(stdout);
}

}  // namespace

int speed_of_cuda_step(int, char**) {
  if (cuda::devices().empty()) throw std::runtime_error("no CUDA device");
  std::printf(
      "%s\n\nOne step of all links, both polarisations, beside four cuFFT transforms a link (in one batch, "
      "and in "
      "the step's chunks)\n",
      cuda::devices()[0].name.c_str());
  std::printf("%-7s %-12s %10s %10s %10s %8s %8s %8s\n", "", "links", "bare, us", "chunked", "step, us",
              "ratio", "chunked", "PMD/step");
  const int cases[][2] = {{12, 1},  {14, 1},  {15, 1}, {16, 1},   {17, 1},  {18, 1},
                          {19, 1},  {20, 1},  {21, 1}, {22, 1},   {14, 32}, {16, 8},
                          {16, 32}, {17, 16}, {18, 8}, {16, 128}, {18, 32}};
  for (const auto& [log_n, links] : cases) line<float>("single", log_n, links);
  for (const auto& [log_n, links] : cases) line<double>("double", log_n, links);
  return 0;
}

}  // namespace cohlink
