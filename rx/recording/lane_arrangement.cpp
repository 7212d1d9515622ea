#include "rx/recording/lane_arrangement.h"

#include <algorithm>
#include <utility>

namespace cohlink {

const std::vector<LaneArrangement>& lane_arrangements() {
  static const auto all = [] {
    struct Pairing {
      std::array<std::size_t, 4> from;
      const char* fault;
    };
    const Pairing pairings[] = {{{0, 1, 2, 3}, ""},
                                {{0, 2, 1, 3}, "lanes XQ and YI have changed places"},
                                {{0, 3, 2, 1}, "lanes XQ and YQ have changed places"}};
    std::vector<LaneArrangement> arrangements;
    for (const Pairing& pairing : pairings)
      for (const auto& [x, y] : {std::pair{false, false}, {true, false}, {false, true}, {true, true}}) {
        LaneArrangement a{pairing.from, pairing.fault};
        const auto add = [&](const std::string& text) { a.fault += (a.fault.empty() ? "" : "; ") + text; };
        if (x) std::swap(a.from[0], a.from[1]);
        if (y) std::swap(a.from[2], a.from[3]);
        if (x && y)
          add("I and Q of both polarisations are swapped, or one lane of each is inverted (or the dispersion "
              "has "
              "the other sign)");
        else if (x || y)
          add(std::string("lanes ") + (x ? "XI and XQ" : "YI and YQ") +
              " are swapped, or one of them is inverted");
        arrangements.push_back(a);
      }
    return arrangements;
  }();
  return all;
}

Capture rearranged(const Capture& capture, const LaneArrangement& arrangement) {
  Capture out = capture;
  for (std::size_t l = 0; l < 4; ++l) {
    if (l < out.lanes.count()) std::ranges::copy(capture.lanes[arrangement.from[l]], out.lanes[l].begin());
    out.ampere_per_code[l] = capture.ampere_per_code[arrangement.from[l]];
  }
  return out;
}

}  // namespace cohlink
