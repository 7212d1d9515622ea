#include "sim/signal/read_modulation.h"

#include <stdexcept>

#include "sim/signal/shaping.h"

namespace cohlink {
namespace {

constexpr const char *kEntropy = "signal.entropy_bits", *kBlock = "signal.matcher_block";

std::string formats_to_shape() {
  std::string names;
  for (std::size_t row = 0; row < constellations().size(); ++row)
    if (can_be_shaped(Modulation(row)))
      names += (names.empty() ? "" : " and ") + std::string(modulation_name(Modulation(row)));
  return names;
}

}  // namespace

Modulation read_modulation(const Scenario& s) {
  const Modulation plain = modulation_named(s.text("signal.modulation"));
  const auto entropy = s.optional_number(kEntropy);
  const std::int64_t block = s.integer(kBlock);
  if (!entropy) {
    if (block > 0) s.reject(kBlock, "is used only with signal.entropy_bits");
    return plain;
  }
  const std::string name(modulation_name(plain));
  if (!can_be_shaped(plain))
    s.reject(kEntropy, "shapes " + formats_to_shape() + "; signal.modulation is " + name);
  const int bits = bits_per_symbol(plain);
  if (*entropy > bits)
    s.reject(kEntropy, "is more than the " + std::to_string(bits) + " bits of " + name + "; 2.1 to " +
                           std::to_string(bits) + " are possible");
  if (s.boolean("signal.differential"))
    s.reject(
        "signal.differential",
        "is not for shaped symbols (signal.entropy_bits), which need the soft decisions that differential "
        "decoding has none of");
  try {
    return shaped(plain, *entropy, static_cast<std::size_t>(block));
  } catch (const std::invalid_argument& fault) {
    s.reject(kBlock, std::string("does not go with signal.entropy_bits: ") + fault.what());
  }
}

}  // namespace cohlink
