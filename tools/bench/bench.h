// The measured-speed programs, one function each; they print a table and return an exit status.
#pragma once

namespace cohlink {

/// `split-step [--quick]`: the cost of a split step beside that of its four bare FFTs, its growth with length
/// and batch, and throughput.
int bench_split_step(int argc, char** argv);

/// `receiver [SCENARIO]`: dual-polarisation symbols a second of each receiver block and of the whole chain,
/// in one thread, and the dispersion block beside its bare FFTs.
int bench_receiver(int argc, char** argv);

/// `noise`: random noise beside a Mersenne twister and a ziggurat.
int bench_noise(int argc, char** argv);

/// `studies [--quick]`: what reuse and a second thread save in sweeps.
int bench_studies(int argc, char** argv);

/// `waterfall CODE BITS SEED RANKED BER...`: what a code leaves of the errors of white noise at these error
/// ratios.
int bench_waterfall(int argc, char** argv);

/// `cuda-step`: the cost of a split step on a card beside that of its four bare cuFFT transforms.
int bench_cuda_step(int argc, char** argv);

/// `cuda-line`: a line of 20 spans on all cards beside one core.
int bench_cuda_line(int argc, char** argv);

}  // namespace cohlink
