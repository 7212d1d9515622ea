#include "sim/signal/record/sent_data.h"

#include <algorithm>
#include <cmath>

#include "sim/signal/frame_layout.h"
#include "sim/signal/record/hdf5_write.h"
#include "sim/signal/scenario/errors.h"
#include "sim/signal/shaping.h"

namespace cohlink {
namespace {

constexpr const char *kCodes = "/truth/symbol_codes", *kPoints = "/truth/constellation",
                     *kLabels = "/truth/constellation_bits", *kShares = "/truth/constellation_probability",
                     *kSymbols = "/truth/symbols", *kBits = "/truth/bits", *kRoles = "/truth/symbol_role";

constexpr std::size_t kLongBits = std::size_t{1} << 17;

// Both polarisations one after the other, as HDF5 wants them.
template <class Row>
Row stacked(const std::array<Row, 2>& rows) {
  Row flat = rows[0];
  flat.insert(flat.end(), rows[1].begin(), rows[1].end());
  return flat;
}

template <class Row>
std::array<Row, 2> unstacked(const Row& flat) {
  const auto middle = flat.begin() + static_cast<std::ptrdiff_t>(flat.size() / 2);
  return {Row(flat.begin(), middle), Row(middle, flat.end())};
}

/// Appends the codes of the symbols; false where one is no point of the format to the last bit, as senders
/// make them.
bool append_codes(const Constellation& points, const Symbols& symbols, std::vector<std::uint8_t>& codes) {
  for (const auto& symbol : symbols) {
    const unsigned code = points.decide(symbol);
    if (points[code] != symbol) return false;
    codes.push_back(static_cast<std::uint8_t>(code));
  }
  return true;
}

void write_codes(h5::NewFile& file, const SentCodes& sent, Axes& axes) {
  const Constellation& points = constellation(sent.format);
  file.write<std::uint8_t>(kCodes, sent.codes, {2, sent.codes.size() / 2});
  file.write<std::complex<double>>(kPoints, std::vector<std::complex<double>>(points.begin(), points.end()));
  file.attribute(kPoints, "modulation", std::string(points.name()));
  file.write<std::uint8_t>(kLabels, point_labels(sent.format),
                           {points.size(), static_cast<std::size_t>(points.bits())});
  axes.attach(kCodes, {"/polarisation", "/symbol"});
  axes.attach(kPoints, {"/point"});
  axes.attach(kLabels, {"/point", "/bit_of_point"});
  if (!points.is_shaped()) return;
  const Shaping& shaping = points.shaping();
  file.write<double>(kShares, shaping.probability);
  file.attribute(kShares, "entropy_bits", shaping.entropy_bits);
  file.attribute(kShares, "matcher_block", static_cast<std::uint64_t>(shaping.matcher_block));
  axes.attach(kShares, {"/point"});
}

std::optional<Modulation> read_shaped(const h5::File& file) {
  if (!file.has(kShares)) return std::nullopt;
  try {
    const Modulation format =
        shaped(modulation_named(file.attribute_text(kPoints, "modulation")),
               file.attribute_number(kShares, "entropy_bits"),
               static_cast<std::size_t>(file.attribute_count(kShares, "matcher_block")));
    return format.shaped() != nullptr ? std::optional(format) : std::nullopt;
  } catch (const std::invalid_argument& fault) {
    throw InputError(file.path(), std::string("data set ") + kShares + ": " + fault.what());
  }
}

/// Bits one a byte. Of a long frame deflated to little more than one a bit; a short one's are left as they
/// are, a tenth of its file (QPSK): deflated ones take as long as all the rest of it, and have no fixed
/// length.
void write_bits(h5::NewFile& file, const Bits& bits) {
  const h5::Shape shape = {2, bits.size() / 2};
  bits.size() > kLongBits ? file.write_deflated(kBits, bits, shape)
                          : file.write<std::uint8_t>(kBits, bits, shape);
}

/// How the bits follow from the points; "" where neither rule gives them.
std::string mapping_of(Modulation format, const Truth& truth) {
  for (const bool differential : {false, true})
    if (decide_bits(format, truth.symbols[0], differential) == truth.bits[0] &&
        decide_bits(format, truth.symbols[1], differential) == truth.bits[1])
      return differential ? "quarter turns" : "point";
  return "";
}

std::vector<std::complex<double>> finite_points(const h5::File& file, const char* name,
                                                const h5::Shape& wanted) {
  auto points = file.read<std::complex<double>>(name, wanted);
  for (const auto& point : points)
    if (!std::isfinite(std::abs(point)))
      throw InputError(file.path(), std::string("data set ") + name + " is not finite");
  return points;
}

std::vector<std::uint8_t> read_roles(const h5::File& file, std::size_t symbols) {
  auto roles = file.read<std::uint8_t>(kRoles, {symbols});
  const auto last = static_cast<std::uint8_t>(SymbolRole::kReserved);
  if (std::any_of(roles.begin(), roles.end(), [last](auto role) { return role > last; }))
    throw InputError(file.path(), std::string("data set ") + kRoles + " holds something else than 0 to 3");
  return roles;
}

Symbols coded_symbols(const h5::File& file) {
  const auto points = finite_points(file, kPoints, {h5::kAnyLength});
  Symbols symbols;
  for (const std::uint8_t code : file.read<std::uint8_t>(kCodes, {2, h5::kAnyLength})) {
    if (code >= points.size())
      throw InputError(file.path(), std::string("data set ") + kCodes + " holds the code " +
                                        std::to_string(code) + ", and " + kPoints + " has " +
                                        std::to_string(points.size()) + " points");
    symbols.push_back(points[code]);
  }
  return symbols;
}

}  // namespace

std::optional<SentCodes> sent_codes(const Truth& truth) {
  if (truth.symbols[0].empty()) return std::nullopt;
  std::vector<Modulation> formats;
  for (std::size_t row = 0; row < constellations().size(); ++row) formats.emplace_back(row);
  if (truth.shaped) formats = {*truth.shaped};
  for (const Modulation format : formats) {
    SentCodes sent{format, {}};
    const Constellation& points = constellation(format);
    if (points.empty() || points.size() > 256) continue;
    if (append_codes(points, truth.symbols[0], sent.codes) &&
        append_codes(points, truth.symbols[1], sent.codes))
      return sent;
  }
  return std::nullopt;
}

Bits point_labels(Modulation format) {
  const Constellation& points = constellation(format);
  Bits labels;
  for (std::size_t point = 0; point < points.size(); ++point)
    for (int bit = points.bits() - 1; bit >= 0; --bit)
      labels.push_back(static_cast<std::uint8_t>(point >> bit & 1u));
  return labels;
}

void write_sent(h5::NewFile& file, const Truth& truth, Axes& axes) {
  const auto codes = sent_codes(truth);
  if (codes) {
    write_codes(file, *codes, axes);
  } else {
    file.write<std::complex<double>>(kSymbols, stacked(truth.symbols), {2, truth.symbols[0].size()});
    axes.attach(kSymbols, {"/polarisation", "/symbol"});
  }
  if (!truth.symbol_role.empty()) {
    file.write<std::uint8_t>(kRoles, truth.symbol_role, {truth.symbol_role.size()});
    axes.attach(kRoles, {"/symbol"});
  }
  if (truth.bits[0].empty()) return;
  write_bits(file, stacked(truth.bits));
  axes.attach(kBits, {"/polarisation", "/bit"});
  if (const std::string mapping = codes ? mapping_of(codes->format, truth) : ""; !mapping.empty())
    file.attribute(kBits, "mapping", mapping);
}

std::array<Symbols, 2> read_sent_symbols(const h5::File& file) {
  const bool coded = file.has(kCodes);
  Symbols symbols = coded ? coded_symbols(file) : finite_points(file, kSymbols, {2, h5::kAnyLength});
  if (symbols.empty())
    throw InputError(file.path(),
                     std::string("data set ") + (coded ? kCodes : kSymbols) + " holds no symbols");
  return unstacked(symbols);
}

void read_sent(const h5::File& file, Truth& truth) {
  truth.symbols = read_sent_symbols(file);
  truth.shaped = read_shaped(file);
  if (file.has(kRoles)) truth.symbol_role = read_roles(file, truth.symbols[0].size());
  if (!file.has(kBits)) return;
  truth.bits = unstacked(file.read<std::uint8_t>(kBits, {2, h5::kAnyLength}));
  const std::size_t symbols = truth.symbols[0].size();
  if (truth.bits[0].size() % symbols != 0)
    throw InputError(file.path(), "data set /truth/bits holds " + std::to_string(truth.bits[0].size()) +
                                      " bits a polarisation, which are not as many for each of " +
                                      std::to_string(symbols) + " symbols");
  for (const Bits& bits : truth.bits)
    if (std::any_of(bits.begin(), bits.end(), [](auto bit) { return bit > 1; }))
      throw InputError(file.path(), "data set /truth/bits holds something else than 0 and 1");
}

}  // namespace cohlink
