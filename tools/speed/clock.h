// The thread's own processor time, which a busy machine disturbs least.
#pragma once

#include <ctime>

namespace cohlink {

inline double processor_time() {
  timespec t{};
  clock_gettime(CLOCK_THREAD_CPUTIME_ID, &t);
  return static_cast<double>(t.tv_sec) + 1e-9 * static_cast<double>(t.tv_nsec);
}

template <class Work>
double processor_seconds(const Work& work) {
  const double start = processor_time();
  work();
  return processor_time() - start;
}

}  // namespace cohlink
