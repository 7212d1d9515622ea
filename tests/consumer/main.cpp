// Simulates one frame back to back, receives it, and holds the BER against theory: what a program of somebody
// else's would do first with the installed library.
#include <cmath>
#include <cstdio>

#include "rx/receiver.h"
#include "sim/link.h"
#include "sim/signal/version.h"

int main() try {
  cohlink::Scenario scenario;
  scenario.set("signal.symbols=16384", "consumer");
  scenario.set("channel.osnr_db=12", "consumer");
  cohlink::FftCache fft;
  const cohlink::Capture capture = cohlink::Link(scenario, fft)(0);
  const cohlink::ReceiverResult result = cohlink::Receiver(scenario, fft)(capture);
  if (!result.score) return std::puts("no lock"), 1;
  // QPSK, Gray: BER = erfc(sqrt(SNR / 2)) / 2 (Proakis, Digital Communications, ch. 4; from memory), with
  // OSNR in 12.5 GHz over both polarisations at 32 GBd.
  const double snr = std::pow(10.0, 1.2) * 12.5 / 32.0, theory = 0.5 * std::erfc(std::sqrt(snr / 2));
  const auto& interval = result.score->interval;
  std::printf("cohlink %s: BER %.2e, %.2e to %.2e; theory %.2e\n", cohlink::version().number,
              result.score->both.ber(), interval.low, interval.high, theory);
  // The ideal chain stays within 0.2 dB of theory: a blind equaliser and a phase search, no more.
  const double with_penalty = 0.5 * std::erfc(std::sqrt(snr * std::pow(10.0, -0.02) / 2));
  return interval.high > theory && interval.low < with_penalty ? 0 : 1;
} catch (const std::exception& error) {
  std::fprintf(stderr, "%s\n", error.what());
  return 1;
}
