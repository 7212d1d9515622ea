#include <algorithm>
#include <chrono>
#include <condition_variable>
#include <mutex>

#include "sim/signal/propagation/cuda/cuda_engine.h"
#include "sim/signal/propagation/cuda/worker.h"

namespace cohlink::cuda {
namespace {

// Kernels are built for compute capability 9.0 and, as PTX, for what comes later.
constexpr int kOldestMajor = 9;

std::vector<Device> find_devices() {
  std::vector<Device> found;
  int count = 0;
  if (cudaGetDeviceCount(&count) != cudaSuccess) {
    cudaGetLastError();  // no driver or no card is no error of ours
    return found;
  }
  for (int i = 0; i < count; ++i) {
    cudaDeviceProp properties{};
    if (cudaGetDeviceProperties(&properties, i) == cudaSuccess && properties.major >= kOldestMajor)
      found.push_back({i, properties.name, properties.totalGlobalMem});
  }
  return found;
}

// One computes while another copies; more than 16 at a time were not measured.
int most_at_work(std::size_t bytes) {
  return static_cast<int>(std::clamp<std::size_t>(kCacheBytes / std::max<std::size_t>(bytes, 1), 2, 16));
}

}  // namespace

const std::vector<Device>& devices() {
  static const std::vector<Device> found = find_devices();
  return found;
}

Worker::Worker(int index) : device(index) {
  enter();
  for (Lane& lane : lanes) check(cudaStreamCreateWithFlags(&lane.stream, cudaStreamNonBlocking));
  check(cudaEventCreateWithFlags(&event_, cudaEventDisableTiming));
  check(cudaEventCreateWithFlags(&done_, cudaEventDisableTiming | cudaEventBlockingSync));
}

Worker::~Worker() {
  cudaSetDevice(device);
  for (cudaEvent_t event : {event_, done_})
    if (event != nullptr) cudaEventDestroy(event);
  for (const Lane& lane : lanes) {
    if (lane.stream != nullptr) cudaStreamDestroy(lane.stream);
  }
}

struct Cards::State {
  struct Card {
    int index;
    int at_work = 0;
    std::vector<std::unique_ptr<Worker>> idle{};
  };
  Card& least_busy() {
    return *std::min_element(cards.begin(), cards.end(),
                             [](const Card& a, const Card& b) { return a.at_work < b.at_work; });
  }
  Card& of(int index) {
    return *std::find_if(cards.begin(), cards.end(), [&](const Card& card) { return card.index == index; });
  }

  std::mutex mutex;
  std::condition_variable given_back;
  std::vector<Card> cards;
};

Cards::Cards(const std::vector<int>& indices) : state_(std::make_unique<State>()) {
  if (indices.empty()) throw DeviceError("CUDA device: none is there");
  for (const int index : indices) {
    const bool known =
        std::any_of(devices().begin(), devices().end(), [&](const Device& d) { return d.index == index; });
    if (!known) throw DeviceError("CUDA device: there is no card " + std::to_string(index));
    state_->cards.push_back({index});
  }
}

Cards::~Cards() = default;

std::unique_ptr<Worker> Cards::take(std::size_t bytes, const Execution& execution) {
  int index = 0;
  {
    std::unique_lock lock(state_->mutex);
    while (state_->least_busy().at_work >= most_at_work(bytes)) {
      execution.check();
      state_->given_back.wait_for(lock, std::chrono::milliseconds(20));
    }
    State::Card& card = state_->least_busy();
    if (!card.idle.empty()) {
      std::unique_ptr<Worker> worker = std::move(card.idle.back());
      card.idle.pop_back();
      ++card.at_work;
      return worker;
    }
    index = card.index;
    ++card.at_work;
  }
  try {
    return std::make_unique<Worker>(index);
  } catch (...) {
    const std::lock_guard lock(state_->mutex);
    --state_->of(index).at_work;
    throw;
  }
}

void Cards::give_back(std::unique_ptr<Worker> worker, bool to_be_used_again) {
  const std::lock_guard lock(state_->mutex);
  State::Card& card = state_->of(worker->device);
  --card.at_work;
  state_->given_back.notify_one();
  if (to_be_used_again) card.idle.push_back(std::move(worker));
}

}  // namespace cohlink::cuda
