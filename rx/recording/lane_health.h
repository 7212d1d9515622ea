// What is wrong with recorded lanes, before anything is received: told from the samples alone.
#pragma once

#include <array>
#include <cstddef>
#include <string>
#include <vector>

#include "sim/signal/record/capture.h"

namespace cohlink {

/// Statistics of the lanes XI XQ YI YQ, fed a stretch at a time; YI and YQ may both be empty.
class LaneHealth {
 public:
  void add(const std::array<std::vector<float>, 4>& lanes);

  struct Findings {
    std::vector<std::string> faults;    // the receiver cannot work with these
    std::vector<std::string> warnings;  // it can, at a price
  };
  /// Faults: a lane that is silent (constant), that is another lane's copy (correlation beyond 0.99; also
  /// inverted), or of which more than 1 % is not finite. Warnings: fewer samples that are not finite (they
  /// count as the lane's mean); clipping of more than 0.1 % of the samples (loading 11 dB below full scale
  /// clips 0.04 % of Gaussian noise; clipped() counts at least eight samples at the lane's very largest or
  /// smallest value and more than four times as many as at the next value inwards: a lane with tails has
  /// fewer there, not more); a lane more than 10 dB weaker than the loudest; one value for 512 samples on end
  /// (at two bits half of all samples repeat the one before: 20 on end in a million).
  Findings findings() const;

  double mean(std::size_t lane) const;
  double rms(std::size_t lane) const;   // about the mean
  double peak(std::size_t lane) const;  // largest distance from the mean
  std::size_t clipped(std::size_t lane) const;

 private:
  struct Edge {  // the outermost and the next value seen, and how often
    double value[2] = {0, 0};
    std::size_t count[2] = {0, 0};
    void see(double v);
  };
  struct Lane {
    std::size_t finite = 0, not_finite = 0, first_not_finite = 0;
    double sum = 0, squares = 0;
    Edge top, bottom;  // the bottom with its sign turned
    double held = 0;   // the last value, for how many samples, and the longest such run and where it began
    std::size_t run = 0, longest_run = 0, longest_from = 0;
    void follow(double v, std::size_t sample);
  };
  std::array<Lane, 4> lanes_;
  std::array<std::array<double, 4>, 4> products_{};
  std::size_t samples_ = 0;
};

/// Of a whole capture.
LaneHealth::Findings lane_findings(const Capture& capture);

}  // namespace cohlink
