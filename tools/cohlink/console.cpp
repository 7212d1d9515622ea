#include "tools/cohlink/console.h"

#include <unistd.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <cstdio>
#include <iostream>

#include "sim/link_setup.h"
#include "sim/optical_path.h"
#include "sim/signal/scenario/errors.h"
#include "sim/signal/scenario/printable.h"
#include "sim/signal/units.h"
#include "tools/study/plan/numbers.h"

namespace cohlink {
namespace {

struct HazardLevel {
  const char* name;
  double watt;  // upper limit at 1550 nm
};
// IEC 60825-2 at 1550 nm: 1M from an equipment guide, 1 and 3B from memory.
constexpr std::array<HazardLevel, 3> kHazardLevels = {{{"1", 10e-3}, {"1M", 136e-3}, {"3B", 500e-3}}};

}  // namespace

void note(bool quiet, const std::string& text) {
  if (!quiet) std::cerr << "cohlink: " << printable(text) << '\n';
}

void caution(const std::string& text) { std::cerr << "cohlink: caution: " << printable(text) << '\n'; }

void light_hazard_caution(double watt) {
  const HazardLevel* exceeded = nullptr;
  for (const auto& level : kHazardLevels)
    if (watt > level.watt) exceeded = &level;
  if (exceeded == nullptr) return;
  caution("on a real bench this fibre would carry " + readable(watt * 1e3, 3) + " mW (" +
          readable(watt_to_dbm(watt), 3) + " dBm), above hazard level " + exceeded->name + " (" +
          readable(exceeded->watt * 1e3, 3) +
          " mW at 1550 nm, IEC 60825-2); local rules and qualified staff decide what that takes");
}

void light_hazard_caution(const std::vector<Scenario>& scenarios) {
  double strongest = 0.0;
  for (const Scenario& scenario : scenarios) {
    try {
      strongest = std::max(strongest, peak_fibre_power(scenario));
    } catch (const InputError&) {
    }
  }
  light_hazard_caution(strongest);
}

void set_up_cautions(const std::vector<Scenario>& scenarios) {
  bool said = false;
  for (const Scenario& scenario : scenarios) {
    try {
      const LinkSetup setup = link_setup(scenario);
      if (const auto text = input_range_caution(setup)) caution(*text), said = true;
      if (const auto text = sampling_caution(setup)) caution(*text), said = true;
      if (said) return;
    } catch (const InputError&) {
    }
  }
}

ProgressBar::ProgressBar(bool quiet) : on_(!quiet), terminal_(isatty(STDERR_FILENO) == 1) {}

double ProgressBar::seconds() const { return std::chrono::duration<double>(Clock::now() - start_).count(); }

void ProgressBar::show(double done, const std::string& what, bool at_most) {
  const std::lock_guard lock(mutex_);
  const auto now = Clock::now();
  if (!on_ || now - last_ < (terminal_ ? std::chrono::milliseconds(150) : std::chrono::minutes(1))) return;
  last_ = now;
  const double part = std::clamp(done, 0.0, 1.0);
  std::string text = printable(what);
  // A guess from the first percent would mislead more than none.
  if (part > 0.01 && seconds() > 1.0)
    text += std::string(", ") + (at_most ? "at most " : "about ") +
            duration_text(seconds() * (1.0 - part) / part) + " left";
  if (!terminal_) return note(false, readable(std::floor(100.0 * part), 3) + " % done, " + text);
  constexpr int kCells = 28;
  const int full = static_cast<int>(part * kCells);
  std::cerr << "\r\033[K  " << std::string(static_cast<std::size_t>(full), '#')
            << std::string(static_cast<std::size_t>(kCells - full), '.') << "  " << text << std::flush;
  drawn_ = true;
}

void ProgressBar::clear() {
  if (drawn_) std::cerr << "\r\033[K" << std::flush;
  drawn_ = false;
}

}  // namespace cohlink
