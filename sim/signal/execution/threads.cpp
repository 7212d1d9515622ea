#include "sim/signal/execution/threads.h"

#include <atomic>
#include <exception>
#include <mutex>
#include <thread>
#include <utility>
#include <vector>

namespace cohlink {
namespace {

/// Keeps the failure of the lowest index, so that the same bad sweep gives the same message.
class FirstFailure {
 public:
  void note(std::size_t index, std::exception_ptr failure) {
    if (!failure_ || index < index_) {
      index_ = index;
      failure_ = std::move(failure);
    }
  }
  void rethrow() const {
    if (failure_) std::rethrow_exception(failure_);
  }

 private:
  std::size_t index_ = 0;
  std::exception_ptr failure_;
};

}  // namespace

void run_threads(unsigned threads, const std::function<void()>& body) {
  std::vector<std::thread> pool;
  for (unsigned i = 1; i < threads; ++i) pool.emplace_back(body);
  body();
  for (auto& thread : pool) thread.join();
}

void for_each_index(std::size_t count, unsigned threads, const std::function<void(std::size_t)>& work) {
  std::atomic<std::size_t> next = 0;
  std::atomic<bool> failed = false;
  std::mutex mutex;
  FirstFailure failure;
  run_threads(threads, [&] {
    for (std::size_t i = next++; i < count && !failed; i = next++) {
      try {
        work(i);
      } catch (...) {
        const std::lock_guard lock(mutex);
        failure.note(i, std::current_exception());
        failed = true;
      }
    }
  });
  failure.rethrow();
}

}  // namespace cohlink
