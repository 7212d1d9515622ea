// The measured-speed programs, one function each; they print a table and return an exit status.
#pragma once

namespace cohlink {

/// `split-step [--quick]`: the cost of a split step beside that of its four bare FFTs, its growth with length
/// and batch, and throughput.
int bench_split_step(int argc, char** argv);

}  // namespace cohlink
