// The parts of the link's set-up that read the keys of transmitter, lasers, front end and converter.
#pragma once

#include <initializer_list>
#include <stdexcept>
#include <string>
#include <string_view>
#include <utility>

#include "sim/link_setup.h"
#include "sim/signal/units.h"

namespace cohlink {

/// Meaning of a choice key, from the pairs (word, value).
template <class Enum>
Enum chosen(const Scenario& s, std::string_view key,
            std::initializer_list<std::pair<std::string_view, Enum>> map) {
  const std::string text = s.text(key);
  for (const auto& [name, value] : map) {
    if (name == text) return value;
  }
  throw std::logic_error("choice without a meaning: " + std::string(key) + " = " + text);
}

inline double radians(double degrees) { return degrees * kPi / 180.0; }

/// Everything of the transmitter but its data, pulse and launch power: converter, driver, modulator, laser,
/// amplifier.
TransmitterParameters transmitter_hardware(const Scenario& scenario);

/// Input, oscillator, front end, electronics and converter; needs the transmitter in `setup`.
void receiver_hardware(const Scenario& scenario, LinkSetup& setup);

}  // namespace cohlink
