// speed: measured speed, as ratios taken in one run.
#include <cstdio>
#include <cstring>
#include <exception>

#include "tools/speed/speed.h"

namespace {

struct Measurement {
  const char* name;
  int (*run)(int argc, char** argv);
};
constexpr Measurement kMeasurements[] = {
    {"split-step", cohlink::speed_of_split_step}, {"receiver", cohlink::speed_of_receiver},
    {"noise", cohlink::speed_of_noise},           {"captures", cohlink::speed_of_captures},
    {"studies", cohlink::speed_of_studies},       {"waterfall", cohlink::speed_of_waterfall},
#ifdef COHLINK_CUDA
    {"cuda-step", cohlink::speed_of_cuda_step},   {"cuda-line", cohlink::speed_of_cuda_line},
#endif
};

constexpr char kUsage[] =
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
    "  studies      sweeps with reuse over the work they save, and two threads over one";

}  // namespace

int main(int argc, char** argv) {
  try {
    for (const Measurement& measurement : kMeasurements)
      if (argc > 1 && std::strcmp(argv[1], measurement.name) == 0) return measurement.run(argc - 1, argv + 1);
  } catch (const std::exception& error) {
    std::fprintf(stderr, "speed: %s\n", error.what());
    return 3;
  }
  std::puts(kUsage);
  return argc > 1 && std::strcmp(argv[1], "--help") == 0 ? 0 : 2;
}
