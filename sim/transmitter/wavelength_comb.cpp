#include "sim/transmitter/wavelength_comb.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <string>
#include <utility>

#include "sim/signal/phasors.h"
#include "sim/signal/units.h"

namespace cohlink {
namespace {

// Adds `channel`, moved up by `bins` FFT bins, to the comb.
void add_at(Field<double>& comb, const Field<double>& channel, long bins) {
  constexpr std::size_t kRun = 256;
  const std::size_t n = comb.size();
  // The turn is reduced to a whole count of 1/n first: exact however long the frame.
  const auto turned = [&](std::size_t t) {
    const auto part = static_cast<long long>(t) * bins % static_cast<long long>(n);
    return std::polar(1.0, kTwoPi * static_cast<double>(part) / static_cast<double>(n));
  };
  std::array<std::complex<double>, kRun> within;
  for (std::size_t k = 0; k < kRun; ++k) within[k] = turned(k);
  for (std::size_t first = 0; first < n; first += kRun) {
    const std::complex<double> start = turned(first);
    for (std::size_t k = 0, t = first; t < std::min(n, first + kRun); ++k, ++t) {
      const std::complex<double> shift = start * within[k];
      comb.x[t] += shift * channel.x[t];
      comb.y[t] += shift * channel.y[t];
    }
  }
}

// Neighbours are made at so many samples a symbol, which hold all their light: a pulse ends within a symbol
// rate of the carrier, and of a laser's line the share linewidth / (pi f) lies beyond f, 1e-6 beyond two
// symbol rates for 100 kHz at 16 GBd. They cost what they are wide then, however wide the comb.
constexpr std::size_t kNeighbourSamples = 4;

// Adds the spectrum of `channel`, moved up by `bins`, to that of the comb, whose frame is as long in time. So
// scaled that an inverse transform makes the field.
void add_spectrum_at(Field<double>& comb, Field<double>& channel, long bins, const FftCache& fft) {
  const auto n = static_cast<long>(comb.size()), own = static_cast<long>(channel.size());
  const auto& transform = fft.get<double>(channel.size());
  for (std::size_t pol = 0; pol < 2; ++pol) {
    auto& light = *channel.rows()[pol];
    transform.forward(light);
    for (long k = 0; k < own; ++k) {
      const long bin = ((k < own - own / 2 ? k : k - own) + bins) % n;
      (*comb.rows()[pol])[static_cast<std::size_t>(bin < 0 ? bin + n : bin)] +=
          light[static_cast<std::size_t>(k)] / static_cast<double>(own);
    }
  }
}

TransmitterParameters neighbour_transmitter(const TransmitterParameters& p, const Channel& channel) {
  TransmitterParameters neighbour;
  neighbour.modulation = channel.modulation;
  neighbour.pulse = channel.pulse;
  neighbour.symbols = p.symbols;
  neighbour.samples_per_symbol = std::min(p.samples_per_symbol, kNeighbourSamples);
  neighbour.laser.linewidth = p.laser.linewidth;
  neighbour.launch_power = channel.power;
  return neighbour;
}

}  // namespace

TransmittedFrame transmit_comb(const TransmitterParameters& p, const Comb& comb, const RandomStreams& streams,
                               const Execution& execution) {
  const FftCache& fft = execution.ffts();
  TransmittedFrame out = transmit(p, streams, execution);
  if (comb.channels.size() == 1) return out;
  const double frame_rate = out.field.sample_rate / static_cast<double>(out.field.size());
  const auto bins = [&](const Channel& channel) { return std::lround(channel.frequency / frame_rate); };
  Field<double> all(out.field.size(), out.field.sample_rate);
  for (std::size_t k = 0; k < comb.channels.size(); ++k) {
    if (k == comb.under_test) continue;
    execution.check();
    const Channel& channel = comb.channels[k];
    const RandomStreams own = streams.of("channel-" + std::to_string(channel.number));
    Field<double> light = transmit(neighbour_transmitter(p, channel), own, execution).field;
    add_spectrum_at(all, light, bins(channel), fft);
  }
  for (auto* row : all.rows()) fft.get<double>(all.size()).inverse(*row);
  add_at(all, out.field, bins(comb.channels[comb.under_test]));
  out.field = std::move(all);
  return out;
}

void tune_to(Field<double>& field, double frequency, double delay, const FftCache& fft) {
  if (frequency == 0.0 && delay == 0.0) return;
  const std::size_t n = field.size();
  const auto& transform = fft.get<double>(n);
  const auto bins = std::lround(frequency * static_cast<double>(n) / field.sample_rate);
  const std::size_t shift =
      static_cast<std::size_t>(((bins % static_cast<long>(n)) + static_cast<long>(n)) % static_cast<long>(n));
  std::vector<double> phase(n);
  for (std::size_t k = 0; k < n; ++k) phase[k] = kTwoPi * bin_frequency(k, n, field.sample_rate) * delay;
  ComplexRow<double> turns(n);
  fill_phasors(phase, turns);
  for (auto* row : field.rows()) {
    transform.forward(*row);
    std::rotate(row->begin(), row->begin() + static_cast<std::ptrdiff_t>(shift), row->end());
    for (std::size_t k = 0; k < n; ++k) (*row)[k] *= turns[k] / static_cast<double>(n);
    transform.inverse(*row);
  }
}

}  // namespace cohlink
