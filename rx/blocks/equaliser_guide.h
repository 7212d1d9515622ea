// The equaliser's adaptation where a frame's known symbols show the carrier's phase.
#pragma once

#include <algorithm>
#include <cstddef>

#include "rx/blocks/equaliser_rules.h"
#include "rx/blocks/equaliser_run.h"
#include "rx/blocks/frame_knowledge.h"
#include "rx/blocks/phase_track.h"

namespace cohlink {

/// Adaptation by decisions whose carrier phase the frame's known symbols show, or by those symbols alone.
class EqualiserGuide {
 public:
  /// The taps of `run` hold from its first symbol to symbol `holds_to`.
  EqualiserGuide(EqualiserRun& run, const EqualiserKnowledge& known, std::size_t holds_to)
      : run_(run),
        known_(known),
        error_(run.p.modulation, run.p.at_known_alone),
        margin_(16 * known.frame->layout().spacing),
        stretch_(std::max<std::size_t>(1024, 2 * margin_) / Equaliser::kBlock * Equaliser::kBlock) {
    walk_ = look(run.first, holds_to).walk();
  }

  /// Over whole blocks of [from, to), which are stored where there is an `out`.
  void along(std::size_t from, std::size_t to, Field<float>* out) {
    for (; from < to; from += stretch_) {
      const std::size_t end = std::min(from + stretch_, to);
      follow(from, end);
      for (std::size_t k = from; k < end; k += Equaliser::kBlock) step(k, out);
    }
  }

  /// The same blocks, last first.
  void back_along(std::size_t from, std::size_t to) {
    for (std::size_t n = (to - from + stretch_ - 1) / stretch_; n-- > 0;) {
      const std::size_t start = from + n * stretch_, end = std::min(start + stretch_, to);
      follow(start, end);
      for (std::size_t b = (end - start + Equaliser::kBlock - 1) / Equaliser::kBlock; b-- > 0;)
        step(start + b * Equaliser::kBlock, nullptr);
    }
  }

 private:
  // At the known symbols of [from, to), on what the taps now give.
  TogetherSeen look(std::size_t from, std::size_t to) const {
    const KnownSymbols known = known_.frame->in_row(from, to, known_.frame_start);
    return TogetherSeen(known.places, known_products(run_.filtered(from, to), known, from));
  }

  void follow(std::size_t from, std::size_t to) {
    const std::size_t count = std::min(run_.last - run_.first, stretch_ + 2 * margin_),
                      low = std::min(from > run_.first + margin_ ? from - margin_ : run_.first,
                                     run_.last - count);
    error_.follow(from, look(low, low + count).phase_between(walk_, from, to + Equaliser::kBlock));
    error_.know(known_.frame->in_row(from, to, known_.frame_start));
  }

  void step(std::size_t k, Field<float>* out) {
    run_.execution.check();
    ButterflyBlock y, e;
    run_.filters.filter(run_.in, k, y);
    if (out != nullptr) EqualiserRun::store(y, k, *out, 0);
    if (k < run_.first || k + Equaliser::kBlock > run_.last) return;
    error_(k, y, e);
    run_.move(k, e, run_.p.step, true);
  }

  EqualiserRun& run_;
  const EqualiserKnowledge& known_;
  GuidedError error_;
  std::size_t margin_, stretch_;  // symbols looked at beyond a stretch, and in one
  PhaseWalk walk_;
};

}  // namespace cohlink
