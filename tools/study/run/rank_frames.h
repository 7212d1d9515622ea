// Studies that search, under mpirun: rank 0 walks, all ranks compute its frames.
#pragma once

#include <functional>

#include "tools/study/search/search.h"

namespace cohlink {

/// What a search is given to work with.
struct FrameWork {
  SourceMaker source;    ///< its frames come from whichever rank has a thread idle
  unsigned threads = 1;  ///< how many to ask for at a time
};

/// Rank 0: runs `study` with frames of `local` spread over all ranks, each computing on `threads` threads;
/// alone, on its own. `remark` hears where a rank rounds otherwise (arithmetic.h). The numbers do not depend
/// on who computes. Calls all_go_on; RunError where another rank could not start.
void share_frames(const SourceMaker& local, const FftCache& fft, unsigned threads,
                  const std::function<void(const FrameWork&)>& study,
                  const std::function<void(const std::string&)>& remark);

/// The other ranks: compute frames of `local` as rank 0 asks.
void follow_frames(const SourceMaker& local, const FftCache& fft, unsigned threads);

/// `asked` (0: one a core, under mpirun one a rank), never more than `jobs`.
unsigned threads_of_rank(std::int64_t asked, std::size_t jobs);

}  // namespace cohlink
