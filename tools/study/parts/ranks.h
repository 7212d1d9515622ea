// Several processes that compute one study: rank 0 hands out frames, all of them compute. With MPI where the
// build found it and the program runs under mpirun; else one process. The numbers do not depend on it.
#pragma once

#include <condition_variable>
#include <cstdint>
#include <deque>
#include <functional>
#include <future>
#include <map>
#include <mutex>
#include <string>
#include <vector>

#include "tools/study/run/executor.h"

namespace cohlink {

struct World {
  int rank = 0, size = 1;
  bool leads() const { return rank == 0; }
};

/// Of this process; {0, 1} without MPI.
const World& world();

/// Whether this build can run under MPI.
bool built_with_mpi();

/// Joins the other processes where the program was started by mpirun (or a batch system's launcher); leaves
/// them at the end of its life.
class MpiSession {
 public:
  MpiSession(int& argc, char**& argv);
  ~MpiSession();
  MpiSession(const MpiSession&) = delete;
  MpiSession& operator=(const MpiSession&) = delete;
};

/// Every rank says whether it can start and learns whether all can. To be called once by each.
bool all_go_on(bool this_one);

/// Rank 0 works by itself, and no rank waits for it: neither all_go_on nor leave_ranks follows.
void lead_alone();

/// For a rank that fails before it called all_go_on: keeps the others from waiting for it.
void leave_ranks();

/// Rank 0: gives the other ranks assignments until the dispatcher is done, rank r of lane r modulo `lanes`;
/// `take` their replies (throwing what a reply stands for). Returns when every rank has been told to stop,
/// with the last words of each.
std::vector<std::string> lead_ranks(
    Dispatcher& dispatcher, unsigned lanes,
    const std::function<void(const Assignment&, const std::string& reply)>& take);

/// The others: `compute` what rank 0 asks, on `threads` threads, until told to stop. A failure is sent as a
/// reply of its own (failure_of).
void follow_rank(unsigned threads, const std::function<std::string(const Assignment&)>& compute,
                 const std::function<std::string()>& last_words);

/// Rank 0 beside a study that learns what to ask next from what it has: whoever has a thread idle answers,
/// another rank or this one. MPI is spoken by the thread that calls serve alone.
class Courier {
 public:
  /// `own`: this rank's threads, and every other's.
  explicit Courier(unsigned own) : own_(own), idle_here_(own) {}
  /// How many jobs can be answered at a time.
  unsigned places() const { return own_ * static_cast<unsigned>(world().size); }
  /// The answer to `job`, a text of any length: another rank's, or what `locally` gives. Waits; called from
  /// many threads. Throws what a failure stands for.
  std::string answer(const std::string& job, const std::function<std::string()>& locally);
  /// Runs `study` on a thread of its own and carries its jobs to the other ranks until it ends; then sends
  /// them home. Their last words. Throws what the study threw.
  std::vector<std::string> serve(const std::function<void()>& study);

 private:
  struct Errand {
    int rank = 0;
    std::string text;
  };
  void take_mail(int from, bool reply, const std::string& text);
  std::vector<Errand> posted();
  bool all_answered() const;

  unsigned own_, idle_here_;
  mutable std::mutex mutex_;
  std::condition_variable changed_;
  std::deque<int> idle_;         // a rank for each of its idle threads
  std::vector<Errand> errands_;  // to be sent
  std::uint64_t sent_ = 0;
  std::map<std::uint64_t, std::promise<std::string>> waiting_;
};

/// The others, beside a Courier: `compute` answers to jobs, on `threads` threads, until told to stop.
void answer_courier(unsigned threads, const std::function<std::string(const std::string& job)>& compute,
                    const std::function<std::string()>& last_words);

/// A failure as a reply; throws it when `reply` is one.
std::string failure_reply(const std::exception_ptr& failure);
void throw_if_failure(const std::string& reply);

}  // namespace cohlink
