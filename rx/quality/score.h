// Comparing recovered symbols with what was sent.
#pragma once

#include <optional>
#include <span>
#include <string>
#include <vector>

#include "rx/quality/metrics.h"
#include "sim/signal/execution/fft.h"
#include "sim/signal/field.h"
#include "sim/signal/frame_layout.h"
#include "sim/signal/record/capture.h"

namespace cohlink {

struct ScoreParameters {
  Modulation modulation = Modulation::kQpsk;
  bool differential = false;
  FrameLayout layout = {};        // what is no payload is not counted
  bool turned_by_pilots = false;  // the receiver's own pilots have settled quarter turns
  std::size_t rows = 2;           // received; 1 = X alone, on either of the polarisations sent
  std::string decode = {};        // code whose words the payload is taken for (fec.code); empty = none
  std::size_t frames = 1;         // decoded together: above 1 a score keeps its likelihoods instead
};

/// Symbols whose common quarter turn against the truth is found together: what pilots would do.
inline constexpr std::size_t kSlipBlock = 64;

/// Recovered symbols (one sample a symbol, signal part of unit power), of which [first, last) are judged.
struct Judged {
  const Field<float>& symbols;
  std::size_t first, last;
};

/// Aligns what is judged with the truth and counts over it. Bits are decided by the nearest points
/// of the received symbols as they are (shaped: the likeliest at the fit's noise); the data-aided gain fit
/// enters SNR and EVM only, all of the payload alone. No score, and a line in `warnings`, when an output
/// matches nothing that was sent or both carry the same polarisation. Gaussian symbols: SNR and EVM only.
/// InputError for a truth whose symbols or bits do not fit each other or the modulation.
std::optional<Score> score_symbols(const Judged& judged, const Truth& truth,
                                   const ScoreParameters& parameters, const Execution& execution,
                                   std::vector<std::string>& warnings);

/// Decodes likelihoods as a score keeps them; nothing, and a warning, where they are too few for the code.
std::optional<fec::PostFec> decode(std::span<const float> likelihoods, const std::string& code,
                                   const Execution& execution, std::vector<std::string>& warnings);

/// SNR and EVM of both rows, or of X alone, against the receiver's own decisions: what can be had without
/// truth.
ErrorVector decision_aided(const Field<float>& received, std::size_t first, std::size_t last,
                           Modulation modulation, std::size_t rows = 2);

}  // namespace cohlink
