// The measured-speed programs, one function each; they print a table and return an exit status.
#pragma once

namespace cohlink {

/// `split-step [--quick]`: the cost of a split step beside that of its four bare FFTs, its growth with length
/// and batch, and throughput.
int speed_of_split_step(int argc, char** argv);

/// `receiver [SCENARIO]`: dual-polarisation symbols a second of each receiver block and of the whole chain,
/// in one thread, and the dispersion block beside its bare FFTs.
int speed_of_receiver(int argc, char** argv);

/// `noise`: random noise beside a Mersenne twister and a ziggurat.
int speed_of_noise(int argc, char** argv);

/// `captures [CHANNELS]`: where the time of a capture goes, of combs of up to so many channels (9; 0 = back
/// to back alone).
int speed_of_captures(int argc, char** argv);

/// `studies [--quick]`: what reuse and a second thread save in sweeps.
int speed_of_studies(int argc, char** argv);

/// `waterfall CODE BITS SEED RANKED BER...`: what a code leaves of the errors of white noise at these error
/// ratios.
int speed_of_waterfall(int argc, char** argv);

/// `waterfall CODE/FORMAT[/ENTROPY] BITS SEED BER|NGMI...`: the same of a format, as the receiver decodes it.
int speed_of_modulated_waterfall(int argc, char** argv);

/// `cuda-step`: the cost of a split step on a card beside that of its four bare cuFFT transforms.
int speed_of_cuda_step(int argc, char** argv);

/// `cuda-line`: a line of 20 spans on all cards beside one core.
int speed_of_cuda_line(int argc, char** argv);

}  // namespace cohlink
