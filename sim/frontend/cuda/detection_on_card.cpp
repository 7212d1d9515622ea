#include "sim/frontend/cuda/detection_on_card.h"

#include <algorithm>
#include <array>
#include <atomic>
#include <cmath>
#include <span>
#include <stdexcept>
#include <string>
#include <utility>
#include <vector>

#include "sim/electronics/bessel.h"
#include "sim/frontend/adc_parts.h"
#include "sim/frontend/cuda/arrival.h"
#include "sim/signal/interpolate.h"
#include "sim/signal/propagation/cuda/pointwise.h"
#include "sim/signal/propagation/propagation_engine.h"

namespace cohlink {
namespace {

using namespace cuda;

Key key_of(const RandomStreams& streams, const char* source) {
  const std::uint64_t key = streams.stream(source).key();
  return {static_cast<std::uint32_t>(key), static_cast<std::uint32_t>(key >> 32)};
}

void set(double (&out)[2], std::complex<double> z) { out[0] = z.real(), out[1] = z.imag(); }

static_assert(kTaps == InterpolationWeights::kTaps && kPhases == InterpolationWeights::kPhases);

// One frame, stage by stage in the order of detection.cpp.
class Detection : private Arrival {
 public:
  Detection(const ArrivedOnCard& arrived, const ReceiverHardware& hardware, const RandomStreams& streams,
            const Execution& execution)
      : Arrival(arrived),
        hardware_(hardware),
        streams_(streams),
        execution_(execution),
        currents_(std::exchange(other_, nullptr)) {}

  void receive(ReceiverInput& input, PowerAtDiodes& power, const Oscillator& oscillator) {
    Coherency arriving = coherency();
    const InputGain gain = input_gain(arriving.x + arriving.y, hardware_.input);
    input = gain.input;
    if (gain.scale != 1.0 || gain.preamplifier != 1.0 || gain.noise_psd > 0.0) {
      cuda::receive(light_, n_,
                    {gain.scale, std::sqrt(gain.preamplifier), std::sqrt(gain.noise_psd * rate_),
                     key_of(streams_, "preamplifier-ase")},
                    stream());
      arriving = coherency();
    }
    power = power_at_diodes(arriving, oscillator, hardware_.optics);
  }

  void detect(const Oscillator& oscillator) {
    DetectPass pass;
    pass.light = light_;
    send_trace(oscillator.trace, pass);
    // A higher optical frequency is a negative bin.
    pass.turn = -kTwoPi * oscillator.parameters.frequency_offset / rate_;
    pass.n = n_;
    pass.shot = key_of(streams_, "shot-noise");
    pass.thermal = key_of(streams_, "thermal-noise");
    const auto& skews = hardware_.optics.pn_skew;
    const bool skewed = skews[0] != 0.0 || skews[1] != 0.0;
    Complex* minus = skewed ? memory_.minus.at_least<Complex>(2 * static_cast<std::size_t>(n_)) : nullptr;
    for (std::size_t pol = 0; pol < 2; ++pol) {
      pass.pol[pol] = diodes(oscillator.parameters, pol);
      pass.pol[pol].currents = row(currents_, pol);
      if (skews[pol] != 0.0) pass.pol[pol].minus = row(minus, pol);
    }
    photocurrents(pass, stream());
    for (std::size_t pol = 0; pol < 2; ++pol)
      if (skews[pol] != 0.0) delay_minus(pass.pol[pol], skews[pol]);
  }

  std::array<double, 4> amplify() {
    const ReceiverElectronicsParameters& p = hardware_.electronics;
    for (std::size_t pol = 0; pol < 2; ++pol) {
      const LaneResponse i = band(2 * pol), q = band(2 * pol + 1);
      if (i.order > 0 || q.order > 0 || p.low_cutoff > 0.0) filter(row(currents_, pol), i, q);
    }
    std::array<double, 4> gain = p.automatic_gain ? lane_rms(currents_, n_) : std::array<double, 4>{};
    for (double& g : gain) g = g > 0.0 ? p.output_rms / g : p.transimpedance;
    const std::array<double, 2> later = {0.0, p.xy_skew};
    for (std::size_t pol = 0; pol < 2; ++pol) {
      if (p.saturation)
        soft_limit(row(currents_, pol), n_, *p.saturation / gain[2 * pol], *p.saturation / gain[2 * pol + 1],
                   stream());
      delay(row(currents_, pol), later[pol], later[pol] + p.iq_skew);
    }
    return connect(gain);
  }

