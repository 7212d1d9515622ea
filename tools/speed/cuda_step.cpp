// The split step on a card beside its four bare cuFFT transforms: graph replays of eight each, in one run.
#include <cuda_runtime.h>
#include <cufft.h>

#include <algorithm>
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

// Median time of a replay of what `record` queues, after `prepare` each time, in us.
double replayed(cudaStream_t stream, const std::function<void()>& prepare,
                const std::function<void()>& record) {
  cudaGraph_t graph = nullptr;
  cudaGraphExec_t ready = nullptr;
  check(cudaStreamBeginCapture(stream, cudaStreamCaptureModeThreadLocal));
  record();
  check(cudaStreamEndCapture(stream, &graph));
  check(cudaGraphInstantiate(&ready, graph, 0));
  cudaEvent_t start = nullptr, stop = nullptr;
  check(cudaEventCreate(&start));
  check(cudaEventCreate(&stop));
  std::vector<float> times;
  for (int i = 0; i < 17; ++i) {
    prepare();
    check(cudaEventRecord(start, stream));
    check(cudaGraphLaunch(ready, stream));
    check(cudaEventRecord(stop, stream));
    check(cudaEventSynchronize(stop));
    float ms = 0;
    check(cudaEventElapsedTime(&ms, start, stop));
    if (i >= 2) times.push_back(ms);
  }
  cudaEventDestroy(start);
  cudaEventDestroy(stop);
  cudaGraphExecDestroy(ready);
  cudaGraphDestroy(graph);
  std::nth_element(times.begin(), times.begin() + 7, times.end());
  return 1e3 * times[7];
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

  // All links through all steps, `chunk` at a time, in lanes as the engine has them.
  double steps(int sections, int chunk) {
    const int lanes = cuda::lanes_for<Real>(static_cast<std::size_t>(n), static_cast<std::size_t>(chunk));
    const int share = chunk / lanes;  // chunks are powers of two
    std::vector<std::unique_ptr<cuda::Layout<Real>>> layouts;
    for (int i = 0; i < lanes; ++i)
      layouts.push_back(cuda::make_layout<Real>(n, share, worker.lanes[static_cast<std::size_t>(i)].stream));
    const cuda::RowPass<Real> pass = row_pass(sections);
    const auto record = [&] {
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
    return replayed(
               worker.stream(), [&] { refill(); }, record) /
           kRepeats;
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
    const double time = replayed(
        worker.stream(), [&] { refill(); },
        [&] {
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
        });
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
  const double step = timed.steps(0, chunk), pmd = timed.steps(1, chunk);
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
