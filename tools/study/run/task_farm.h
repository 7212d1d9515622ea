// Independent tasks, known by number, each with a line of text for its result: spread over threads and ranks,
// kept in a journal. The lines do not depend on who makes them.
#pragma once

#include <functional>
#include <string>
#include <vector>

#include "tools/study/parts/journal.h"

namespace cohlink {

struct TaskFarm {
  std::size_t count = 0;
  /// The result of one task, without a line end. Called from many threads at once.
  std::function<std::string(std::size_t)> compute;
  /// Tasks of this process's part; the lines of others stay empty.
  std::function<bool(std::size_t)> ours = [](std::size_t) { return true; };
};

struct FarmOptions {
  unsigned threads = 1;
  Journal* journal = nullptr;
  std::function<void(std::size_t done, std::size_t of)> progress;  // under a lock
  std::string last_words;  // how this process rounds; those of the other ranks come back in FarmResult
};

struct FarmResult {
  std::vector<std::string> lines;  // one a task
  std::vector<std::string> last_words;
};

/// Rank 0 hands out, in order, and gets all lines; the other ranks work for it and get none. The first
/// failure ends the run: of those met, that of the lowest task is thrown.
FarmResult run_tasks(const TaskFarm& farm, const FarmOptions& options);

}  // namespace cohlink
