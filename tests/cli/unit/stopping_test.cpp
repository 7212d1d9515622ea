// Signals during work that does not come to ask whether it is to stop.
#include "tools/cohlink/stopping.h"

#include <doctest/doctest.h>
#include <sys/wait.h>
#include <unistd.h>

#include <csignal>
#include <cstdlib>
#include <iostream>
#include <optional>
#include <string>

#include "sim/signal/record/atomic_file.h"

using namespace cohlink;

namespace {

struct Ended {
  int status = 0;
  std::string said;
};

// Runs work that never ends in a process of its own; how that ended, and its standard error.
template <class Work>
Ended ended(const Work& work) {
  int ends[2];
  REQUIRE(::pipe(ends) == 0);
  std::cout.flush();  // or the child would say it again
  const pid_t child = ::fork();
  REQUIRE(child >= 0);
  if (child == 0) {
    ::dup2(ends[1], STDERR_FILENO);
    const Execution execution(FftCache(FftPlanning::kEstimate, ""));
    const StopBySignal stop(execution, [] { return std::string("2 of 3 captures were written"); });
    work();
    for (;;) ::pause();
  }
  ::close(ends[1]);
  Ended out;
  char buffer[256];
  for (ssize_t got; (got = ::read(ends[0], buffer, sizeof buffer)) > 0;)
    out.said.append(buffer, static_cast<std::size_t>(got));
  ::close(ends[0]);
  int status = 0;
  ::waitpid(child, &status, 0);
  out.status = WIFEXITED(status) ? WEXITSTATUS(status) : -WTERMSIG(status);
  return out;
}

constexpr char kLine[] = "cohlink: interrupted; 2 of 3 captures were written\n";

}  // namespace

TEST_CASE("work that never asks is ended by a signal all the same, with its status and its line") {
  for (const int signal : {SIGINT, SIGTERM}) {
    const Ended out = ended([&] { std::raise(signal); });
    CHECK(out.status == 128 + signal);
    CHECK(out.said == kLine);
  }
}

TEST_CASE("a second signal ends it at once") {
  const Ended out = ended([] {
    const auto held = no_file_being_written();  // the orderly end would wait for this
    std::raise(SIGINT);
    std::raise(SIGINT);
  });
  CHECK(out.status == -SIGINT);
  CHECK(out.said.empty());
}

TEST_CASE("a file that is being written is finished before the end") {
  const Ended out = ended([] {
    const auto held = no_file_being_written();  // as by a writer
    std::raise(SIGTERM);
    ::usleep(5 * 1000 * StopBySignal::kGrace);
    REQUIRE(::write(STDERR_FILENO, "written\n", 8) == 8);
  });
  CHECK(out.status == 128 + SIGTERM);
  CHECK(out.said == std::string("written\n") + kLine);
}
