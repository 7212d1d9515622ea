#include "tools/cohlink/stopping.h"

#include <csignal>
#include <iostream>
#include <optional>

#include "sim/signal/scenario/printable.h"

namespace cohlink {
namespace {

std::optional<Execution> stoppable;
volatile std::sig_atomic_t caught = SIGINT;

void stop(int signal) {
  caught = signal;
  stoppable->stop();
  std::signal(signal, SIG_DFL);
}

}  // namespace

StopBySignal::StopBySignal(const Execution& execution) {
  stoppable.emplace(execution);
  std::signal(SIGINT, stop);
  std::signal(SIGTERM, stop);
}

StopBySignal::~StopBySignal() {
  std::signal(SIGINT, SIG_DFL);
  std::signal(SIGTERM, SIG_DFL);
  stoppable.reset();
}

int end_stopped(const std::string& left) {
  std::cerr << "cohlink: interrupted; " << printable(left) << '\n';
  return 128 + caught;
}

}  // namespace cohlink
