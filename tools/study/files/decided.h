// Symbols or bits that were decided elsewhere, read to be scored.
#pragma once

#include <array>
#include <string>

#include "rx/receiver.h"
#include "sim/signal/constellation.h"
#include "sim/signal/field.h"
#include "sim/signal/scenario/scenario.h"

namespace cohlink {

/// Symbols, one a sample, of X and Y; Y is empty where the file holds X alone. Files: .npy of complex numbers
/// [2, n], [1, n] or [n]; anything that a [trace] section can describe, by whose keys `described` says how:
/// HDF5 (trace.datasets, else /symbols), .csv and .txt (columns XI XQ YI YQ), else raw float32 in that order.
/// InputError, beginning with the file, for what is none of these.
Field<float> read_decided_symbols(const std::string& path, const Scenario& described);

/// Bits of X and Y, one an element: .npy of integers or booleans [2, n]; HDF5 (trace.datasets, else /bits),
/// .csv and .txt (columns X, Y), else raw bytes, X and Y in turn.
std::array<Bits, 2> read_decided_bits(const std::string& path, const Scenario& described);

/// The symbols that bits stand for, by the scenario's [signal]. InputError for other values than 0 and 1,
/// rows that are no whole number of symbols, and symbols without bits. Row Y may be empty.
Field<float> symbols_of_bits(const std::array<Bits, 2>& bits, const Scenario& scenario);

/// Of bits nothing is known but whether they are right: SNR, EVM and information become NaN.
void forget_noise(ReceiverResult& result);

}  // namespace cohlink
