// What the rest of cohlink may know of CUDA devices. Plain C++; every build has it.
#pragma once

#include <cstddef>
#include <stdexcept>
#include <string>
#include <vector>

namespace cohlink::cuda {

/// A device lost, out of memory or missing: the work may be done elsewhere.
class DeviceError : public std::runtime_error {
 public:
  using std::runtime_error::runtime_error;
};

struct Device {
  int index = 0;
  std::string name;
  std::size_t memory = 0;  ///< bytes
};

/// The cards this process sees that the engine can run on, in the runtime's order; empty if there is no
/// driver, no card, or no CUDA engine in this build. Asks once.
const std::vector<Device>& devices();

/// Lengths of fields that take two passes over memory a step; others go through cuFFT.
constexpr bool takes_two_passes(std::size_t samples) {
  const bool power_of_two = (samples & (samples - 1)) == 0;
  return power_of_two && samples >= std::size_t{1} << 12 && samples <= std::size_t{1} << 24;
}

/// The cards of process `rank` of `ranks` on one host, in order: every ranks-th from its own on, or one that
/// it shares where there are fewer cards than processes. Empty for no card.
std::vector<int> cards_of_rank(const std::vector<Device>& devices, int rank, int ranks);

/// Says which of how many processes on this host this one is, before any work on a card: each takes cards of
/// its own.
void set_rank_on_host(int rank, int ranks);

}  // namespace cohlink::cuda
