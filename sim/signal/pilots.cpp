#include "sim/signal/pilots.h"

#include <cmath>
#include <stdexcept>

#include "sim/signal/prbs.h"

namespace cohlink {

Symbols pilot_symbols(Modulation modulation, std::size_t count, std::size_t polarisation) {
  if (modulation == Modulation::kGaussian) throw std::invalid_argument("Gaussian symbols have no pilots");
  constexpr std::size_t kYAhead = 10007;
  const Bits bits = prbs(15, 2 * count, polarisation * kYAhead);
  const double level = modulation == Modulation::kQpsk ? std::sqrt(0.5) : 3.0 / std::sqrt(10.0);
  Symbols pilots(count);
  for (std::size_t m = 0; m < count; ++m)
    pilots[m] = {bits[2 * m] != 0 ? -level : level, bits[2 * m + 1] != 0 ? -level : level};
  return pilots;
}

Symbols map_with_pilots(Modulation modulation, Bits& bits, std::size_t spacing, std::size_t polarisation) {
  const Symbols payload = map_bits(modulation, bits, false);
  if (spacing < 2 || payload.size() % (spacing - 1) != 0)
    throw std::invalid_argument("payload does not fill whole pilot spacings");
  const std::size_t count = payload.size() / (spacing - 1);
  const Symbols pilots = pilot_symbols(modulation, count, polarisation);
  Symbols row;
  row.reserve(count * spacing);
  for (std::size_t m = 0; m < count; ++m) {
    row.push_back(pilots[m]);
    const auto from = payload.begin() + static_cast<std::ptrdiff_t>(m * (spacing - 1));
    row.insert(row.end(), from, from + static_cast<std::ptrdiff_t>(spacing - 1));
  }
  bits = decide_bits(modulation, row, false);
  return row;
}

void check_pilots(const Scenario& s) {
  const std::int64_t spacing = s.integer("signal.pilot_spacing"), symbols = s.integer("signal.symbols");
  const char* key = "signal.pilot_spacing";
  if (spacing == 0) return;
  if (spacing == 1) s.reject(key, "leaves no symbol for data; at least 2, or 0 for no pilots");
  if (symbols % spacing != 0)
    s.reject(key, "must divide signal.symbols = " + std::to_string(symbols) + ", so that frames follow on");
  if (s.text("signal.modulation") == "gaussian") s.reject(key, "Gaussian symbols have no pilots");
  if (s.boolean("signal.differential"))
    s.reject(key, "pilots make differential coding needless; set signal.differential = false");
  if (s.text("signal.pattern") == "file") s.reject(key, "cannot be put into a file's symbols");
}

}  // namespace cohlink
