#include "sim/signal/pilots.h"

#include <algorithm>
#include <stdexcept>

#include "sim/signal/prbs.h"
#include "sim/signal/shaping.h"

namespace cohlink {

Symbols pilot_symbols(Modulation modulation, std::size_t count, std::size_t polarisation) {
  if (constellation(modulation).empty()) throw std::invalid_argument("Gaussian symbols have no pilots");
  constexpr std::size_t kYAhead = 10007;
  const auto per_symbol = static_cast<std::size_t>(bits_per_symbol(modulation));
  if (const Constellation& c = constellation(modulation); c.is_shaped()) {
    const Modulation drawn = shaped(modulation, c.shaping().entropy_bits);
    const Bits bits = shaped_bits(
        drawn, count, RandomStreams(1).of("pilots").stream(polarisation == 0 ? "bits-x" : "bits-y"));
    return map_bits(modulation, bits, false);
  }
  return map_bits(modulation, prbs(15, per_symbol * count, polarisation * kYAhead), false);
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
  if (symbols / spacing < kFewestPilots)
    s.reject(key, "leaves " + std::to_string(symbols / spacing) + " pilots in signal.symbols = " +
                      std::to_string(symbols) + ", too few to be found; at least " +
                      std::to_string(kFewestPilots) + " are needed: spacing 2 to " +
                      std::to_string(std::max<std::int64_t>(2, symbols / kFewestPilots)));
  if (s.text("signal.modulation") == "gaussian") s.reject(key, "Gaussian symbols have no pilots");
  if (s.boolean("signal.differential"))
    s.reject(key, "pilots make differential coding needless; set signal.differential = false");
  if (s.text("signal.pattern") == "file") s.reject(key, "cannot be put into a file's symbols");
}

}  // namespace cohlink
