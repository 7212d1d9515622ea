#include "tests/published/fibre_wdm.h"

#include <cmath>

#include "sim/signal/propagation/propagation_engine.h"
#include "sim/signal/random.h"
#include "sim/signal/shaping.h"
#include "sim/signal/units.h"

namespace cohlink::wdm {
namespace {

std::vector<std::complex<double>> draw_symbols(const Signal& signal, RandomStream random) {
  if (constellation(signal.modulation).is_shaped())
    return map_bits(signal.modulation, shaped_bits(signal.modulation, signal.symbols, random), false);
  std::vector<std::complex<double>> symbols(signal.symbols);
  for (auto& s : symbols) {
    if (signal.modulation == Modulation::kGaussian) {
      s = random.complex_normal();
    } else {
      const auto& points = constellation(signal.modulation);
      s = points[random.bits() % points.size()];
    }
  }
  return symbols;
}

// Bin of the field's spectrum for signed bin k.
std::size_t place(std::ptrdiff_t k, std::size_t n) {
  return static_cast<std::size_t>(k < 0 ? k + static_cast<std::ptrdiff_t>(n) : k);
}

// Calls visit(signed bin relative to the channel's centre, amplitude) over the channel's band.
template <class Visit>
void over_band(const Signal& signal, const Visit& visit) {
  const double bin = signal.shape.symbol_rate / static_cast<double>(signal.symbols);
  const auto edge = static_cast<std::ptrdiff_t>(std::ceil(pulse_band_edge(signal.shape) / bin));
  for (std::ptrdiff_t k = -edge; k <= edge; ++k) {
    const double h = pulse_spectrum(signal.shape, static_cast<double>(k) * bin);
    if (h != 0.0) visit(k, h);
  }
}

std::size_t symbol_bin(std::ptrdiff_t k, std::size_t symbols) {
  const auto n = static_cast<std::ptrdiff_t>(symbols);
  return static_cast<std::size_t>(((k % n) + n) % n);
}

}  // namespace

Field<double> transmit(const Signal& signal, const FftCache& ffts, Sent& sent) {
  const std::size_t n = signal.symbols * signal.samples_per_symbol;
  Field<double> field(n, signal.shape.symbol_rate * static_cast<double>(signal.samples_per_symbol));
  const double bin = signal.shape.symbol_rate / static_cast<double>(signal.symbols);
  const RandomStreams streams(signal.seed);
  // Unit symbols have sum |S|^2 = symbols^2 over their bins; the RRC keeps that; each polarisation carries
  // half the power.
  const double scale = std::sqrt(signal.power / 2.0) / static_cast<double>(signal.symbols);
  for (int channel = -signal.channels_each_side; channel <= signal.channels_each_side; ++channel) {
    const auto offset = static_cast<std::ptrdiff_t>(std::llround(channel * signal.spacing / bin));
    for (int pol = 0; pol < 2; ++pol) {
      const auto symbols = draw_symbols(
          signal, streams.stream("symbols-" + std::to_string(channel) + "-" + std::to_string(pol)));
      if (channel == signal.under_test) (pol == 0 ? sent.x : sent.y) = symbols;
      ComplexRow<double> spectrum(symbols.begin(), symbols.end());
      ffts.get<double>(signal.symbols).forward(spectrum);
      over_band(signal, [&](std::ptrdiff_t k, double h) {
        (*field.rows()[pol])[place(k + offset, n)] += scale * h * spectrum[symbol_bin(k, signal.symbols)];
      });
    }
  }
  for (auto* row : field.rows()) ffts.get<double>(n).inverse(*row);
  return field;
}

double Reception::noise_to_signal() const {
  double sum = 0.0;
  for (std::size_t pol = 0; pol < 2; ++pol) {
    const double explained = std::norm(cross[pol]) / sent_power[pol];
    sum += (received_power[pol] - explained) / explained;
  }
  return sum / 2.0;
}

double Reception::noise_to_signal(std::complex<double> g) const {
  double sum = 0.0;
  for (std::size_t pol = 0; pol < 2; ++pol) {
    const double explained = std::norm(g) * sent_power[pol];
    sum += (received_power[pol] - 2.0 * std::real(std::conj(g) * cross[pol]) + explained) / explained;
  }
  return sum / 2.0;
}

template <class Real>
Reception receive(const Signal& signal, const Field<Real>& in, double beta2_length, const Sent& sent,
                  const FftCache& ffts) {
  Field<double> field = convert_field<double>(in);
  const double bin = signal.shape.symbol_rate / static_cast<double>(signal.symbols);
  const auto offset = static_cast<std::ptrdiff_t>(std::llround(signal.under_test * signal.spacing / bin));
  Reception reception;
  for (std::size_t pol = 0; pol < 2; ++pol) {
    auto& row = *field.rows()[pol];
    ffts.get<double>(field.size()).forward(row);
    ComplexRow<double> received(signal.symbols);
    over_band(signal, [&](std::ptrdiff_t k, double h) {
      received[symbol_bin(k, signal.symbols)] +=
          h * row[place(k + offset, field.size())] *
          std::conj(dispersion_response(beta2_length, 0.0, static_cast<double>(k + offset) * bin));
    });
    ffts.get<double>(signal.symbols).inverse(received);
    const auto& s = pol == 0 ? sent.x : sent.y;
    for (std::size_t i = 0; i < s.size(); ++i) {
      reception.cross[pol] += received[i] * std::conj(s[i]);
      reception.sent_power[pol] += std::norm(s[i]);
      reception.received_power[pol] += std::norm(received[i]);
    }
  }
  return reception;
}

template <class Real>
void propagate(Field<Real>& field, const PropagationPlan& plan, const FftCache& ffts) {
  PropagationEngine<Real>{ffts}(field, plan, RandomStreams(1));
}

template void propagate<float>(Field<float>&, const PropagationPlan&, const FftCache&);
template void propagate<double>(Field<double>&, const PropagationPlan&, const FftCache&);

template Reception receive<float>(const Signal&, const Field<float>&, double, const Sent&, const FftCache&);
template Reception receive<double>(const Signal&, const Field<double>&, double, const Sent&, const FftCache&);

}  // namespace cohlink::wdm
