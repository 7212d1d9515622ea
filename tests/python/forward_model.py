"""The codes of a capture, made anew from its truth: docs/capture-format.md, "From the truth to the codes".

Written from that page alone. Needs numpy and h5py; noise and the Kerr effect are not modelled.
"""
import math

import h5py
import numpy as np

SPEED_OF_LIGHT = 299792458.0
WAVELENGTH = 1550e-9


def ratio(db):
    """Field ratio 10^(-db/20): 0 for infinite rejection."""
    return 10.0 ** (-np.asarray(db) / 20.0)


def per_lane(function, row):
    """A real function on both lanes of a complex row."""
    return function(row.real) + 1j * function(row.imag)


def saturate(x, limit):
    return x / (1.0 + (x / limit) ** 4) ** 0.25


def rounded(codes, bits):
    return np.clip(np.rint(codes), -(2 ** (bits - 1)), 2 ** (bits - 1) - 1)


def delayed(lane, frequency, delay):
    """A real, periodic lane later by `delay`."""
    return np.fft.ifft(np.fft.fft(lane) * np.exp(-2j * np.pi * frequency * delay)).real


def bessel(order, bandwidth):
    """Response of the Bessel low-pass, its delay taken out."""
    factorial = math.factorial
    theta = [factorial(2 * order - k) / (2 ** (order - k) * factorial(k) * factorial(order - k))
             for k in range(order + 1)]

    def response(x):
        return theta[0] / np.polyval(theta[::-1], 1j * x) * np.exp(1j * x)

    low, high = 0.0, 10.0
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if abs(response(middle)) > math.sqrt(0.5) else (low, middle)
    return lambda f: response(low * f / bandwidth)


class Capture:
    """A capture's truth as attributes, None for what is missing."""

    def __init__(self, path):
        with h5py.File(path, "r") as file:
            samples = file["/adc/samples"]
            self.codes = samples[:].astype(float)
            self.rate = float(samples.attrs["sample_rate_hz"])
            self.ampere_per_code = samples.attrs["ampere_per_code"]
            self.truth = {name: item[()] for name, item in file["/truth"].items() if hasattr(item, "shape")}
            for group in ("transmitter", "frontend", "lanes"):
                self.truth.update({f"{group}/{name}": item[()] for name, item in file["/truth"][group].items()})

    def get(self, name):
        return self.truth.get(name)