  AdcOutput convert(const std::array<double, 4>& transimpedance) {
    const AdcParameters& p = hardware_.adc;
    AdcOutput out;
    out.sine_jitter_start = kTwoPi * streams_.stream("adc-sine-jitter").uniform();
    const double rate = p.sample_rate * (1.0 + p.clock_offset), exact = n_ * rate / rate_;
    const auto m = samples_in_period(exact);
    send_errors();
    sample(static_cast<int>(m), exact, out.sine_jitter_start);
    std::array<double, 4> level{};
    if (!p.full_scale) level = sampled_rms(static_cast<int>(m));
    for (std::size_t l = 0; l < 4; ++l) out.ampere_per_code[l] = code_step(level[l], p, transimpedance[l]);
    quantise(static_cast<int>(m), out);
    return out;
  }

 private:
  // Four sums that `queue` leaves at its second argument, waited for.
  template <class Queue>
  std::array<double, 4> sums(const Queue& queue) {
    double* parts = memory_.sums.at_least<double>(4 * kSumBlocks + 4);
    double* host = memory_.host_sums.at_least<double>(4);
    queue(parts, parts + 4 * kSumBlocks);
    copy(host, parts + 4 * kSumBlocks, 4 * sizeof(double), cudaMemcpyDeviceToHost);
    worker_.wait();
    execution_.check();
    return {host[0], host[1], host[2], host[3]};
  }
  Coherency coherency() {
    const auto of = sums([&](double* parts, double* to) { sum_coherency(light_, n_, parts, to, stream()); });
    return {of[0] / n_, of[1] / n_, {of[2] / n_, of[3] / n_}};
  }
  std::array<double, 4> lane_rms(const Complex* rows, int n) {
    auto of = sums([&](double* parts, double* to) { sum_lanes(rows, n, parts, to, stream()); });
    for (double& square : of) square = std::sqrt(square / n);
    return of;
  }

  void send_trace(const LaserTrace& trace, DetectPass& pass) {
    const std::size_t phases = trace.phase.size(), powers = trace.relative_power.size();
    if (phases != static_cast<std::size_t>(n_))
      throw std::invalid_argument("oscillator phase and field differ in length");
    double* host = memory_.host_trace.at_least<double>(phases + powers);
    double* there = memory_.trace.at_least<double>(phases + powers);
    std::copy(trace.phase.begin(), trace.phase.end(), host);
    std::copy(trace.relative_power.begin(), trace.relative_power.end(), host + phases);
    copy(there, host, (phases + powers) * sizeof(double), cudaMemcpyHostToDevice);
    pass.phase = there;
    pass.relative_power = powers > 0 ? there + phases : nullptr;
  }

  DiodePass diodes(const LocalOscillatorParameters& oscillator, std::size_t pol) const {
    const FrontendParameters& p = hardware_.optics;
    const JonesMatrix splitter = splitter_matrix(p.splitter);
    const BalancedPair pair(p.photodiodes_of(pol), rate_);
    const DiodeFields fields = diode_fields(p, oscillator, pol);
    DiodePass out;
    set(out.from_x, pol == 0 ? splitter.xx : splitter.yx);
    set(out.from_y, pol == 0 ? splitter.xy : splitter.yy);
    const auto each = [](const HybridOutputs& h, double(&to)[4][2]) {
      const std::complex<double> all[4] = {h.i_plus, h.i_minus, h.q_plus, h.q_minus};
      for (int k = 0; k < 4; ++k) set(to[k], all[k]);
    };
    each(fields.of_signal, out.of_signal);
    each(fields.of_oscillator, out.of_oscillator);
    out.responsivity = pair.parameters().responsivity;
    out.mismatch = pair.parameters().mismatch;
    out.shot_scale = pair.shot_scale();
    out.dark = pair.dark_light();
    out.thermal_sigma = pair.thermal_deviation();
    return out;
  }

  void delay_minus(const DiodePass& pass, double skew) {
    add(pass.currents, pass.minus, 1.0, n_, stream());
    delay(pass.minus, skew, skew);
    add(pass.currents, pass.minus, -1.0, n_, stream());
  }

