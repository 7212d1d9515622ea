#include "tools/study/cautions.h"

#include <array>

#include "sim/link_setup.h"
#include "sim/signal/scenario/strings.h"
#include "sim/signal/units.h"
#include "tools/study/plan/numbers.h"
#include "tools/study/plan/unread_keys.h"

namespace cohlink {
namespace {

struct HazardLevel {
  const char* name;
  double watt;  // upper limit at 1550 nm
};
// IEC 60825-2 at 1550 nm: 1M from an equipment guide, 1 and 3B from memory.
constexpr std::array<HazardLevel, 3> kHazardLevels = {{{"1", 10e-3}, {"1M", 136e-3}, {"3B", 500e-3}}};

}  // namespace

std::optional<std::string> hazard_caution(double watt) {
  const HazardLevel* exceeded = nullptr;
  for (const auto& level : kHazardLevels)
    if (watt > level.watt) exceeded = &level;
  if (exceeded == nullptr) return std::nullopt;
  return "on a real bench this fibre would carry " + readable(watt * 1e3, 3) + " mW (" +
         readable(watt_to_dbm(watt), 3) + " dBm), above hazard level " + exceeded->name + " (" +
         readable(exceeded->watt * 1e3, 3) +
         " mW at 1550 nm, IEC 60825-2); local rules and qualified staff decide what that takes";
}

std::vector<std::string> set_up_cautions_of(const Scenario& scenario) {
  const LinkSetup setup = link_setup(scenario);
  std::vector<std::string> cautions;
  if (auto text = input_range_caution(setup)) cautions.push_back(std::move(*text));
  if (auto text = sampling_caution(setup)) cautions.push_back(std::move(*text));
  return cautions;
}

std::optional<std::string> unread_caution(const Scenario& scenario, const std::vector<std::string>& varied) {
  const auto keys = unread_keys(scenario, varied);
  if (keys.empty()) return std::nullopt;
  return "nothing reads " + join(keys, ", ") + " in this scenario";
}

}  // namespace cohlink
