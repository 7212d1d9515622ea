#include "rx/quality/error_count.h"

#include <algorithm>
#include <cstdint>

#include "rx/quality/point_labels.h"

namespace cohlink {
namespace {

using namespace vectors;

template <std::size_t kBits>
void pack(const std::uint8_t* bits, std::size_t count, std::uint32_t* labels) {
  for (std::size_t k = 0; k < count; ++k) {
    std::uint32_t label = 0;
    for (std::size_t b = 0; b < kBits; ++b) label = label << 1 | bits[k * kBits + b];
    labels[k] = label;
  }
}

// Labels of `count` symbols, `per_symbol` bits each.
COHLINK_VECTOR_CLONES
void pack(const std::uint8_t* bits, std::size_t per_symbol, std::size_t count, std::uint32_t* labels) {
  switch (per_symbol) {
    case 2:
      return pack<2>(bits, count, labels);
    case 4:
      return pack<4>(bits, count, labels);
    default:
      for (std::size_t k = 0; k < count; ++k) {
        labels[k] = 0;
        for (std::size_t b = 0; b < per_symbol; ++b) labels[k] = labels[k] << 1 | bits[k * per_symbol + b];
      }
  }
}

template <class Points>
COHLINK_VECTOR_INLINE std::uint64_t sum_errors(const Points& points, std::size_t bits,
                                               std::span<const std::complex<float>> received,
                                               const std::uint32_t* sent) {
  Words wrong = {};
  for (std::size_t k = 0; k < received.size(); k += kWidth) {
    const std::size_t left = received.size() - k;
    const Words differ =
        symbol_labels(points, load_complex(received.data() + k, left)) ^ load<Words>(sent + k);
    const Words counted = first_places(left);
    for (std::size_t b = 0; b < bits; ++b) wrong += differ >> static_cast<std::uint32_t>(b) & counted;
  }
  std::uint64_t errors = 0;
  for (std::size_t i = 0; i < kWidth; ++i) errors += wrong[i];
  return errors;
}

// `sent`: labels, in whole vectors.
COHLINK_VECTOR_CLONES
std::uint64_t sum_errors(const Constellation& c, std::span<const std::complex<float>> received,
                         const std::uint32_t* sent) {
  return with_points(
      c, [&](const auto& points) __attribute__((always_inline)) {
        return sum_errors(points, static_cast<std::size_t>(c.bits()), received, sent);
      });
}

std::size_t place(const Position& at, std::size_t k) { return (at.start + k) % at.period; }

}  // namespace

std::vector<std::size_t> not_payload_among(const Position& at, std::size_t count, const FrameLayout& layout) {
  std::vector<std::size_t> places;
  if (layout.has_payload_alone()) return places;
  for (std::size_t k = 0, index = at.start % at.period; k < count; ++k) {
    if (!layout.is_payload(index)) places.push_back(k);
    if (++index == at.period) index = 0;
  }
  return places;
}

ErrorCount count_errors(std::span<const std::complex<float>> received, const Position& at, const Bits& sent,
                        Modulation modulation, const FrameLayout& layout) {
  const Constellation& c = constellation(modulation);
  const auto per_symbol = static_cast<std::size_t>(c.bits());
  std::vector<std::uint32_t> labels(received.size() + kWidth);
  for (std::size_t k = 0; k < received.size();) {
    const std::size_t from = place(at, k), run = std::min(received.size() - k, at.period - from);
    pack(sent.data() + from * per_symbol, per_symbol, run, labels.data() + k);
    k += run;
  }
  ErrorCount count{sum_errors(c, received, labels.data()), received.size() * per_symbol};
  for (const std::size_t k : not_payload_among(at, received.size(), layout)) {
    count.errors -= sum_errors(c, received.subspan(k, 1), std::vector(kWidth, labels[k]).data());
    count.bits -= per_symbol;
  }
  return count;
}

ErrorCount count_differential_errors(std::span<const std::complex<float>> received, const Position& at,
                                     const Bits& sent, Modulation modulation, const FrameLayout& layout) {
  const auto per_symbol = static_cast<std::size_t>(bits_per_symbol(modulation));
  const Symbols wide(received.begin(), received.end());
  const Bits decided = decide_bits(modulation, wide, true);
  ErrorCount count;
  for (std::size_t k = 1; k < received.size(); ++k) {
    const std::size_t index = place(at, k);
    // The transmitted row's first symbol was coded against quadrant 0, not against the row's last.
    if (index == 0 || !layout.is_payload(index)) continue;
    for (std::size_t b = 0; b < per_symbol; ++b)
      count.errors += decided[k * per_symbol + b] != sent[index * per_symbol + b];
    count.bits += per_symbol;
  }
  return count;
}

}  // namespace cohlink
