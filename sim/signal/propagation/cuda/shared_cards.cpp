#include <atomic>

#include "sim/signal/propagation/cuda/cuda_engine.h"

namespace cohlink::cuda {
namespace {

std::atomic<int> rank_here{0}, ranks_here{1};

}  // namespace

std::vector<int> cards_of_rank(const std::vector<Device>& devices, int rank, int ranks) {
  std::vector<int> indices;
  const int count = static_cast<int>(devices.size());
  if (count == 0) return indices;
  for (int i = rank % count; i < count; i += ranks)
    indices.push_back(devices[static_cast<std::size_t>(i)].index);
  return indices;
}

void set_rank_on_host(int rank, int ranks) {
  rank_here = rank;
  ranks_here = ranks;
}

Cards& shared_cards() {
  // Never destroyed: at the process's end the driver may be gone before it.
  static Cards* cards = new Cards(cards_of_rank(devices(), rank_here, ranks_here));
  return *cards;
}

}  // namespace cohlink::cuda
