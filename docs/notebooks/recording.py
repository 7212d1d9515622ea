# %% [markdown]
# # A recording of somebody else's, received
#
# Four int8 lanes on a disk, as an oscilloscope leaves them: here made by cohlink and stripped of everything but the
# samples, so that what the receiver finds can be held against what was true.

# %%
import pathlib
import tempfile

import numpy as np

import cohlink

folder = tempfile.TemporaryDirectory()
path = pathlib.Path(folder.name) / "scope.bin"
link = cohlink.Scenario({
    "signal.symbols": 32768,
    "channel.osnr_db": 14,
    "channel.dgd_ps": 8,
    "channel.polarisation_rotation_deg": 40,
    "laser_lo.frequency_offset_mhz": 700,
    "transmitter.laser_linewidth_khz": 100,
    "laser_lo.linewidth_khz": 100,
    "frontend.hybrid_phase_error_deg": 4,
})
made = cohlink.simulate(link, seed=11)
made.lanes.T.astype(np.int8).tofile(path)  # XI XQ YI YQ, instant after instant

# %% [markdown]
# What is known of a recording: sample rate, symbol rate, pulse, format. The rest the receiver finds.

# %%
lanes = np.memmap(path, np.int8, "r").reshape(-1, 4).T
told = cohlink.Scenario({"signal.symbol_rate_gbd": 32, "signal.roll_off": link["signal.roll_off"],
                         "signal.modulation": "qpsk"})
recording = cohlink.Capture(lanes, 64e9, scenario=told)
r = cohlink.Receiver(told).run(recording)
print("locked:", r.locked)
print(f"SNR {r.snr_db:.2f} dB, frequency offset {r.frequency_offset_hz / 1e6:.1f} MHz "
      f"(truth {made.truth.frequency_offset_hz / 1e6:.1f} MHz)")
for text in r.warnings:
    print("warning:", text)

# %% [markdown]
# Where the symbols sent are known, the same recording is scored.

# %%
known = cohlink.Capture(lanes, 64e9, scenario=told, symbols=made.truth.symbols)
r = cohlink.Receiver(told).run(known)
print(f"BER {r.ber:.2e} ({r.ber_interval[0]:.2e} to {r.ber_interval[1]:.2e}), {r.errors} errors in {r.bits} bits, "
      f"{r.slips} slips, GMI {r.gmi_bits:.3f} bits a symbol and polarisation")
folder.cleanup()
