// Runs that may be ended at any time and gone on with by the same command.
#pragma once

#include <memory>

#include "tools/cohlink/command_line.h"
#include "tools/study/parts/journal.h"

namespace cohlink {

/// From here on Ctrl-C (exit status 130) and SIGTERM (143) say that the same command goes on.
void end_resumably();

/// The journal beside the output, with what an earlier run left in it (which is noted); null without an
/// output. Calls end_resumably.
std::unique_ptr<Journal> open_journal(const CommonOptions& options, const RunIdentity& identity);

/// The end of a run, after everything is printed: the journal goes once that is out. Where standard output
/// refuses, or something ends the program before, the same command prints it again without computing.
void end_journal(Journal* journal);

}  // namespace cohlink
