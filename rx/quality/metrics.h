// Counting: BER with its interval, Q, SNR, EVM.
#pragma once

#include <array>
#include <complex>
#include <cstddef>
#include <cstdint>
#include <optional>
#include <span>
#include <vector>

#include "rx/fec/post_fec.h"
#include "rx/quality/information.h"

namespace cohlink {

struct Interval {
  double low = 0, high = 1;
};

/// Errors among bits, nothing hidden.
struct ErrorCount {
  std::uint64_t errors = 0, bits = 0;
  double ber() const { return bits == 0 ? 0.0 : static_cast<double>(errors) / static_cast<double>(bits); }
  ErrorCount& operator+=(const ErrorCount& other) {
    errors += other.errors;
    bits += other.bits;
    return *this;
  }
};

/// Exact (Clopper-Pearson) interval for a binomial proportion; [0, 1] when there were no trials.
/// std::invalid_argument for more errors than trials or a confidence outside (0, 1).
/// C. J. Clopper and E. S. Pearson, Biometrika 26, 404 (1934).
Interval clopper_pearson(std::uint64_t errors, std::uint64_t trials, double confidence = 0.95);

/// Interval of a BER whose errors come in bunches: exact for errors and bits both divided by `bunching`, the
/// variance of the number of errors over the binomial one (1 or more), that is, for the number of independent
/// trials that would tell as much. E. L. Korn and B. I. Graubard, Survey Methodology 24(2), 193 (1998).
/// std::invalid_argument as clopper_pearson.
Interval error_interval(const ErrorCount& count, double bunching, double confidence = 0.95);

/// Interval of the BER after decoding: exact for the share of lost blocks, each with the errors of a mean
/// one; where none was lost, with those that a block of `received_ber` has before decoding.
Interval post_fec_interval(const fec::PostFec& counted, double received_ber, double confidence = 0.95);

/// Q factor in dB from BER: 20 log10(sqrt(2) erfc^-1(2 BER)); +infinity at BER 0, -infinity from 0.5.
double q_from_ber_db(double ber);

/// Noise left after the best complex gain g between received y and reference a is removed:
/// g = sum y a* / sum |a|^2, SNR = |g|^2 sum |a|^2 / sum |y - g a|^2. Data-aided when the reference is what
/// was sent; decision-aided (optimistic from about BER 1e-2 on) when it is what was decided.
struct ErrorVector {
  std::complex<double> gain = 1.0;
  double snr = 0.0;  // linear; infinite when nothing but the reference was received
  double snr_db() const;
  /// Root mean square error vector over root mean square reference, percent: 100 / sqrt(snr).
  /// R. A. Shafik, M. S. Rahman and A. H. M. R. Islam, Proc. ICECE, 408 (2006): normalised to the mean
  /// power of the reference, not to its outermost point.
  double evm_percent() const;
};

ErrorVector error_vector(std::span<const std::complex<float>> received,
                         std::span<const std::complex<double>> reference);
ErrorVector error_vector(std::span<const std::complex<float>> received,
                         std::span<const std::complex<float>> reference);

/// Both polarisations as one: their noise powers, each relative to its own signal, averaged.
ErrorVector combine(const ErrorVector& x, const ErrorVector& y);

/// Result of comparing recovered symbols with the transmitted ones.
///
/// Without differential coding a quarter turn is invisible to a blind receiver, so each run of
/// kSlipBlock symbols is counted with the quarter turn that the truth names, as pilot symbols would;
/// every change of that turn is a cycle slip. A run that matches nothing sent at its place (samples missing,
/// the carrier lost) has no turn: it is counted as it comes, and as misplaced where it is long. With
/// differential coding, or pilots in the signal, nothing is corrected.
struct Score {
  std::array<ErrorCount, 2> polarisation;        // X, Y as transmitted
  ErrorCount both;                               // their sum
  double bunching = 1;                           // of errors by the coding: error_bunching (constellation.h)
  Interval interval;                             // 95 %, of both
  double q_db = 0, snr_db = 0, evm_percent = 0;  // SNR, EVM data-aided
  std::array<double, 2> snr_db_polarisation = {0, 0};
  Information information;               // both polarisations; zero for Gaussian symbols
  std::optional<fec::PostFec> post_fec;  // where decoding was asked for and there were bits enough
  /// LLRs of the payload, both polarisations in turn, above 0 where they lean to what was sent: where frames
  /// are to be decoded together.
  std::vector<float> likelihoods = {};
  std::size_t symbols = 0;      // scored, per polarisation
  std::size_t cycle_slips = 0;  // quarter-turn jumps against the truth, both polarisations
  std::size_t misplaced = 0;    // symbols in stretches that match nothing sent there, both polarisations
  // How the receiver's output lined up with the truth.
  bool swapped = false;
  std::array<int, 2> quarter_turns = {0, 0};       // X, Y as transmitted; of the first scored symbols
  std::array<int, 2> last_quarter_turns = {0, 0};  // of the last
  std::array<long, 2> delay_symbols = {0, 0};      // output symbol k carries sent symbol k - delay
};

}  // namespace cohlink
