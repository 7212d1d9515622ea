#include "tools/cohlink/stopping.h"

#include <semaphore.h>

#include <cerrno>
#include <chrono>
#include <csignal>
#include <cstdlib>
#include <iostream>
#include <optional>
#include <semaphore>
#include <thread>
#include <utility>

#include "sim/signal/record/atomic_file.h"
#include "sim/signal/scenario/printable.h"

namespace cohlink {
namespace {

std::optional<Execution> stoppable;
volatile std::sig_atomic_t caught = SIGINT;
sem_t rung;  // by a signal, or by the end of the work

void stop(int signal) {
  caught = signal;
  stoppable->stop();
  ::sem_post(&rung);
  std::signal(signal, SIG_DFL);
}

}  // namespace

// Waits for a signal, then so long for the work to end.
class StopBySignal::Watch {
 public:
  explicit Watch(std::function<std::string()> left) : left_(std::move(left)), thread_([this] { run(); }) {}
  ~Watch() {
    over_.release();
    ::sem_post(&rung);
    thread_.join();
  }

 private:
  void run() {
    while (::sem_wait(&rung) != 0 && errno == EINTR) continue;
    if (over_.try_acquire_for(std::chrono::milliseconds(kGrace))) return;
    const auto none_begun = no_file_being_written();
    if (over_.try_acquire_for(std::chrono::milliseconds(5))) return;  // a file just written is counted
    std::_Exit(end_stopped(left_()));  // nothing is cleaned up that the work still uses
  }

  std::function<std::string()> left_;
  std::binary_semaphore over_{0};
  std::thread thread_;
};

StopBySignal::StopBySignal(const Execution& execution, std::function<std::string()> left) {
  stoppable.emplace(execution);
  ::sem_init(&rung, 0, 0);
  watch_ = std::make_unique<Watch>(std::move(left));
  std::signal(SIGINT, stop);
  std::signal(SIGTERM, stop);
}

StopBySignal::~StopBySignal() {
  std::signal(SIGINT, SIG_DFL);
  std::signal(SIGTERM, SIG_DFL);
  watch_.reset();
  ::sem_destroy(&rung);
  stoppable.reset();
}

int end_stopped(const std::string& left) {
  std::cerr << "cohlink: interrupted; " << printable(left) << '\n';
  return 128 + caught;
}

}  // namespace cohlink
