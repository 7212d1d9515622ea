#include "sim/signal/frame_layout.h"

#include <algorithm>
#include <cmath>
#include <stdexcept>
#include <string>

#include "sim/signal/pilots.h"
#include "sim/signal/prbs.h"
#include "sim/signal/read_modulation.h"

namespace cohlink {
namespace {

constexpr std::size_t kYAhead = 10007;

// OIF-400ZR-01.0 (from memory); the last two close the count of its code words.
constexpr std::size_t kZrSubframe = 3712, kZrSubframes = 49, kZrTraining = 11, kZrSpacing = 32,
                      kZrAlignment = 22, kZrReserved = 76;

// Fewest products of known symbols a pilot spacing apart that a block must hold: its correlation with itself
// elsewhere is then a fifth of its peak.
constexpr std::size_t kFewestPairs = 32;

std::size_t multiples_below(std::size_t end, std::size_t of) { return (end + of - 1) / of; }

std::size_t count_roles(const FrameLayout& layout, SymbolRole role, std::size_t count) {
  std::size_t found = 0;
  for (std::size_t k = 0; k < count; ++k) found += layout.role(k) == role;
  return found;
}

std::array<Symbols, 2> known_sequence(Modulation modulation, std::size_t from, std::size_t count) {
  const auto points = known_points(modulation);
  std::array<Symbols, 2> rows;
  for (std::size_t p = 0; p < 2; ++p) {
    const Bits bits = prbs(15, 2 * count, p * kYAhead + 2 * from);
    for (std::size_t m = 0; m < count; ++m) rows[p].push_back(points[2u * bits[2 * m] + bits[2 * m + 1]]);
  }
  return rows;
}

void refuse_what_has_no_frame(const Scenario& s) {
  const char* key = "signal.frame";
  if (s.text("signal.modulation") == "gaussian") s.reject(key, "Gaussian symbols have no known points");
  if (s.boolean("signal.differential"))
    s.reject(key, "pilots make differential coding needless; set signal.differential = false");
  if (s.text("signal.pattern") == "file") s.reject(key, "cannot be put into a file's symbols");
}

void refuse_few_pilots(const Scenario& s, const FrameLayout& layout) {
  const auto symbols = static_cast<std::size_t>(s.integer("signal.symbols"));
  if (symbols / layout.spacing < static_cast<std::size_t>(kFewestPilots))
    s.reject("signal.symbols", "leaves " + std::to_string(symbols / layout.spacing) +
                                   " pilots, too few to be found; at least " + std::to_string(kFewestPilots) +
                                   " are needed: " + std::to_string(kFewestPilots * layout.spacing) +
                                   " symbols");
}

FrameLayout layout_of_400zr(const Scenario& s) {
  const auto symbols = static_cast<std::size_t>(s.integer("signal.symbols")),
             spacing = static_cast<std::size_t>(s.integer("signal.pilot_spacing"));
  if (spacing != 0 && spacing != kZrSpacing)
    s.reject("signal.pilot_spacing", "signal.frame = 400zr has a pilot every 32 symbols; leave the key out");
  const std::size_t subframes = symbols / kZrSubframe;
  const bool whole = symbols % kZrSubframe == 0 && subframes > 0;
  if (!whole || (subframes > kZrSubframes && subframes % kZrSubframes != 0))
    s.reject(
        "signal.symbols",
        "signal.frame = 400zr needs whole super-frames of 49 sub-frames of 3712 symbols (181888, 363776, "
        "...), or fewer sub-frames than 49 for a short one (66816 = 18, 33408 = 9)");
  FrameLayout layout{kZrSpacing,   kZrTraining, kZrSubframe, std::min(subframes, kZrSubframes),
                     kZrAlignment, kZrReserved};
  return layout;
}

FrameLayout free_layout(const Scenario& s) {
  const auto value = [&](const char* key) { return static_cast<std::size_t>(s.integer(key)); };
  const std::size_t symbols = value("signal.symbols"), given = value("signal.preamble_spacing");
  FrameLayout layout{value("signal.pilot_spacing"), value("signal.preamble_symbols"),
                     given > 0 ? given : symbols};
  if (layout.spacing < 2)
    s.reject("signal.pilot_spacing", "signal.frame = free needs pilots: a spacing of at least 2 symbols");
  const char* period = given > 0 ? "signal.preamble_spacing" : "signal.symbols";
  if (layout.block % layout.spacing != 0)
    s.reject("signal.pilot_spacing", std::string("must divide ") + period + " = " +
                                         std::to_string(layout.block) + ", so that frames follow on");
  if (symbols % layout.block != 0)
    s.reject("signal.preamble_spacing",
             "must divide signal.symbols = " + std::to_string(symbols) + ", so that frames follow on");
  if (2 * layout.training > layout.block)
    s.reject("signal.preamble_symbols",
             "is more than half of " + std::string(period) + " = " + std::to_string(layout.block));
  const std::size_t pairs = layout.block / layout.spacing +
                            (layout.training > layout.spacing ? layout.training - layout.spacing : 0);
  if (pairs < kFewestPairs)
    s.reject("signal.preamble_spacing",
             "leaves too few known symbols between two preambles to tell where one begins; at least " +
                 std::to_string(kFewestPairs * layout.spacing) + " at this pilot spacing, or a preamble of " +
                 std::to_string(layout.spacing + kFewestPairs) + " symbols and more");
  return layout;
}

}  // namespace

std::size_t FrameLayout::period() const {
  return framed() ? block * blocks : std::max<std::size_t>(1, spacing);
}

SymbolRole FrameLayout::role(std::size_t index) const {
  if (!framed()) return spacing > 0 && index % spacing == 0 ? SymbolRole::kKnown : SymbolRole::kPayload;
  const std::size_t place = index % period(), in_block = place % block;
  if (in_block < training || in_block % spacing == 0) return SymbolRole::kKnown;
  if (place >= block) return SymbolRole::kPayload;
  const std::size_t pilots = multiples_below(in_block, spacing) - multiples_below(training, spacing),
                    behind = in_block - training - pilots;
  if (behind < alignment) return SymbolRole::kAlignment;
  return behind < alignment + reserved ? SymbolRole::kReserved : SymbolRole::kPayload;
}

double FrameLayout::payload_share() const {
  return static_cast<double>(count_roles(*this, SymbolRole::kPayload, period())) /
         static_cast<double>(period());
}

FrameLayout frame_layout(const Scenario& s) {
  const std::string frame = s.text("signal.frame");
  if (frame != "free")
    for (const char* key : {"signal.preamble_symbols", "signal.preamble_spacing"})
      if (s.is_given(key) && s.written(key) != find_key(key)->default_value)
        s.reject(key, "is used only with signal.frame = free");
  if (frame == "none") {
    check_pilots(s);
    return {static_cast<std::size_t>(s.integer("signal.pilot_spacing"))};
  }
  refuse_what_has_no_frame(s);
  const FrameLayout layout = frame == "400zr" ? layout_of_400zr(s) : free_layout(s);
  refuse_few_pilots(s, layout);
  return layout;
}

void check_shaped_data(const Scenario& s) {
  const Modulation modulation = read_modulation(s);
  if (modulation.shaped() == nullptr) return;
  const std::string pattern = s.text("signal.pattern");
  if (pattern.starts_with("prbs"))
    s.reject("signal.pattern",
             "has fair bits, which shaped symbols (signal.entropy_bits) are not; random or file");
  const auto block = static_cast<std::int64_t>(modulation.shaped()->shaping().matcher_block);
  if (block == 0 || pattern == "file") return;
  const std::int64_t symbols = s.integer("signal.symbols");
  const auto data =
      static_cast<std::int64_t>(data_symbols(frame_layout(s), static_cast<std::size_t>(symbols)));
  const std::int64_t neighbours = s.integer("channel.count") > 1 ? 2 * symbols : 0;  // without known symbols
  for (const std::int64_t drawn : {2 * data, neighbours})
    if (drawn % block != 0)
      s.reject("signal.matcher_block", "must divide the " + std::to_string(drawn) +
                                           " amplitudes of a frame's polarisation, two a symbol");
}

std::array<std::complex<double>, 4> known_points(Modulation modulation) {
  const Constellation& all = constellation(modulation);
  std::vector<std::complex<double>> points(all.begin(), all.end());
  if (points.empty()) throw std::invalid_argument("Gaussian symbols have no known points");
  // Of a square's points the four outermost are on the diagonals already.
  const auto off = [&](const std::complex<double>& a) {
    return all.is_shaped() ? std::abs(std::log(std::norm(a))) : -std::norm(a);
  };
  if (all.is_shaped())
    std::erase_if(points,
                  [](const auto& a) { return std::abs(std::abs(a.real()) - std::abs(a.imag())) > 1e-9; });
  std::sort(points.begin(), points.end(), [&](const auto& a, const auto& b) { return off(a) < off(b); });
  points.resize(4);
  std::sort(points.begin(), points.end(),
            [](const auto& a, const auto& b) { return std::arg(a) < std::arg(b); });
  return {points[0], points[1], points[2], points[3]};
}

KnownSymbols known_symbols_of_block(Modulation modulation, const FrameLayout& layout) {
  KnownSymbols known;
  for (std::size_t k = 0; k < layout.block; ++k)
    if (layout.role(k) == SymbolRole::kKnown) known.places.push_back(k);
  known.symbols = known_sequence(modulation, 0, known.places.size());
  return known;
}

KnownSymbols alignment_word(Modulation modulation, const FrameLayout& layout) {
  KnownSymbols known;
  for (std::size_t k = 0; k < layout.block; ++k)
    if (layout.role(k) == SymbolRole::kAlignment) known.places.push_back(k);
  known.symbols =
      known_sequence(modulation, count_roles(layout, SymbolRole::kKnown, layout.block), known.places.size());
  return known;
}

double mean_power(const FrameLayout& layout, Modulation modulation) {
  if (!layout.framed() || constellation(modulation).empty()) return 1.0;
  const auto period = static_cast<double>(layout.period()),
             data = static_cast<double>(data_symbols(layout, layout.period()));
  return (data + (period - data) * std::norm(known_points(modulation)[0])) / period;
}

std::size_t data_symbols(const FrameLayout& layout, std::size_t count) {
  return count_roles(layout, SymbolRole::kPayload, count) + count_roles(layout, SymbolRole::kReserved, count);
}

Symbols map_with_frame(Modulation modulation, Bits& bits, const FrameLayout& layout, std::size_t count,
                       std::size_t polarisation) {
  const Symbols data = map_bits(modulation, bits, false);
  if (!layout.framed() || count % layout.period() != 0 || data.size() != data_symbols(layout, count))
    throw std::invalid_argument("the data do not fill whole super-frames");
  const Symbols known = known_symbols_of_block(modulation, layout).symbols[polarisation],
                aligning = alignment_word(modulation, layout).symbols[polarisation];
  Symbols row(count);
  std::size_t next_data = 0, next_known = 0, next_aligning = 0;
  for (std::size_t k = 0; k < count; ++k) {
    const SymbolRole role = layout.role(k);
    if (role == SymbolRole::kKnown)
      row[k] = known[next_known++ % known.size()];
    else if (role == SymbolRole::kAlignment)
      row[k] = aligning[next_aligning++ % aligning.size()];
    else
      row[k] = data[next_data++];
  }
  bits = decide_bits(modulation, row, false);
  return row;
}

}  // namespace cohlink
