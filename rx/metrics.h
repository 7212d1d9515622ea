// Counting: BER with its interval, Q, SNR, EVM.
#pragma once

#include <array>
#include <cstddef>
#include <cstdint>

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

/// Exact (Clopper-Pearson) interval for a binomial proportion; C. J. Clopper and E. S. Pearson,
/// Biometrika 26, 404 (1934).
Interval clopper_pearson(std::uint64_t errors, std::uint64_t trials, double confidence = 0.95);

/// Q factor in dB from BER: 20 log10(sqrt(2) erfc^-1(2 BER)); +infinity at BER 0, -infinity from 0.5.
double q_from_ber_db(double ber);

/// Result of comparing recovered symbols with the transmitted ones.
struct Score {
  std::array<ErrorCount, 2> polarisation;  // X, Y as transmitted
  ErrorCount both;                         // their sum
  Interval interval;                       // 95 %, of both
  double q_db = 0, snr_db = 0, evm_percent = 0;
  std::array<double, 2> snr_db_polarisation = {0, 0};
  std::size_t symbols = 0;            // scored, per polarisation
  std::size_t cycle_slips = 0;        // quarter-turn jumps against the truth, both polarisations
  // How the receiver's output lined up with the truth.
  bool swapped = false;
  std::array<int, 2> quarter_turns = {0, 0};
  std::array<long, 2> delay_symbols = {0, 0};
};

}  // namespace cohlink
