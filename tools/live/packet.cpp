#include "tools/live/packet.h"

#include <algorithm>
#include <bit>
#include <cmath>
#include <cstdint>
#include <cstring>
#include <vector>

namespace cohlink::live {
namespace {

static_assert(std::endian::native == std::endian::little,
              "arrays go out as the browser's machine reads them");

}  // namespace

template <class Number>
std::size_t Packet::append(std::span<const Number> values) {
  arrays_.resize((arrays_.size() + 3) / 4 * 4);
  const std::size_t at = arrays_.size();
  arrays_.resize(at + values.size_bytes());
  if (!values.empty()) std::memcpy(arrays_.data() + at, values.data(), values.size_bytes());
  return at;
}

nlohmann::json Packet::reals(std::span<const float> values) {
  const std::size_t at = append(values);
  return {{"at", at}, {"n", values.size()}, {"type", "f32"}};
}

nlohmann::json Packet::reals(std::span<const double> values) {
  std::vector<float> single;
  for (const double value : values) single.push_back(static_cast<float>(value));
  return reals(std::span<const float>(single));
}

nlohmann::json Packet::points(std::span<const std::complex<float>> values) {
  constexpr float kFull = 32767.0F;
  float largest = 0.0F;
  for (const auto& z : values) {
    if (std::isfinite(z.real())) largest = std::max(largest, std::abs(z.real()));
    if (std::isfinite(z.imag())) largest = std::max(largest, std::abs(z.imag()));
  }
  const float scale = largest > 0.0F ? largest / kFull : 1.0F;
  const auto whole = [scale](float x) {
    return std::isfinite(x) ? static_cast<std::int16_t>(std::lround(x / scale)) : std::int16_t{0};
  };
  std::vector<std::int16_t> integers;
  integers.reserve(2 * values.size());
  for (const auto& z : values) {
    integers.push_back(whole(z.real()));
    integers.push_back(whole(z.imag()));
  }
  const std::size_t at = append(std::span<const std::int16_t>(integers));
  return {{"at", at}, {"n", integers.size()}, {"type", "i16"}, {"scale", scale}};
}

std::string Packet::bytes() const {
  std::string text = head.dump(-1, ' ', false, nlohmann::json::error_handler_t::replace);
  text.resize((text.size() + 3) / 4 * 4, ' ');
  const auto length = static_cast<std::uint32_t>(text.size());
  std::string whole(sizeof length, '\0');
  std::memcpy(whole.data(), &length, sizeof length);
  return whole + text + arrays_;
}

}  // namespace cohlink::live
