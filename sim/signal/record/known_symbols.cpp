#include "sim/signal/record/known_symbols.h"

#include <algorithm>
#include <cmath>
#include <filesystem>

#include "sim/signal/read_modulation.h"
#include "sim/signal/record/hdf5.h"
#include "sim/signal/record/sent_data.h"

namespace cohlink {

std::string located_input(const Scenario& s, std::string_view key, const std::string& name,
                          const std::vector<std::string>& folders) {
  namespace fs = std::filesystem;
  if (fs::is_regular_file(name)) return name;
  for (const auto& folder : folders)
    if (const fs::path there = fs::path(folder) / name; fs::is_regular_file(there)) return there.string();
  s.reject(key, "is no file, neither here nor beside the scenario file");
}

bool settle_on_points(Modulation m, std::vector<std::complex<double>>& symbols) {
  double power = 0.0;
  for (const auto& symbol : symbols) power += std::norm(symbol);
  if (!std::isfinite(power) || power <= 0.0) return false;
  const double rough = std::sqrt(static_cast<double>(symbols.size()) / power);
  double along = 0.0, squares = 0.0;  // the scale that fits the points decided upon
  for (const auto& symbol : symbols) {
    along += std::real(std::conj(symbol) * nearest_point(m, symbol * rough));
    squares += std::norm(symbol);
  }
  const double scale = along / squares;
  constexpr double kRounding = 0.02;  // of unit power: stored as whole numbers even in 8 bits
  for (auto& symbol : symbols) {
    const auto point = nearest_point(m, symbol * scale);
    if (std::abs(symbol * scale - point) > kRounding) return false;
    symbol = point;
  }
  return true;
}

namespace {

/// Symbols as somebody stored them, else those of a capture's truth.
std::string dataset_of(const h5::File& file) {
  if (file.has("/symbols")) return "/symbols";
  return file.has("/truth/symbol_codes") ? "/truth/symbol_codes" : "/truth/symbols";
}

/// [2, symbols], or [1, symbols] that stand for both.
std::array<Symbols, 2> plain_symbols(const h5::File& file, const h5::Shape& shape) {
  const auto flat = file.read<std::complex<double>>("/symbols");
  const auto row = [&](std::size_t r) {
    const auto begin = flat.begin() + static_cast<std::ptrdiff_t>(r * shape[1]);
    return Symbols(begin, begin + static_cast<std::ptrdiff_t>(shape[1]));
  };
  return {row(0), row(shape[0] - 1)};
}

}  // namespace

std::optional<Truth> known_symbols(const Scenario& s, const std::vector<std::string>& folders) {
  const std::string name = s.text("trace.symbols_file");
  if (name.empty()) return std::nullopt;
  const auto file = h5::File::open(located_input(s, "trace.symbols_file", name, folders));
  const std::string dataset = dataset_of(file);
  const auto shape = file.shape(dataset);
  // A recording of one polarisation may know that one alone.
  const auto lanes = s.list("trace.lanes");
  const bool one = std::none_of(lanes.begin(), lanes.end(), [](const auto& l) { return l.ends_with("YI"); });
  if (shape.size() != 2 || !(shape[0] == 2 || (one && shape[0] == 1)) || shape[1] < 64)
    s.reject("trace.symbols_file", dataset + " must have the shape [2, symbols], at least 64 of them");
  if (file.has_attribute("/", "kind") && file.attribute_text("/", "kind") == "cohlink result")
    s.reject("trace.symbols_file", file.path() +
                                       " is a receiver's result: its symbols are what was received, "
                                       "not what was sent");
  Truth truth;
  truth.symbols = dataset == "/symbols" ? plain_symbols(file, shape) : read_sent_symbols(file);
  const Modulation m = read_modulation(s);
  if (m.shaped() != nullptr) truth.shaped = m;
  for (std::size_t p = 0; p < 2; ++p) {
    if (constellation(m).empty()) continue;
    if (!settle_on_points(m, truth.symbols[p]))
      s.reject("trace.symbols_file", dataset + " must hold points of " + s.text("signal.modulation") +
                                         ", which it does not: are these the symbols sent?");
    truth.bits[p] = decide_bits(m, truth.symbols[p], s.boolean("signal.differential"));
  }
  return truth;
}

}  // namespace cohlink
