// What one call of the equaliser works on, and the passes that its rules make over it.
#pragma once

#include <algorithm>
#include <cstddef>

#include "rx/blocks/butterfly.h"
#include "rx/blocks/equaliser.h"
#include "rx/blocks/frequency.h"
#include "sim/signal/execution/execution.h"
#include "sim/signal/field.h"

namespace cohlink {

struct EqualiserRun {
  const EqualiserParameters& p;
  const Execution& execution;
  ButterflyInput in;
  Butterfly filters;
  std::size_t first, last;  // symbols that may drive the adaptation
  double symbol_rate;
  bool one_row;  // X alone: Y's filters stay at nought

  std::size_t taps_hold_to = 0;  // symbol up to which a known start fitted them; 0: not said
  bool at_end = false;           // of what the start-up goes over: the next pass goes back
  bool look = false;             // keep the outputs of the passes that follow
  Field<float> seen{};           // of the last one that was kept

  // One pass of adaptation over whole blocks in [from, to): forth, and back if the last one went forth, so
  // that taps which follow a channel in time need not jump.
  template <class Error>
  void adapt(Error& error, double step, bool move_y, std::size_t from, std::size_t to) {
    const std::size_t blocks = (to - from) / Equaliser::kBlock;
    if (look) seen = Field<float>(blocks * Equaliser::kBlock, symbol_rate);
    ButterflyBlock y, e;
    for (std::size_t b = 0; b < blocks; ++b) {
      execution.check();
      const std::size_t k = from + (at_end ? blocks - 1 - b : b) * Equaliser::kBlock;
      filters.filter(in, k, y);
      if (look) store(y, k, seen, from);
      error(k, y, e);
      move(k, e, step, move_y);
    }
    at_end = !at_end;
  }

  // One more pass where the last one ended at the end.
  template <class Error>
  void come_back(Error& error, double step, std::size_t from, std::size_t to) {
    if (at_end) adapt(error, step, true, from, to);
  }

  // The taps, each by its own step, and all together.
  void move(std::size_t k, const ButterflyBlock& e, double step, bool move_y) {
    const bool both = move_y && !one_row;
    filters.adapt(in, k, e, static_cast<float>(step), both);
    if (both && p.turn_step > 0.0) filters.turn(static_cast<float>(p.turn_step));
  }

  // What an error remembers (the gain of the outputs) made ready over [from, to), the taps as they are.
  template <class Error>
  void settle(Error& error, std::size_t from, std::size_t to) const {
    ButterflyBlock y, e;
    for (std::size_t k = from; k + Equaliser::kBlock <= to; k += Equaliser::kBlock) {
      execution.check();
      filters.filter(in, k, y);
      error(k, y, e);
    }
  }

  // Filters all symbols, adapting in [first, last) only: near the ends the input is incomplete.
  template <class Error>
  Field<float> equalise(Error& error) {
    Field<float> out(in.symbols(), symbol_rate);
    ButterflyBlock y, e;
    for (std::size_t k = 0; k < in.symbols(); k += Equaliser::kBlock) {
      execution.check();
      filters.filter(in, k, y);
      store(y, k, out, 0);
      if (k < first || k + Equaliser::kBlock > last) continue;
      error(k, y, e);
      move(k, e, p.step, true);
    }
    return out;
  }

  // Output of the present taps over [from, to), as a field of its own.
  Field<float> filtered(std::size_t from, std::size_t to) const {
    Field<float> out(to - from, symbol_rate);
    ButterflyBlock y;
    for (std::size_t k = from; k < to; k += Equaliser::kBlock) {
      execution.check();
      filters.filter(in, k, y);
      store(y, k, out, from);
    }
    return out;
  }

  static void store(const ButterflyBlock& y, std::size_t k, Field<float>& out, std::size_t origin) {
    const std::size_t at = k - origin;
    for (std::size_t i = 0; i < 2; ++i) put_together(y, i, out.rows()[i]->data() + at, out.size() - at);
  }

  // Offset of the carrier on what a pass kept, or else on what the taps now give [cycles a symbol].
  double offset(std::size_t from, std::size_t to) const {
    const Field<float> head = seen.size() > 0 ? seen : filtered(from, to);
    return FrequencyEstimator(execution.ffts())(head, 0, head.size()).offset_hz / symbol_rate;
  }
};

}  // namespace cohlink
