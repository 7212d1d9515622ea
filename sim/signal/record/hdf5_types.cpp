#include "sim/signal/record/hdf5_types.h"

#include <cstddef>
#include <utility>

namespace cohlink::h5 {
namespace {

constexpr std::size_t kWidest = 16;  // bytes of a number that hardware knows

bool within(std::size_t first, std::size_t bits, std::size_t all) {
  return bits <= all && first <= all - bits;
}

bool sound_float(hid_t type, std::size_t precision) {
  std::size_t sign = 0, exponent = 0, exponent_bits = 0, mantissa = 0, mantissa_bits = 0;
  if (H5Tget_fields(type, &sign, &exponent, &exponent_bits, &mantissa, &mantissa_bits) < 0) return false;
  return within(sign, 1, precision) && within(exponent, exponent_bits, precision) && exponent_bits <= 16 &&
         within(mantissa, mantissa_bits, precision) && mantissa_bits <= 112;
}

}  // namespace

Handle& Handle::operator=(Handle&& other) noexcept {
  std::swap(id_, other.id_);
  std::swap(close_, other.close_);
  return *this;
}

bool Handle::reset() {
  const bool closed = id_ < 0 || close_(id_) >= 0;
  id_ = -1;
  return closed;
}

bool is_sound_number(hid_t type) {
  const H5T_class_t kind = H5Tget_class(type);
  if (kind == H5T_ENUM) {
    const Handle base(H5Tget_super(type), H5Tclose);
    return base && is_sound_number(base.get());
  }
  if (kind != H5T_INTEGER && kind != H5T_FLOAT) return false;
  const std::size_t size = H5Tget_size(type), precision = H5Tget_precision(type);
  const int offset = H5Tget_offset(type);
  if (size == 0 || size > kWidest || precision == 0 || offset < 0) return false;
  if (!within(static_cast<std::size_t>(offset), precision, 8 * size)) return false;
  return kind == H5T_INTEGER ? precision <= 64 : sound_float(type, precision);
}

}  // namespace cohlink::h5