class ForwardModel:
    """Predicts the codes of every lane, step by step."""

    def __init__(self, capture):
        self.capture, self.get = capture, capture.get
        codes, points = self.get("symbol_codes"), self.get("constellation")
        self.symbols = self.get("symbols") if codes is None else points[codes]
        self.symbol_rate = float(self.get("transmitter/symbol_rate_hz"))
        self.sim_rate = float(self.get("transmitter/simulated_rate_hz"))
        self.per_symbol = round(self.sim_rate / self.symbol_rate)
        self.n = self.symbols.shape[1] * self.per_symbol
        self.time = np.arange(self.n) / self.sim_rate
        self.frequency = np.fft.fftfreq(self.n, 1.0 / self.sim_rate)

    def codes(self):
        field = self.received([self.modulated(pol, self.drive(pol)) for pol in range(2)])
        currents, source = list(self.currents(self.split(field))), self.get("lanes/source_lane")
        return np.array([self.lane_codes(lane, currents[lane if source is None else int(source[lane])])
                         for lane in range(4)])

    # Transmitter.

    def drive(self, pol):
        row = self.shaped(self.symbols[pol])
        unit = self.get("transmitter/drive_v_per_unit")
        if (v_pi := self.get("transmitter/predistortion_v_pi_v")) is not None:
            k = np.pi * unit / (2.0 * v_pi)
            row = per_lane(lambda u: np.arcsin(np.clip(k * u, -1.0, 1.0)) / k, row)
        row = self.converted(row)
        if (limit := self.get("transmitter/driver_saturation_v")) is not None:
            row = per_lane(lambda u: saturate(u, limit / unit), row)
        gain, skew = self.get("transmitter/gain"), self.get("transmitter/skew_ps") * 1e-12
        lanes = [gain[lane] * delayed(part, self.frequency, skew[lane])
                 for lane, part in ((2 * pol, row.real), (2 * pol + 1, row.imag))]
        return lanes[0] + 1j * lanes[1]

    def shaped(self, symbols):
        f, r = np.abs(self.frequency) / self.symbol_rate, self.get("transmitter/roll_off")
        if r is None:
            spectrum = np.where(f < 1.0, np.sinc(f), 0.0)
        else:
            edge = np.clip((f - 0.5 * (1.0 - r)) / r, 0.0, 1.0)
            spectrum = np.cos(0.5 * np.pi * edge)
        impulses = np.zeros(self.n, complex)
        impulses[::self.per_symbol] = symbols
        # White symbols of unit power: mean power is sum |H|^2 x symbols / n^2.
        scale = self.n / math.sqrt(np.sum(spectrum**2) * len(symbols))
        return np.fft.ifft(np.fft.fft(impulses) * spectrum) * scale

    def dac_response(self, f):
        response, rate = np.ones(len(f), complex), self.get("transmitter/dac_sample_rate_hz")
        if rate is not None:
            response *= np.sinc(f / rate)
        if (bandwidth := self.get("transmitter/dac_bandwidth_hz")) is not None:
            response *= bessel(int(self.get("transmitter/dac_bandwidth_order")), bandwidth)(f)
        return response

    def converted(self, row):
        rate = self.get("transmitter/dac_sample_rate_hz")
        m = self.n if rate is None else round(self.n * rate / self.sim_rate)
        spectrum, response = np.fft.fft(row) / self.n, self.dac_response(self.frequency)
        if (lift := self.get("transmitter/preemphasis_db")) is not None:
            gain = np.minimum(1.0 / np.maximum(np.abs(response), 1e-30), 10.0 ** (lift / 20.0))
            inside = np.abs(self.frequency) <= 0.5 * (rate or self.sim_rate)
            spectrum *= np.where(inside, gain * np.exp(-1j * np.angle(response)), 1.0)
        bins = np.rint(self.frequency * self.n / self.sim_rate).astype(int)
        folded = np.zeros(m, complex)
        np.add.at(folded, bins % m, spectrum)
        samples = np.fft.ifft(folded) * m
        if (bits := self.get("transmitter/dac_bits")) is not None:
            samples = per_lane(lambda x: self.dac_rounded(x, int(bits)), samples)
        return np.fft.ifft(np.fft.fft(samples)[bins % m] / m * response) * self.n

    def dac_rounded(self, x, bits):
        full_scale = math.sqrt(np.mean(x**2)) * 10.0 ** (-self.get("transmitter/dac_loading_db") / 20.0)
        step = full_scale / 2 ** (bits - 1)
        return step * rounded(x / step, bits)

    def modulated(self, pol, u):
        turn = 1j * np.exp(1j * np.radians(self.get("transmitter/phase_error_deg")[pol]))
        if (v_pi := self.get("transmitter/v_pi_v")) is None:
            field = u.real + turn * u.imag
        else:
            bias = np.radians(self.get("transmitter/bias_deg"))
            inner, outer = (ratio(self.get("transmitter/extinction_db")),
                            ratio(self.get("transmitter/outer_extinction_db")))
            unit = self.get("transmitter/drive_v_per_unit")

            def child(lane, x):
                half = 0.5 * (np.pi * unit * x / v_pi - np.pi + bias[lane])
                return np.cos(half) + 1j * inner[lane] * np.sin(half)

            field = (1.0 + outer) * child(2 * pol, u.real) + turn * (1.0 - outer) * child(2 * pol + 1, u.imag)
        q = 10.0 ** (self.get("transmitter/xy_power_imbalance_db") / 10.0)
        share = q / (1.0 + q) if pol == 0 else 1.0 / (1.0 + q)
        return math.sqrt(share) * field * self.laser("tx")

    def laser(self, name):
        centres = np.arange(len(self.get(f"{name}_phase_rad"))) / self.symbol_rate
        phase = np.interp(self.time, centres, self.get(f"{name}_phase_rad"))
        power = self.get(f"{name}_relative_power")
        amplitude = 1.0 if power is None else np.sqrt(np.interp(self.time, centres, power))
        return amplitude * np.exp(1j * phase)

    # Path.

    def received(self, sent):
        dispersion = self.get("dispersion_ps_per_nm") * 1e-3
        slope = self.get("dispersion_slope_ps_per_nm2") * 1e6
        per_metre = WAVELENGTH / (2.0 * np.pi * SPEED_OF_LIGHT)
        b2 = -dispersion * WAVELENGTH * per_metre
        b3 = per_metre**2 * (WAVELENGTH**2 * slope + 2.0 * WAVELENGTH * dispersion)
        w = 2.0 * np.pi * self.frequency
        spread = [np.fft.fft(e) * np.exp(1j * (b2 * w**2 / 2.0 - b3 * w**3 / 6.0)) for e in sent]
        times, out = self.get("jones_time_s"), np.zeros((2, self.n), complex)
        for k, jones in enumerate(self.get("jones")):
            weight = np.interp(self.time, times, np.arange(len(times)) == k)
            for row in range(2):
                spectrum = sum(self.between(jones[:, row, column]) * spread[column] for column in range(2))
                out[row] += weight * np.fft.ifft(spectrum)
        return out

    def between(self, element):
        grid = self.get("jones_frequency_hz")
        return np.interp(self.frequency, grid, element.real) + 1j * np.interp(self.frequency, grid, element.imag)

    # Front end.

    def split(self, field):
        e, angle = (float(ratio(self.get("frontend/pbs_extinction_db"))),
                    math.radians(self.get("frontend/pbs_angle_deg")))
        x = math.cos(angle) * field[0] + math.sin(angle) * field[1]
        y = -math.sin(angle) * field[0] + math.cos(angle) * field[1]
        return np.array([x + 1j * e * y, 1j * e * x + y]) / math.sqrt(1.0 + e * e)

    def currents(self, split):
        beat = np.exp(-2j * np.pi * self.get("frequency_offset_hz") * self.time)
        oscillator = self.laser("lo") * beat
        powers, diodes = self.get("frontend/signal_power_w"), self.get("frontend/responsivity_a_per_w")
        for lane in range(4):
            pol = lane // 2
            signal = split[pol] / math.sqrt(np.mean(np.abs(split[pol]) ** 2))
            k = np.pi / 2.0 + math.radians(self.get("frontend/coupler_phase_error_deg")[pol])
            p = -np.pi / 2.0 + math.radians(self.get("frontend/hybrid_phase_error_deg")[pol])
            phases = ((k, 2 * k + p), (2 * k, k + p)) if lane % 2 == 0 else ((0.0, k), (k, 0.0))
            plus, minus = (
                diodes[lane][d] * np.abs(math.sqrt(powers[lane][d]) * np.exp(1j * phases[d][0]) * signal +
                                         math.sqrt(self.get("frontend/lo_power_w")[lane][d]) *
                                         np.exp(1j * phases[d][1]) * oscillator) ** 2 for d in range(2))
            yield plus - delayed(minus, self.frequency, self.get("frontend/pn_skew_ps")[pol] * 1e-12)

    # Electronics and converter.

    def lane_codes(self, lane, current):
        rate = self.capture.rate * (1.0 + self.get("lanes/clock_offset_ppm") * 1e-6)
        current = self.amplified(lane, current)
        spectrum = np.fft.fft(current)
        if self.get("lanes/bandwidth_hz") is None:
            spectrum[np.abs(self.frequency) > 0.5 * rate] = 0.0
        x = self.sampled(spectrum, self.instants(lane, rate))
        subs = np.arange(len(x)) % self.get("lanes/interleaving_gain").shape[1]
        gain = self.get("lanes/gain")[lane] * (1.0 + self.get("lanes/interleaving_gain")[lane][subs])
        offset = (self.get("lanes/offset_of_full_scale")[lane] +
                  self.get("lanes/interleaving_offset_of_full_scale")[lane][subs])
        bits = int(self.get("lanes/bits"))
        return rounded(x / self.capture.ampere_per_code[lane] * gain + 2 ** (bits - 1) * offset, bits)

    def amplified(self, lane, current):
        response, corner = np.ones(self.n, complex), self.get("lanes/low_cutoff_hz")
        own, bandwidth = self.get("lanes/own_bandwidth_hz"), self.get("lanes/bandwidth_hz")
        if own is not None:
            bandwidth = own[lane] if np.isfinite(own[lane]) else None
        if bandwidth is not None:
            response *= bessel(int(self.get("lanes/bandwidth_order")), bandwidth)(self.frequency)
        if corner > 0.0:
            response *= 1j * self.frequency / (1j * self.frequency + corner)
        current = np.fft.ifft(np.fft.fft(current) * response).real
        if (limit := self.get("lanes/saturation_v")) is not None:
            current = saturate(current, limit / self.get("lanes/transimpedance_ohm")[lane])
        return current

    def instants(self, lane, rate):
        k = np.arange(self.capture.codes.shape[1])
        t = (k + self.get("lanes/clock_phase_samples")) / rate
        timing = self.get("lanes/interleaving_skew_ps")[lane]
        wave = np.sin(2.0 * np.pi * self.get("lanes/sine_jitter_rate_hz") * t +
                      self.get("lanes/sine_jitter_phase_rad"))
        return (t - self.get("lanes/skew_ps")[lane] * 1e-12 - timing[k % len(timing)] * 1e-12 +
                self.get("lanes/sine_jitter_fs") * 1e-15 * wave)

    def sampled(self, spectrum, instants):
        """A real periodic row at any instants: sixteen times as dense by its spectrum, then a cubic."""
        dense = 16 * self.n
        half = spectrum[:self.n // 2 + 1].copy()
        half[-1] *= 0.5  # the bin at half the rate stands for both signs (n is even)
        row = np.fft.irfft(half, dense) * 16.0
        place = instants * self.sim_rate * 16.0
        base = np.floor(place).astype(int)
        u = place - base
        a, b, c, d = (row[(base + k) % dense] for k in (-1, 0, 1, 2))
        return (b + 0.5 * u * (c - a + u * (2.0 * a - 5.0 * b + 4.0 * c - d + u * (3.0 * (b - c) + d - a))))


def agreement_db(path, edge_symbols=128):
    """Power of the codes over that of what the model misses, of the worst lane, edges of the frame left out."""
    capture = Capture(path)
    predicted = ForwardModel(capture).codes()
    edge = round(edge_symbols * capture.rate / float(capture.get("transmitter/symbol_rate_hz")))
    inner = slice(edge, capture.codes.shape[1] - edge)
    worst = math.inf
    for codes, model in zip(capture.codes[:, inner], predicted[:, inner]):
        missed = np.mean((codes - model) ** 2)
        if missed > 0.0:
            worst = min(worst, 10.0 * math.log10(np.mean(codes**2) / missed))
    return worst
