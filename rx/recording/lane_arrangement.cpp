#include "rx/recording/lane_arrangement.h"

#include <algorithm>
#include <utility>

#include "rx/recording/lane_health.h"
#include "sim/signal/scenario/errors.h"

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

namespace {

/// Half of the bits without a lock, none where it is not known what was sent.
double error_ratio(const ReceiverResult& result) {
  if (!result.locked) return 0.5;
  return result.score ? result.score->both.ber() : 0.0;
}

bool moves_y(const LaneArrangement& arrangement) {
  return arrangement.from[2] != 2 || arrangement.from[3] != 3;
}

Capture head_of(const Capture& capture, std::size_t samples) {
  Capture head = capture;
  head.lanes = Lanes(samples, capture.lanes.count());
  for (std::size_t l = 0; l < head.lanes.count(); ++l)
    std::copy_n(capture.lanes[l].begin(), samples, head.lanes[l].begin());
  return head;
}

}  // namespace

LaneArrangement arrangement_that_locks(const Receiver& receiver, const Capture& capture, double most_errors) {
  const auto& all = lane_arrangements();
  for (const LaneArrangement& arrangement : all) {
    if (capture.one_polarisation() && moves_y(arrangement)) continue;
    const ReceiverResult result = receiver(rearranged(capture, arrangement), false);
    if (result.locked && error_ratio(result) <= most_errors) return arrangement;
  }
  return all.front();
}

void name_lane_fault(const Receiver& receiver, const Capture& capture, ReceiverResult& result) {
  constexpr std::size_t kHead = std::size_t{1} << 17;
  constexpr double kMany = 0.1, kLeft = 0.4;
  const double errors = error_ratio(result);
  const bool on_constellation = result.coherence_needed > 0.0;
  if (errors <= kMany || !on_constellation || !lane_findings(capture).faults.empty()) return;
  try {
    const Capture head = head_of(capture, std::min(kHead, capture.samples()));
    const LaneArrangement found = arrangement_that_locks(receiver, head, kLeft * errors);
    if (!found.fault.empty())
      result.warnings.push_back(std::string(result.locked ? "many errors" : "no lock") +
                                " as recorded, but not with the lanes rearranged: " + found.fault);
  } catch (const InputError&) {  // the head is too short for this receiver
  }
}

}  // namespace cohlink
