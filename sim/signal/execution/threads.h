// Work spread over threads.
#pragma once

#include <cstddef>
#include <functional>

namespace cohlink {

/// Runs `body` on `threads` threads, the calling one among them, until all have returned. It must not throw.
void run_threads(unsigned threads, const std::function<void()>& body);

/// Calls work(0) ... work(count - 1) on up to `threads` threads; the failure of the lowest index is thrown.
void for_each_index(std::size_t count, unsigned threads, const std::function<void(std::size_t)>& work);

}  // namespace cohlink