  LaneResponse band(std::size_t lane) const {
    const ReceiverElectronicsParameters& p = hardware_.electronics;
    LaneResponse out;
    out.bin = rate_ / n_;
    out.low_cutoff = p.low_cutoff;
    if (const auto bandwidth = p.bandwidth_of(lane)) {
      const BesselFilter filter(p.bandwidth_order, *bandwidth);
      out.order = p.bandwidth_order;
      out.scale = filter.scale();
      const auto& all = filter.coefficients();
      if (all.size() > LaneResponse::kMostCoefficients)
        throw std::invalid_argument("a card has no Bessel filter of that order");
      std::copy(all.begin(), all.end(), out.coefficients);
    }
    return out;
  }
  void filter(Complex* row, const LaneResponse& of_i, const LaneResponse& of_q) {
    transform(row, n_, 1, Transform::Direction::kForward);
    filter_lanes(row, n_, of_i, of_q, stream());
    transform(row, n_, 1, Transform::Direction::kInverse);
  }
  void delay(Complex* row, double of_i, double of_q) {
    if (of_i == 0.0 && of_q == 0.0) return;
    LaneResponse i, q;
    i.bin = q.bin = rate_ / n_;
    i.delay = of_i;
    q.delay = of_q;
    filter(row, i, q);
  }

  std::array<double, 4> connect(const std::array<double, 4>& transimpedance) {
    const auto& source = hardware_.adc.wiring.source;
    if (source == AdcWiring().source) return transimpedance;
    Wiring wiring;
    std::array<double, 4> out{};
    for (std::size_t l = 0; l < 4; ++l) {
      wiring.source[l] = static_cast<int>(source[l]);
      out[l] = transimpedance[source[l]];
    }
    rewire(light_, currents_, n_, wiring, stream());  // the light is used up
    std::swap(light_, currents_);
    return out;
  }

  // Of timing, gains and offsets [4][sub-converter], which follow each other; the latter two are set later.
  std::size_t errors() const { return 4 * subs(); }
  std::size_t subs() const { return hardware_.adc_errors.sub_gain[0].size(); }
  void send_errors() {
    converter_ = memory_.converter.at_least<double>(3 * errors());
    host_converter_ = memory_.host_converter.at_least<double>(3 * errors());
    double* to = host_converter_;
    for (const auto& timing : hardware_.adc_errors.sub_timing)
      to = std::copy(timing.begin(), timing.end(), to);
    copy(converter_, host_converter_, errors() * sizeof(double), cudaMemcpyHostToDevice);
  }

  // Into memory_.samples, lane after lane.
  void sample(int m, double exact, double sine_start) {
    const AdcParameters& p = hardware_.adc;
    const std::size_t count = static_cast<std::size_t>(m);
    samples_ = {memory_.samples.at_least<double>(4 * count), m};
    const double rate = p.sample_rate * (1.0 + p.clock_offset);
    const Band band = InputBand{rate_, rate, p.flat_band}.of(static_cast<std::size_t>(n_));
    const BandPass kept{static_cast<int>(band.above(static_cast<std::size_t>(n_))),
                        static_cast<int>(band.below(static_cast<std::size_t>(n_)))};
    transform(currents_, n_, 2, Transform::Direction::kForward);
    if (uniform(p) && is_whole(exact)) {
      Complex* rows = memory_.sampled.at_least<Complex>(2 * count);
      fold({rows, m}, {currents_, n_}, kept, stream());
      transform(rows, m, 2, Transform::Direction::kInverse);
      split_lanes(samples_, {rows, m}, stream());
      return;
    }
    Complex* dense = memory_.dense.at_least<Complex>(4 * static_cast<std::size_t>(n_));
    pad({dense, 2 * n_}, {currents_, n_}, kept, stream());
    transform(dense, 2 * n_, 2, Transform::Direction::kInverse);
    interpolate(samples_, {dense, 2 * n_}, weights(), clock(exact, sine_start), stream());
  }
  ClockPass clock(double exact, double sine_start) const {
    const AdcParameters& p = hardware_.adc;
    ClockPass out;
    out.grid = uniform(p);
    out.spacing = n_ / exact;
    out.clock_phase = p.clock_phase;
    out.rate = p.sample_rate * (1.0 + p.clock_offset);
    out.input_rate = rate_;
    std::copy(p.skew.begin(), p.skew.end(), out.skew);
    out.sine = p.sine_jitter;
    out.sine_turn = kTwoPi * p.sine_jitter_rate;
    out.sine_start = sine_start;
    out.jitter = p.jitter;
    out.key = key_of(streams_, "adc-jitter");
    out.timing = converter_;
    out.subs = static_cast<int>(subs());
    return out;
  }
  const double* weights() {
    const auto& table = interpolation_weights().at;
    const std::size_t count = table.size() * InterpolationWeights::kTaps;
    double* there = memory_.weights.at_least<double>(count);
    if (memory_.weights_there != there)
      copy(there, table.data(), count * sizeof(double), cudaMemcpyHostToDevice);
    return memory_.weights_there = there;
  }

