// What a reception puts out beside its errors, as something a sweep can measure.
#pragma once

#include <map>
#include <string>
#include <vector>

#include "rx/receiver.h"

namespace cohlink {

struct FrameResult;

/// The numbers of one frame by the names that `cohlink receive` gives them; those that exist. Empty without
/// lock.
using Outputs = std::map<std::string, double>;
Outputs outputs_of(const ReceiverResult& received);

/// Mean of a number over frames, and how it scatters: B. P. Welford, Technometrics 4(3) 419 (1962).
struct Spread {
  std::uint64_t frames = 0;
  double mean = 0;
  double squares = 0;  // sum of squared distances from the mean

  void add(double value);
  /// Unbiased; NaN for fewer than two frames.
  double variance() const;
};

/// All that outputs_of may give, events that are counted, and q_db: what `measured` knows.
std::vector<std::string> output_names();

/// A value and its 95 % interval; NaN for what does not exist.
struct MeasuredOutput {
  double value, low, high;
};

/// Mean of values with Student's interval (W. S. Gosset, Biometrika 6, 1, 1908); NaN where there are too few.
MeasuredOutput student(const std::vector<double>& values, double confidence);

/// An output over the frames of a sum. q_db: from the BER and its interval. post_fec_ber: of all blocks, with
/// the interval of those lost. snr_db and evm_percent: of all noise power together; everything else that is
/// not counted: the mean of the frames; the interval of both is Student's t over the frames, two or more (W.
/// S. Gosset, Biometrika 6, 1, 1908). Events: their mean number a frame with the exact Poisson interval (F.
/// Garwood, Biometrika 28, 437, 1936), for so many fewer events as they come in bunches where eight frames or
/// more show that.
MeasuredOutput measured(const FrameResult& total, const std::string& output);

/// "snr_db" -> "snr_low_db": the end of an interval, its unit last.
std::string bound_name(const std::string& output, const std::string& bound);

}  // namespace cohlink
