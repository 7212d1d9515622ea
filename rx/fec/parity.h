// Linear algebra over GF(2) that encoders need.
#pragma once

#include <cstdint>
#include <span>
#include <vector>

namespace cohlink::fec {

/// Rank of the columns (bit b: row b).
int rank_of(std::span<const std::uint32_t> columns);

/// For as many independent columns as they have rows: entry b, bit j says whether column j takes part in the
/// sum that makes a syndrome of row b alone. Exclusive or of the entries of a syndrome's rows: the parity
/// bits that make it. std::invalid_argument for columns that depend on each other.
std::vector<std::uint32_t> parity_solver(std::span<const std::uint32_t> columns);

}  // namespace cohlink::fec
