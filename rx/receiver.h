// The receiver: a chain of DSP blocks from ADC codes to decisions, readable top to bottom.
#pragma once

#include <functional>
#include <memory>
#include <string>
#include <vector>

#include "rx/stage/cost.h"
#include "rx/stage/result.h"
#include "sim/signal/execution/fft.h"
#include "sim/signal/record/capture.h"
#include "sim/signal/scenario/scenario.h"

namespace cohlink {

/// A receiver made from a scenario's [signal], [dsp] and [fec] sections; never looks at the simulator.
class Receiver {
 public:
  /// Throws InputError for a chain that cannot work (unknown order, genie without truth is found later).
  Receiver(const Scenario& scenario, const FftCache& fft);
  ~Receiver();
  Receiver(Receiver&&) noexcept;

  /// Thread-safe. Throws InputError for a capture too short for the chain or lacking needed truth. `record`:
  /// keep the stages, for pictures. `after`, where given, is called when each step is done, with the block's
  /// name, "lanes" before the first, "stage record" after each and "score" last: what a benchmark needs.
  using StepDone = std::function<void(const std::string& step)>;
  ReceiverResult operator()(const Capture& capture, bool record = true, const StepDone& after = {}) const;

  /// A piece that follows another. `joined` in the result says whether the outputs fit on.
  ReceiverResult go_on(const Capture& capture, const Continuation& from) const;

  /// A piece from inside a recording, received from a cold start, and blindly: training symbols are those the
  /// recording begins with. Its first `judged` symbols belong to the piece before and are left out of score
  /// and lock.
  ReceiverResult start_inside(const Capture& capture, std::size_t judged, bool record) const;

  /// Throws InputError when captures of so many symbols, sampled at `adc_rate` [Hz], are too short for the
  /// chain's filters (those that blind estimates choose left out): known before there is one.
  void check_length(double adc_rate, std::size_t symbols) const;

  /// What each block costs on captures of `symbols` symbols sampled at `adc_rate` [Hz], in chain order.
  std::vector<BlockCost> cost(double adc_rate, std::size_t symbols) const;

 private:
  struct Place;
  ReceiverResult receive(const Capture& capture, bool record, const StepDone& after,
                         const Place& place) const;
  struct Parts;
  std::unique_ptr<Parts> parts_;
};

}  // namespace cohlink
