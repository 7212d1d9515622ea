// A message of numbers and text: JSON that says what is where, then the arrays as the machine holds them.
#pragma once

#include <complex>
#include <nlohmann/json.hpp>
#include <span>
#include <string>

namespace cohlink::live {

/// Bytes: length of the JSON (32 bits, little-endian), the JSON padded with blanks to a multiple of 4, then
/// the arrays. In the JSON an array stands as {"at": byte from the first array's, "n": numbers, "type":
/// "f32"} or {..., "type": "i16", "scale": s}: the value is s times the integer.
class Packet {
 public:
  nlohmann::json head;

  nlohmann::json reals(std::span<const float> values);
  nlohmann::json reals(std::span<const double> values);
  /// re, im, re, im, ... as 16-bit integers of the largest part.
  nlohmann::json points(std::span<const std::complex<float>> values);

  std::string bytes() const;

 private:
  template <class Number>
  std::size_t append(std::span<const Number> values);
  std::string arrays_;
};

}  // namespace cohlink::live
