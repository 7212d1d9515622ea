// ADC codes of four lanes in one block of memory.
#pragma once

#include <algorithm>
#include <array>
#include <cstddef>
#include <cstdint>
#include <span>
#include <vector>

namespace cohlink {

/// Lanes XI XQ YI YQ, one after another and equally long, so that files and other languages see one array
/// [lanes, samples] and need no copy. Where X alone was recorded there are two lanes; YI and YQ are empty.
class Lanes {
 public:
  Lanes() = default;
  /// `lanes` (4, or 2: X alone) of `samples` codes of 0.
  explicit Lanes(std::size_t samples, std::size_t lanes = 4)
      : count_(lanes), samples_(samples), codes_(lanes * samples) {}
  /// From rows of equal length, of which the last two may be empty.
  Lanes(const std::array<std::vector<std::int16_t>, 4>& rows)
      : Lanes(rows[0].size(), rows[2].empty() && rows[3].empty() ? 2 : 4) {
    for (std::size_t l = 0; l < count_; ++l)
      std::copy_n(rows[l].begin(), std::min(rows[l].size(), samples_), (*this)[l].begin());
  }

  std::size_t count() const { return count_; }
  std::size_t samples() const { return samples_; }  // of each lane
  std::span<std::int16_t> operator[](std::size_t lane) { return codes().subspan(start(lane), length(lane)); }
  std::span<const std::int16_t> operator[](std::size_t lane) const {
    return codes().subspan(start(lane), length(lane));
  }
  /// All codes, lane after lane.
  std::span<std::int16_t> codes() { return codes_; }
  std::span<const std::int16_t> codes() const { return codes_; }

  bool operator==(const Lanes&) const = default;

 private:
  std::size_t start(std::size_t lane) const { return std::min(lane, count_) * samples_; }
  std::size_t length(std::size_t lane) const { return lane < count_ ? samples_ : 0; }

  std::size_t count_ = 4, samples_ = 0;
  std::vector<std::int16_t> codes_;
};

}  // namespace cohlink
