#include <algorithm>
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

}  // namespace

const std::vector<Device>& devices() {
  static const std::vector<Device> found = find_devices();
  return found;
}

Worker::Worker(int index) : device(index) {
  enter();
  check(cudaStreamCreateWithFlags(&stream, cudaStreamNonBlocking));
}

Worker::~Worker() {
  cudaSetDevice(device);
  if (stream != nullptr) cudaStreamDestroy(stream);
}

struct Cards::State {
  struct Card {
    int index;
    int at_work = 0;
    std::vector<std::unique_ptr<Worker>> idle{};
  };
  Card& of(int index) {
    return *std::find_if(cards.begin(), cards.end(), [&](const Card& card) { return card.index == index; });
  }

  std::mutex mutex;
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

std::unique_ptr<Worker> Cards::take() {
  int index = 0;
  {
    const std::lock_guard lock(state_->mutex);
    auto& card = *std::min_element(state_->cards.begin(), state_->cards.end(),
                                   [](const auto& a, const auto& b) { return a.at_work < b.at_work; });
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
  if (to_be_used_again) card.idle.push_back(std::move(worker));
}

}  // namespace cohlink::cuda