  std::array<double, 4> sampled_rms(int m) {
    auto of = sums([&](double* parts, double* to) { sum_samples(samples_, parts, to, stream()); });
    for (double& square : of) square = std::sqrt(square / m);
    return of;
  }

  void quantise(int m, AdcOutput& out) {
    const std::size_t count = 4 * static_cast<std::size_t>(m);
    const Quantiser quantiser(hardware_.adc.quantiser);
    double* gain = host_converter_ + errors();
    double* offset = gain + errors();
    for (std::size_t l = 0; l < 4; ++l) {
      const LaneScale scale =
          lane_scale(hardware_.adc_errors, l, out.ampere_per_code[l], quantiser.full_scale());
      std::copy(scale.codes_per_ampere.begin(), scale.codes_per_ampere.end(), gain + l * subs());
      std::copy(scale.code_offset.begin(), scale.code_offset.end(), offset + l * subs());
    }
    copy(converter_ + errors(), gain, 2 * errors() * sizeof(double), cudaMemcpyHostToDevice);
    QuantisePass pass;
    pass.gain = converter_ + errors();
    pass.offset = converter_ + 2 * errors();
    pass.subs = static_cast<int>(subs());
    pass.full_scale = quantiser.full_scale();
    pass.noise = quantiser.noise();
    pass.key = key_of(streams_, "adc-noise");
    // Clipped samples are counted behind the codes, eight bytes that begin where four lanes end.
    auto* codes = memory_.codes.at_least<std::int16_t>(count + kCounter);
    auto* host = memory_.host_codes.at_least<std::int16_t>(count + kCounter);
    auto* clipped = reinterpret_cast<unsigned long long*>(codes + count);
    check(cudaMemsetAsync(clipped, 0, sizeof *clipped, stream()));
    pass.codes = codes;
    pass.clipped = clipped;
    cuda::quantise(samples_, pass, stream());
    copy(host, codes, (count + kCounter) * sizeof(std::int16_t), cudaMemcpyDeviceToHost);
    worker_.wait();
    for (std::size_t l = 0; l < 4; ++l)
      out.lanes[l].assign(host + l * static_cast<std::size_t>(m),
                          host + (l + 1) * static_cast<std::size_t>(m));
    std::uint64_t clipped_samples = 0;
    std::copy_n(reinterpret_cast<const char*>(host + count), sizeof clipped_samples,
                reinterpret_cast<char*>(&clipped_samples));
    out.clipped_samples = clipped_samples;
  }
  static constexpr std::size_t kCounter = sizeof(unsigned long long) / sizeof(std::int16_t);

  const ReceiverHardware& hardware_;
  const RandomStreams& streams_;
  const Execution& execution_;
  Complex* currents_;
  double *converter_ = nullptr, *host_converter_ = nullptr;
  LanesOnCard samples_;
};

}  // namespace

namespace {
std::atomic<bool> given_up{false};
}

bool detects_on_card(cohlink::Device chosen) {
  return (chosen == cohlink::Device::kCuda || !given_up) && whole_fft_at_hand();
}

void stop_detecting_on_card(const std::string& reason) {
  if (!given_up.exchange(true)) tell_of_loss(reason + "; from here on light is detected on the CPU");
}

void bring_back(const ArrivedOnCard& arrived, Field<double>& to) { Arrival(arrived).bring_back(to); }

DetectedFrame detect_light(const ArrivedOnCard& arrived, const ReceiverHardware& hardware,
                           const LaserTrace& trace, const RandomStreams& streams,
                           const Execution& execution) {
  const Oscillator oscillator{hardware.oscillator, trace};
  Detection detection(arrived, hardware, streams, execution);
  DetectedFrame out;
  detection.receive(out.input, out.power, oscillator);
  detection.detect(oscillator);
  out.transimpedance = detection.amplify();
  out.converted = detection.convert(out.transimpedance);
  return out;
}

}  // namespace cohlink
