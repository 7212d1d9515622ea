#include "tools/study/files/decided.h"

#include <algorithm>
#include <charconv>
#include <cstring>
#include <fstream>
#include <limits>
#include <sstream>

#include "rx/stage/block.h"
#include "sim/signal/record/trace.h"
#include "sim/signal/scenario/errors.h"
#include "tools/study/plan/numbers.h"

namespace cohlink {
namespace {

// --- NumPy's own format: NumPy Enhancement Proposal 1. ---

constexpr std::string_view kNpyMagic = "\x93NUMPY";

struct Npy {
  char kind = 0;          // of dtype: c, f, u, i, b
  std::size_t bytes = 0;  // an element
  std::size_t rows = 1, columns = 0;
  std::string data;
};

[[noreturn]] void fail(const std::string& path, const std::string& why) { throw InputError(path, why); }

std::string content(const std::string& path) {
  std::ifstream file(path, std::ios::binary);
  std::ostringstream bytes;
  bytes << file.rdbuf();
  if (!file) fail(path, "cannot be read");
  return bytes.str();
}

/// What follows "'name':" in the header, blanks skipped.
std::string_view entry(std::string_view header, std::string_view name) {
  const auto at = header.find("'" + std::string(name) + "':");
  if (at == std::string_view::npos) return {};
  const auto value = header.find_first_not_of(' ', at + name.size() + 3);
  return value == std::string_view::npos ? std::string_view() : header.substr(value);
}

/// "(2, 4096)" or "(4096,)": rows and columns.
bool read_shape(std::string_view text, Npy& npy) {
  std::vector<std::size_t> shape;
  if (text.empty() || text.front() != '(') return false;
  for (const char *at = text.data() + 1, *end = text.data() + text.size(); at < end && *at != ')';) {
    std::size_t length = 0;
    const auto [stop, error] = std::from_chars(at, end, length);
    if (error != std::errc()) return false;
    shape.push_back(length);
    for (at = stop; at < end && (*at == ',' || *at == ' ');) ++at;
  }
  if (shape.empty() || shape.size() > 2) return false;
  npy.rows = shape.size() == 2 ? shape[0] : 1;
  npy.columns = shape.back();
  return npy.rows > 0 && npy.rows <= 2 && npy.columns > 0;
}

Npy read_npy(const std::string& path) {
  const std::string bytes = content(path);
  const bool wide = bytes.size() > 6 && bytes[6] > 1;  // versions 2 and 3: four bytes of length
  const std::size_t start = kNpyMagic.size() + 2 + (wide ? 4 : 2);
  if (bytes.size() < start) fail(path, "is no whole .npy file");
  std::size_t length = 0;
  for (std::size_t i = 0; i < (wide ? 4u : 2u); ++i)
    length |= static_cast<std::size_t>(static_cast<unsigned char>(bytes[kNpyMagic.size() + 2 + i]))
              << (8 * i);
  if (length > bytes.size() - start) fail(path, "is no whole .npy file");
  const std::string_view header(bytes.data() + start, length);
  Npy npy;
  const std::string_view type = entry(header, "descr");  // '<c8'
  if (type.size() < 5 || type[0] != '\'' || (type[1] != '<' && type[1] != '|'))
    fail(path, "holds elements of a type that is no plain little-endian number");
  npy.kind = type[2];
  std::from_chars(type.data() + 3, type.data() + type.size(), npy.bytes);
  if (!read_shape(entry(header, "shape"), npy)) fail(path, "must have the shape (2, n), (1, n) or (n,)");
  if (!entry(header, "fortran_order").starts_with("False") && npy.rows > 1)
    fail(path, "is stored column by column (Fortran order)");
  npy.data = bytes.substr(start + length);
  if (npy.bytes == 0 || npy.bytes > 16 || npy.columns > npy.data.size() ||
      npy.data.size() != npy.bytes * npy.rows * npy.columns)
    fail(path, "does not hold as many elements as its header says");
  return npy;
}

template <class T>
T element(const Npy& npy, std::size_t index) {
  T value;
  std::memcpy(&value, npy.data.data() + index * sizeof(T), sizeof(T));
  return value;
}

std::complex<float> symbol_at(const Npy& npy, std::size_t index) {
  if (npy.bytes == 8) return element<std::complex<float>>(npy, index);
  return std::complex<float>(element<std::complex<double>>(npy, index));
}

Field<float> symbols_of(const Npy& npy, const std::string& path) {
  if (npy.kind != 'c' || (npy.bytes != 8 && npy.bytes != 16))
    fail(path, "holds no complex64 or complex128 numbers; bits are read with --bits");
  Field<float> symbols;
  symbols.x.resize(npy.columns);
  if (npy.rows == 2) symbols.y.resize(npy.columns);
  for (std::size_t k = 0; k < npy.columns; ++k) symbols.x[k] = symbol_at(npy, k);
  for (std::size_t k = 0; k < symbols.y.size(); ++k) symbols.y[k] = symbol_at(npy, npy.columns + k);
  return symbols;
}

std::array<Bits, 2> bits_of(const Npy& npy, const std::string& path) {
  if (npy.kind != 'b' && npy.kind != 'u' && npy.kind != 'i')
    fail(path, "holds no integers; bits are 0 and 1");
  std::array<Bits, 2> bits;
  for (std::size_t p = 0; p < npy.rows; ++p)
    for (std::size_t k = 0; k < npy.columns; ++k) {
      const auto at = npy.data.begin() + static_cast<std::ptrdiff_t>((p * npy.columns + k) * npy.bytes);
      const bool small =
          std::all_of(at + 1, at + static_cast<std::ptrdiff_t>(npy.bytes), [](char c) { return c == 0; });
      bits[p].push_back(small ? static_cast<std::uint8_t>(*at) : std::uint8_t{2});
    }
  return bits;
}

bool begins_with(const std::string& path, std::string_view magic) {
  std::string head(magic.size(), '\0');
  std::ifstream file(path, std::ios::binary);
  return file.read(head.data(), static_cast<std::streamsize>(head.size())) && head == magic;
}

// --- What a [trace] section describes. ---

std::array<std::vector<float>, 4> read_columns(const std::string& path, Scenario described,
                                               const char* dataset, const char* raw, const char* lanes) {
  const auto otherwise = [&](const char* key, const std::string& value) {
    if (!described.is_given(key)) described.set(key, value, path);
  };
  described.set("trace.file", path, path);
  const bool text = path.ends_with(".csv") || path.ends_with(".txt");
  const bool hdf5 = begins_with(path, "\x89HDF\r\n\x1a\n");
  otherwise("trace.format", hdf5 ? "hdf5" : text ? "csv" : raw);
  if (hdf5) otherwise("trace.datasets", dataset);
  otherwise("trace.lanes", lanes);
  otherwise("trace.sample_rate_gsa", exact_decimal(described.number("signal.symbol_rate_gbd")));
  const Trace trace(described, {});
  return trace.read(0, trace.samples());
}

}  // namespace

Field<float> read_decided_symbols(const std::string& path, const Scenario& described) {
  if (begins_with(path, kNpyMagic)) return symbols_of(read_npy(path), path);
  const auto columns = read_columns(path, described, "/symbols", "float32", "XI, XQ, YI, YQ");
  Field<float> symbols;
  for (std::size_t p = 0; p < 2; ++p) {
    const auto &real = columns[2 * p], &imaginary = columns[2 * p + 1];
    for (std::size_t k = 0; k < real.size(); ++k) symbols.rows()[p]->emplace_back(real[k], imaginary[k]);
  }
  return symbols;
}

std::array<Bits, 2> read_decided_bits(const std::string& path, const Scenario& described) {
  if (begins_with(path, kNpyMagic)) return bits_of(read_npy(path), path);
  // Two columns, whose names mean nothing here.
  const auto columns = read_columns(path, described, "/bits", "int8", "XI, XQ");
  std::array<Bits, 2> bits;
  for (std::size_t p = 0; p < 2; ++p)
    for (const float value : columns[p])
      bits[p].push_back(value == 0.0f ? std::uint8_t{0} : value == 1.0f ? std::uint8_t{1} : std::uint8_t{2});
  return bits;
}

Field<float> symbols_of_bits(const std::array<Bits, 2>& bits, const Scenario& scenario) {
  const Modulation modulation = modulation_of(scenario);
  const auto per_symbol = static_cast<std::size_t>(bits_per_symbol(modulation));
  if (per_symbol == 0)
    scenario.reject("signal.modulation", "is gaussian, whose symbols carry no bits to score");
  Field<float> symbols;
  for (std::size_t p = 0; p < 2; ++p) {
    if (std::any_of(bits[p].begin(), bits[p].end(), [](auto bit) { return bit > 1; }))
      throw InputError("the bits to be scored hold something else than 0 and 1");
    if (bits[p].size() % per_symbol != 0)
      throw InputError("the bits to be scored, " + std::to_string(bits[p].size()) +
                       " a polarisation, are no whole number of symbols of " + std::to_string(per_symbol));
    const Symbols points = map_bits(modulation, bits[p], scenario.boolean("signal.differential"));
    symbols.rows()[p]->assign(points.begin(), points.end());
  }
  return symbols;
}

void forget_noise(ReceiverResult& result) {
  constexpr double kNone = std::numeric_limits<double>::quiet_NaN();
  result.snr_db = result.evm_percent = kNone;
  if (!result.score) return;
  result.score->snr_db = result.score->evm_percent = kNone;
  result.score->snr_db_polarisation = {kNone, kNone};
  result.score->information = {kNone, kNone, kNone};
}

}  // namespace cohlink
