// Samples recorded elsewhere: any four-lane recording that a [trace] section can describe.
#pragma once

#include <array>
#include <cstddef>
#include <memory>
#include <string>
#include <vector>

#include "sim/signal/record/capture.h"
#include "sim/signal/scenario/scenario.h"

namespace cohlink {

/// The four lanes, or the two of one polarisation, of a recording of any length, read a stretch at a time:
/// nothing of it is kept in memory (but one file position in 65,536 lines of CSV).
class Trace {
 public:
  /// Whether the scenario describes a recording. Where trace.file ends in ".sigmf-meta", metadata say how its
  /// samples are stored and how fast they were taken (sigmf.h).
  static bool described(const Scenario& scenario);

  /// `folders`: where a file is looked for that the working folder does not have. InputError, with the key's
  /// place, for files that are missing, do not hold whole instants, or whose columns are not trace.lanes; for
  /// lanes named twice or not at all (YI and YQ may both be missing); for CSV that is no numbers, with its
  /// line.
  Trace(const Scenario& scenario, const std::vector<std::string>& folders);
  ~Trace();
  Trace(Trace&&) noexcept;

  std::size_t samples() const { return samples_; }  // of each lane
  double sample_rate() const { return sample_rate_; }
  /// Whether samples are whole numbers that an ADC code can hold as they are.
  bool integer_codes() const;
  const std::array<double, 4>& unit_per_step() const { return unit_; }  // XI XQ YI YQ, sign included
  std::string name() const;                                             // for messages

  /// Samples [start, start + count) of XI XQ YI YQ as stored; YI and YQ empty where X alone was recorded.
  std::array<std::vector<float>, 4> read(std::size_t start, std::size_t count) const;

  /// What reads one kind of file: samples of the columns in trace.lanes' order.
  struct Source {
    virtual ~Source() = default;
    virtual std::size_t samples() const = 0;
    virtual std::size_t columns() const = 0;
    virtual void read(std::size_t start, std::size_t count,
                      std::vector<std::vector<float>>& columns) const = 0;
  };

 private:
  std::size_t lanes_read() const { return one_polarisation_ ? 2 : 4; }
  bool one_polarisation_ = false;
  std::unique_ptr<Source> source_;
  std::string name_;
  bool integers_;
  std::array<std::size_t, 4> column_{};
  std::array<double, 4> unit_{};
  double sample_rate_ = 0.0;
  std::size_t first_ = 0, samples_ = 0;
};

}  // namespace cohlink
