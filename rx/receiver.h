// The receiver: a chain of DSP blocks from ADC codes to decisions, readable top to bottom.
#pragma once

#include <functional>
#include <memory>
#include <span>
#include <string>
#include <vector>

#include "rx/chain/user_block.h"
#include "rx/stage/carried.h"
#include "rx/stage/cost.h"
#include "rx/stage/result.h"
#include "sim/signal/execution/execution.h"
#include "sim/signal/execution/field_batch.h"
#include "sim/signal/record/capture.h"
#include "sim/signal/scenario/scenario.h"

namespace cohlink {

/// A reception that stopped inside the chain.
struct Interim {
  Field<float> signal;      // as the block left it
  std::size_t first, last;  // its whole symbols
  ReceiverResult result;    // what blocks have said so far; nothing about symbols, lock or score
  ChainState state;         // what they leave to the judgement
};

/// A receiver made from a scenario's [signal], [dsp] and [fec] sections; never looks at the simulator.
class Receiver {
 public:
  /// Throws InputError for a chain that cannot work (unknown order, genie without truth is found later). The
  /// execution hears of the progress of every capture, block by block, and may end the work: within a tenth
  /// of a second for captures of up to 2^20 symbols.
  Receiver(const Scenario& scenario, Execution execution);
  ~Receiver();
  Receiver(Receiver&&) noexcept;

  /// Thread-safe. Throws InputError for a capture too short for the chain or lacking needed truth. `record`:
  /// keep the stages, for pictures. `after`, where given, is called when each step is done, with the block's
  /// name, "lanes" before the first, "stage record" after each and "score" last, and with the signal as the
  /// step left it: what a benchmark or a picture of every sample needs.
  using StepDone = std::function<void(const std::string& step, const Field<float>& signal)>;
  ReceiverResult operator()(const Capture& capture, bool record = true, const StepDone& after = {}) const;

  /// Each by itself, on the execution's threads.
  std::vector<ReceiverResult> operator()(std::span<const Capture> captures, bool record = true) const;

  /// The same of fields in the host's memory, X and Y each I + iQ in any unit, where no converter's codes are
  /// at hand; a silent Y was not recorded. `truth`: one a frame, or none at all (std::invalid_argument else).
  std::vector<ReceiverResult> operator()(const FieldBatch<float>& fields, std::span<const Truth> truth = {},
                                         bool record = true) const;

  /// A piece that follows another. `joined` in the result says whether the outputs fit on.
  ReceiverResult go_on(const Capture& capture, const Continuation& from) const;

  /// A piece from inside a recording, received from a cold start, and blindly: training symbols are those the
  /// recording begins with. Its first `judged` symbols belong to the piece before and are left out of score
  /// and lock.
  ReceiverResult start_inside(const Capture& capture, std::size_t judged, bool record) const;

  /// Puts `function` in the place of a block of the chain, named as in dsp.chain or, where that name stands
  /// twice, as in the table's title ("frequency (coarse)"). `edge`: symbols that it spoils at each end.
  /// InputError for a block that is not in the chain or a name that could mean two.
  void replace(const std::string& block, const BlockFunction& function, double edge = 0.0);

  /// Receives as far as the named block and no further; "lanes" is what comes before the first. The same
  /// names, the same errors.
  Interim until(const Capture& capture, const std::string& block) const;

  /// Judges symbols that somebody else brought to one sample a symbol, as those that leave the chain are
  /// judged: scale, lock, quality, and the score where there is truth. Of `interim` counts the signal and the
  /// state, and what its result says already. InputError for rows that are empty, uneven, not finite or too
  /// short.
  ReceiverResult judge(const Capture& capture, Interim interim) const;
  /// The same for symbols of which nothing else is known; `skip` of them at each end are not judged. Row Y
  /// empty: X alone. An offset of the lanes is left in: nothing tells how it turns.
  ReceiverResult judge(const Capture& capture, Field<float> symbols, std::size_t skip) const;

  /// Titles of the chain's blocks, in order: what replace and until know them by.
  std::vector<std::string> blocks() const;

  /// The bits of so many frames are to be decoded together: above 1 scores keep their likelihoods, and
  /// whoever joins the frames decodes them (PieceSum). Every frame by itself at first. Where nothing is to be
  /// decoded (fec.decode) it stays 1.
  void decode_together(std::size_t frames);
  std::size_t decoded_together() const;
  /// Decodes likelihoods, of one score or of several in a row (fec.code); nothing where none is to be decoded
  /// (fec.decode) and, with a warning, where they are too few.
  std::optional<fec::PostFec> decode(std::span<const float> likelihoods,
                                     std::vector<std::string>& warnings) const;

  /// Throws InputError when captures of so many symbols, sampled at `adc_rate` [Hz], are too short for the
  /// chain's filters (those that blind estimates choose left out): known before there is one.
  void check_length(double adc_rate, std::size_t symbols) const;

  /// What each block costs on captures of `symbols` symbols sampled at `adc_rate` [Hz], in chain order.
  std::vector<BlockCost> cost(double adc_rate, std::size_t symbols) const;

 private:
  struct Place;
  struct Incoming;
  void run(Carried& c, std::size_t blocks, bool record, const StepDone& after) const;
  ReceiverResult receive(Incoming in, bool record, const StepDone& after, const Place& place) const;
  struct Parts;
  std::unique_ptr<Parts> parts_;
};

}  // namespace cohlink
