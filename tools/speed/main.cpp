// speed: measured speed, as ratios taken in one run.
#include <cstdio>
#include <cstring>
#include <exception>

#include "tools/speed/speed.h"

int main(int argc, char** argv) {
  try {
    if (argc > 1 && std::strcmp(argv[1], "split-step") == 0)
      return cohlink::speed_of_split_step(argc - 1, argv + 1);
    if (argc > 1 && std::strcmp(argv[1], "receiver") == 0)
      return cohlink::speed_of_receiver(argc - 1, argv + 1);
    if (argc > 1 && std::strcmp(argv[1], "noise") == 0) return cohlink::speed_of_noise(argc - 1, argv + 1);
    if (argc > 1 && std::strcmp(argv[1], "captures") == 0)
      return cohlink::speed_of_captures(argc - 1, argv + 1);
    if (argc > 1 && std::strcmp(argv[1], "studies") == 0)
      return cohlink::speed_of_studies(argc - 1, argv + 1);
    if (argc > 1 && std::strcmp(argv[1], "waterfall") == 0)
      return cohlink::speed_of_waterfall(argc - 1, argv + 1);
#ifdef COHLINK_CUDA
    if (argc > 1 && std::strcmp(argv[1], "cuda-step") == 0)
      return cohlink::speed_of_cuda_step(argc - 1, argv + 1);
    if (argc > 1 && std::strcmp(argv[1], "cuda-line") == 0)
      return cohlink::speed_of_cuda_line(argc - 1, argv + 1);
#endif
  } catch (const std::exception& error) {
    std::fprintf(stderr, "speed: %s\n", error.what());
    return 3;
  }
  std::puts(
      "usage: speed split-step [--quick] [--from K] [--to K]\n"
      "       speed receiver [SCENARIO.ini]\n"
      "       speed noise\n"
      "       speed captures [CHANNELS]\n"
      "       speed studies [--quick]\n"
      "       speed waterfall ofec|cfec|staircase BITS SEED RANKED BER...\n"
      "       speed waterfall CODE/FORMAT[/ENTROPY] BITS SEED BER|NGMI...\n"
      "       speed cuda-step | cuda-line          (builds with the CUDA engine)\n\n"
      "  split-step   one split step over its four bare FFTs, by length (2^K), batch and precision\n"
      "  receiver     symbols a second of every receiver block, one thread; default QPSK over 17,000 ps/nm\n"
      "  noise        complex noise, single and double precision, over a Mersenne twister and a ziggurat\n"
      "  captures     where the time of a capture goes, back to back and behind combs of up to so many "
      "channels\n"
      "  waterfall    what a code leaves of the errors of white noise on QPSK, or on a format by the "
      "receiver's LLRs, and its speed\n"
      "  cuda-step    one split step on a card over its four bare cuFFT transforms, by length, batch, "
      "precision\n"
      "  cuda-line    20 spans on all cards beside one core of the CPU\n"
      "  studies      sweeps with reuse over the work they save, and two threads over one");
  return argc > 1 && std::strcmp(argv[1], "--help") == 0 ? 0 : 2;
}
