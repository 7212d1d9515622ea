#include "sim/transmitter/transmitter.h"

#include <cmath>

#include "sim/optical_amplifier.h"
#include "sim/signal/pilots.h"
#include "sim/signal/prbs.h"
#include "sim/signal/record/hdf5.h"
#include "sim/signal/scenario/errors.h"
#include "sim/signal/shaping.h"

namespace cohlink {
namespace {

constexpr std::size_t kPrbsOffsetOfY = 5000011;

Bits random_bits(std::size_t count, RandomStream random) {
  Bits bits(count);
  std::uint64_t word = 0;
  for (std::size_t i = 0; i < count; ++i) {
    if (i % 64 == 0) word = random.bits();
    bits[i] = static_cast<std::uint8_t>((word >> (i % 64)) & 1);
  }
  return bits;
}

Symbols gaussian_symbols(std::size_t count, const RandomStream& random) {
  Symbols symbols(count);
  random.fill_noise(0, 1.0, std::span(symbols));
  return symbols;
}

Bits pattern_bits(const TransmitterParameters& p, std::size_t count, std::size_t polarisation,
                  const RandomStreams& streams) {
  const auto sequence = [&](int order) {
    return prbs(order, count,
                static_cast<std::size_t>(streams.frame()) * count + polarisation * kPrbsOffsetOfY);
  };
  switch (p.pattern) {
    case Pattern::kPrbs15:
      return sequence(15);
    case Pattern::kPrbs23:
      return sequence(23);
    case Pattern::kPrbs31:
      return sequence(31);
    default:
      break;
  }
  const RandomStream random = streams.stream(polarisation == 0 ? "bits-x" : "bits-y");
  const Constellation& c = constellation(p.modulation);
  return c.is_shaped() ? shaped_bits(p.modulation, count / static_cast<std::size_t>(c.bits()), random)
                       : random_bits(count, random);
}

}  // namespace

FrameData draw_data(const TransmitterParameters& p, const RandomStreams& streams) {
  FrameData data;
  const auto per_symbol = static_cast<std::size_t>(bits_per_symbol(p.modulation));
  for (std::size_t pol = 0; pol < 2; ++pol) {
    if (p.pattern == Pattern::kFile) {
      data.symbols[pol].assign(p.file_symbols[pol].begin(),
                               p.file_symbols[pol].begin() + static_cast<std::ptrdiff_t>(p.symbols));
      if (per_symbol > 0) data.bits[pol] = decide_bits(p.modulation, data.symbols[pol], p.differential);
    } else if (per_symbol == 0) {
      data.symbols[pol] = gaussian_symbols(p.symbols, streams.stream(pol == 0 ? "bits-x" : "bits-y"));
    } else if (!p.layout.has_payload_alone()) {
      data.bits[pol] = pattern_bits(p, data_symbols(p.layout, p.symbols) * per_symbol, pol, streams);
      data.symbols[pol] = p.layout.framed()
                              ? map_with_frame(p.modulation, data.bits[pol], p.layout, p.symbols, pol)
                              : map_with_pilots(p.modulation, data.bits[pol], p.layout.spacing, pol);
    } else {
      data.bits[pol] = pattern_bits(p, p.symbols * per_symbol, pol, streams);
      data.symbols[pol] = map_bits(p.modulation, data.bits[pol], p.differential);
    }
  }
  return data;
}

TransmittedFrame transmit(const TransmitterParameters& p, const RandomStreams& streams,
                          const Execution& execution) {
  const FftCache& fft = execution.ffts();
  TransmittedFrame out;
  out.data = draw_data(p, streams);
  Field<double>& light = out.field;  // drive waveforms I + iQ until the modulator makes light of them
  light.sample_rate = p.pulse.symbol_rate * static_cast<double>(p.samples_per_symbol);
  execution.check();
  light.x = shape_symbols(out.data.symbols[0], p.pulse, p.samples_per_symbol, fft);
  execution.check();
  light.y = shape_symbols(out.data.symbols[1], p.pulse, p.samples_per_symbol, fft);
  execution.check();
  const double shaped_power = mean_power(light);
  if (p.modulator.predistortion)
    out.predistortion_clipped_samples =
        predistort_arcsine(light, p.driver.volt_per_unit(), p.modulator.iq.v_pi);
  execution.check();
  out.dac = convert_to_analogue(light, p.dac, streams, fft);
  execution.check();
  amplify_drive(light, p.driver);
  apply_lane_errors(light, p.lane_errors, fft);

  execution.check();
  out.laser = run_laser(p.laser, "tx", {light.size(), light.sample_rate}, streams, execution);
  execution.check();
  // An ideal modulator scales with its drive; the launch amplifier makes up for what converter and driver
  // took.
  double taken = 1.0;
  if (p.modulator.kind == ModulatorKind::kIdeal)
    taken = mean_power(light) / shaped_power * mean_power(p.layout, p.modulation);
  const ModulatedLight modulated =
      modulate(light, out.laser, p.modulator, p.driver.volt_per_unit(), p.launch_power / taken);
  execution.check();
  out.carrier = modulated.carrier;
  out.bias = modulated.bias;
  out.noise_psd = amplifier_noise_psd(p.launch_power / modulated.power, p.launch_noise_factor, p.carrier);
  amplify(light, modulated.power_gain, out.noise_psd, streams.stream("launch-ase"));
  return out;
}

namespace {

/// Bits are what the receiver would decide: of a symbol beside the constellation they mean nothing.
void check_points(const std::string& path, Modulation modulation, std::span<const std::complex<double>> row) {
  constexpr double kRounding = 0.02;  // of unit power: a scale off by half a percent, few digits
  for (std::size_t k = 0; k < row.size(); ++k)
    if (!(std::abs(row[k] - nearest_point(modulation, row[k])) <= kRounding))
      throw InputError(path, "/symbols must hold points of " + std::string(modulation_name(modulation)) +
                                 " (signal.modulation); symbol " + std::to_string(k) + " is none");
}

}  // namespace

std::array<Symbols, 2> read_pattern_file(const std::string& path, std::size_t symbols,
                                         Modulation modulation) {
  const auto file = h5::File::open(path);
  const auto shape = file.shape("/symbols");
  if (shape.size() != 2 || shape[0] != 2)
    throw InputError(path, "/symbols must have the shape [2 polarisations, symbols]");
  if (shape[1] < symbols) {
    throw InputError(path, "/symbols holds " + std::to_string(shape[1]) +
                               " symbols, signal.symbols asks for " + std::to_string(symbols));
  }
  const auto flat = file.read<std::complex<double>>("/symbols");
  std::array<Symbols, 2> rows;
  for (std::size_t pol = 0; pol < 2; ++pol) {
    const auto first = flat.begin() + static_cast<std::ptrdiff_t>(pol * shape[1]);
    rows[pol].assign(first, first + static_cast<std::ptrdiff_t>(symbols));
    const double power = mean_power(rows[pol]);
    if (!(std::abs(power - 1.0) <= 0.01)) {
      throw InputError(path, "/symbols must have unit mean power in each polarisation (polarisation " +
                                 std::to_string(pol + 1) + " has " + std::to_string(power) + ")");
    }
    if (!constellation(modulation).empty()) check_points(path, modulation, rows[pol]);
  }
  return rows;
}

}  // namespace cohlink
