// What a block left, as a viewer wants to see it: samples where the symbols are known to be, all samples, the
// response from what was sent, a stretch of waveform for the eye.
#pragma once

#include <array>
#include <complex>
#include <cstddef>
#include <map>
#include <vector>

#include "rx/blocks/interpolator.h"
#include "sim/signal/field.h"
#include "sim/signal/record/capture.h"

namespace cohlink::live {

using Points = std::vector<std::complex<float>>;

inline constexpr std::size_t kMostPoints = 4096;    // of a constellation
inline constexpr std::size_t kPhasesPerSymbol = 4;  // of a response
inline constexpr std::size_t kReach = 6;            // symbols that it is looked for to either side
inline constexpr std::size_t kResponse = 2 * kReach * kPhasesPerSymbol + 1;
inline constexpr std::size_t kEyeSymbols = 192, kEyePhases = 16;

/// From sent polarisation to received one, by delay: magnitude, 1 where the row holds that symbol and nothing
/// else. [received][sent][kResponse], delays from -kReach symbols on.
using Response = std::array<std::array<std::array<float, kResponse>, 2>, 2>;

struct Picture {
  double samples_per_symbol = 1.0;
  std::array<Points, 2> points;  // mean power of the two rows together: 2
  Response response{};           // zero where it is not known what was sent
  double timing = 0.0;           // symbols that its highest value lies off the nominal instants
  std::array<Points, 2> eye;     // kEyePhases a symbol from a symbol's instant on; if it was asked for
};

/// `signal` may have any rate; `truth` (what was sent) may be missing.
class PictureMaker {
 public:
  PictureMaker(double symbol_rate, double roll_off) : symbol_rate_(symbol_rate), roll_off_(roll_off) {}

  Picture operator()(const Field<float>& signal, const Truth* truth, bool all_samples, bool with_eye);

 private:
  const Interpolator& interpolator_of(double samples_per_symbol);
  double symbol_rate_, roll_off_;
  std::map<double, Interpolator> interpolators_;  // by samples a symbol: their tables take milliseconds
};

/// How a row holds what was sent, at each delay: |mean over k of y(k + delay) conj(a(k))| over stretches too
/// short for lasers to turn in, their squares averaged and freed of what chance alone gives. `wave`:
/// kPhasesPerSymbol samples a symbol; `sent` begins with the symbol at wave[kReach * kPhasesPerSymbol].
std::array<float, kResponse> response_of(const ComplexRow<float>& wave, const std::complex<double>* sent,
                                         std::size_t symbols);

}  // namespace cohlink::live
