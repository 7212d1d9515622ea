#include "tools/cohlink/console.h"

#include <unistd.h>

#include <algorithm>
#include <cmath>
#include <cstdio>
#include <iostream>

#include "sim/optical_path.h"
#include "sim/signal/scenario/errors.h"
#include "sim/signal/scenario/printable.h"
#include "tools/study/cautions.h"
#include "tools/study/plan/numbers.h"

namespace cohlink {

void note(bool quiet, const std::string& text) {
  if (!quiet) std::cerr << "cohlink: " << printable(text) << '\n';
}

void caution(const std::string& text) { std::cerr << "cohlink: caution: " << printable(text) << '\n'; }

void light_hazard_caution(double watt) {
  if (const auto text = hazard_caution(watt)) caution(*text);
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
  for (const Scenario& scenario : scenarios) {
    try {
      const auto cautions = set_up_cautions_of(scenario);
      for (const auto& text : cautions) caution(text);
      if (!cautions.empty()) return;
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
