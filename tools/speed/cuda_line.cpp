// A line of 20 spans on a card beside one core of the CPU: time a frame, and the light's difference.
#include <chrono>
#include <cstdio>
#include <stdexcept>
#include <string>
#include <thread>
#include <vector>

#include "sim/fibre/line.h"
#include "sim/signal/field_difference.h"
#include "sim/signal/propagation/cuda/cuda_engine.h"
#include "tools/speed/noise_field.h"
#include "tools/speed/speed.h"

namespace cohlink {
namespace {

double now() {
  return std::chrono::duration<double>(std::chrono::steady_clock::now().time_since_epoch()).count();
}

PropagationPlan twenty_spans() {
  LineParameters line;
  line.bandwidth = 35e9;
  line.sections.resize(20);
  return plan_line(line, RandomStreams(1));
}

// Frames one at a time from each of `threads`, as a sweep sends them, or all in one batch (threads = 0).
template <class Real>
double seconds_a_frame(const CudaEngine<Real>& engine, const PropagationPlan& plan, std::size_t n,
                       int threads, std::size_t frames) {
  std::vector<Field<Real>> fields(frames, noise_field<Real>(n));
  const std::vector<RandomStreams> streams(frames, RandomStreams(1));
  const auto work = [&] {
    if (threads == 0) {
      engine(fields, plan, streams);
      return;
    }
    std::vector<std::thread> workers;
    for (int t = 0; t < threads; ++t)
      workers.emplace_back([&, t] {
        for (std::size_t i = static_cast<std::size_t>(t); i < frames; i += static_cast<std::size_t>(threads))
          engine(fields[i], plan, streams[i]);
      });
    for (auto& worker : workers) worker.join();
  };
  work();  // memory, recordings
  const double start = now();
  work();
  return (now() - start) / static_cast<double>(frames);
}

template <class Real>
void compare(const char* precision, cuda::Cards& cards) {
  constexpr std::size_t kSamples = std::size_t{1} << 17;
  const PropagationPlan plan = twenty_spans();
  const Execution execution;
  Field<Real> here = noise_field<Real>(kSamples), there = here;
  const FastEngine<Real> cpu(execution);
  const CudaEngine<Real> card(cards, execution);
  cpu(here, plan, RandomStreams(1));
  here = there;
  const double start = now();
  cpu(here, plan, RandomStreams(1));
  const double core = now() - start;
  card(there, plan, RandomStreams(1));
  std::printf("%s: one core %.1f ms a frame; light on the card differs by %.1e of the power\n", precision,
              core * 1e3, difference_power(there, here));
  for (const int threads : {1, 4, 16}) {
    const double frame = seconds_a_frame(card, plan, kSamples, threads, 64);
    std::printf("  from %2d threads, a frame at a time: %7.3f ms a frame, %5.0f times one core\n", threads,
                frame * 1e3, core / frame);
  }
  const double batch = seconds_a_frame(card, plan, kSamples, 0, 64);
  std::printf("  a batch of 64:                      %7.3f ms a frame, %5.0f times one core\n", batch * 1e3,
              core / batch);
  std::fflush(stdout);
}

}  // namespace

int speed_of_cuda_line(int, char**) {
  std::vector<int> indices;
  for (const cuda::Device& device : cuda::devices()) indices.push_back(device.index);
  cuda::Cards cards(indices);
  std::printf("%zu x %s; 20 spans of 80 km, one channel, 2^17 samples, ASE drawn, copies counted\n",
              indices.size(), cuda::devices()[0].name.c_str());
  compare<float>("single", cards);
  compare<double>("double", cards);
  return 0;
}

}  // namespace cohlink
