#include "tools/cohlink/resume.h"

#include <unistd.h>

#include <csignal>
#include <iostream>

#include "tools/cohlink/console.h"
#include "tools/study/plan/numbers.h"

namespace cohlink {
namespace {

// What is counted is in files already.
void end_interrupted(int signal) {
  constexpr char kText[] = "\ncohlink: interrupted; the same command goes on from here\n";
  [[maybe_unused]] const auto written = ::write(STDERR_FILENO, kText, sizeof kText - 1);
  ::_exit(128 + signal);
}

}  // namespace

void end_resumably() {
  std::signal(SIGINT, end_interrupted);
  std::signal(SIGTERM, end_interrupted);
}

std::unique_ptr<Journal> open_journal(const CommonOptions& options, const RunIdentity& identity) {
  if (options.output.empty()) return nullptr;
  auto journal = std::make_unique<Journal>(options.output + ".journal", identity);
  if (!journal->damage().empty()) caution(journal->damage());
  if (!journal->records().empty())
    note(options.quiet, "going on from " + options.output + ".journal, " +
                            grouped(journal->records().size()) + " results of an earlier run");
  end_resumably();
  return journal;
}

void end_journal(Journal* journal) {
  if (std::cout.flush() && journal != nullptr) journal->remove();
}

}  // namespace cohlink
