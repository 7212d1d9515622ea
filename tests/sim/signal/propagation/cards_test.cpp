// Which cards the processes of one host take.
#include <doctest/doctest.h>

#include <set>

#include "sim/signal/propagation/cuda/device.h"

using namespace cohlink::cuda;

TEST_CASE("processes of one host share its cards out, and share one where there are too few") {
  const std::vector<Device> four = {{0, "", 0}, {1, "", 0}, {2, "", 0}, {5, "", 0}};
  CHECK(cards_of_rank(four, 0, 1) == std::vector<int>{0, 1, 2, 5});
  CHECK(cards_of_rank(four, 0, 2) == std::vector<int>{0, 2});
  CHECK(cards_of_rank(four, 1, 2) == std::vector<int>{1, 5});
  CHECK(cards_of_rank(four, 3, 4) == std::vector<int>{5});
  CHECK(cards_of_rank(four, 6, 8) == std::vector<int>{2});
  CHECK(cards_of_rank({}, 0, 1).empty());
  std::set<int> taken;
  for (int rank = 0; rank < 3; ++rank) {
    for (const int index : cards_of_rank(four, rank, 3)) CHECK(taken.insert(index).second);
  }
  CHECK(taken.size() == four.size());
}
