// Several processes that compute one study: rank 0 hands out frames, all of them compute. With MPI where the
// build found it and the program runs under mpirun; else one process. The numbers do not depend on it.
#pragma once

#include <functional>
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

/// A failure as a reply; throws it when `reply` is one.
std::string failure_reply(std::exception_ptr failure);
void throw_if_failure(const std::string& reply);

}  // namespace cohlink
