// What reading and writing of HDF5 files share: element types in memory, and shapes.
#pragma once

#include <type_traits>

#include "sim/signal/record/hdf5.h"
#include "sim/signal/scenario/errors.h"

/// The element types that files are read and written in, for an instantiation each.
#define COHLINK_H5_ELEMENTS(DO) \
  DO(std::int16_t)              \
  DO(std::uint8_t)              \
  DO(std::int64_t)              \
  DO(std::uint64_t)             \
  DO(float)                     \
  DO(double)                    \
  DO(std::complex<float>)       \
  DO(std::complex<double>)

namespace cohlink::h5 {

/// HDF5 prints its error stack by default, in every thread anew; our messages replace it.
inline void silence() {
  static thread_local const bool once = H5Eset_auto2(H5E_DEFAULT, nullptr, nullptr) >= 0;
  (void)once;
}

/// Whether an element type is a number of at most 16 bytes whose parts lie within it: the library believes
/// what a file says of them, and writes past its own buffers where it converts from others.
bool is_sound_number(hid_t type);

template <class Real>
Handle complex_type() {
  Handle type(H5Tcreate(H5T_COMPOUND, 2 * sizeof(Real)), H5Tclose);
  const hid_t part = sizeof(Real) == sizeof(float) ? H5T_NATIVE_FLOAT : H5T_NATIVE_DOUBLE;
  H5Tinsert(type.get(), "r", 0, part);
  H5Tinsert(type.get(), "i", sizeof(Real), part);
  return type;
}

template <class T>
constexpr bool is_complex = std::is_same_v<T, std::complex<float>> || std::is_same_v<T, std::complex<double>>;

template <class T>
Handle memory_type() {
  if constexpr (is_complex<T>)
    return complex_type<typename T::value_type>();
  else if constexpr (std::is_same_v<T, std::int16_t>)
    return Handle(H5Tcopy(H5T_NATIVE_INT16), H5Tclose);
  else if constexpr (std::is_same_v<T, std::uint8_t>)
    return Handle(H5Tcopy(H5T_NATIVE_UINT8), H5Tclose);
  else if constexpr (std::is_same_v<T, std::int64_t>)
    return Handle(H5Tcopy(H5T_NATIVE_INT64), H5Tclose);
  else if constexpr (std::is_same_v<T, std::uint64_t>)
    return Handle(H5Tcopy(H5T_NATIVE_UINT64), H5Tclose);
  else if constexpr (std::is_same_v<T, float>)
    return Handle(H5Tcopy(H5T_NATIVE_FLOAT), H5Tclose);
  else
    return Handle(H5Tcopy(H5T_NATIVE_DOUBLE), H5Tclose);
}

}  // namespace cohlink::h5
