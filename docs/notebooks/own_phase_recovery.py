# %% [markdown]
# # An algorithm of one's own, graded
#
# Carrier phase recovery by the fourth power (A. J. Viterbi and A. M. Viterbi, IEEE Trans. Inf. Theory 29(4) 543, 1983)
# in eight lines of NumPy, put between cohlink's equaliser and its decisions, and graded as the receiver grades itself.

# %%
import numpy as np

import cohlink


def fourth_power(symbols, window=64):
    """symbols: (2, n) complex, one a symbol. QPSK to the fourth power is -1 times the carrier's fourth."""
    carrier = np.stack([np.convolve(-row.astype(complex) ** 4, np.ones(window), "same") for row in symbols])
    return symbols * np.exp(-0.25j * np.unwrap(np.angle(carrier), axis=1))


# %% [markdown]
# A link: 32 GBd QPSK at 11 dB OSNR, lasers of 500 kHz each. Every key has a unit, a range and a source.

# %%
for key in cohlink.keys("linewidth"):
    print(f"{key.name:40} {key.unit:5} {key.legal}")
sc = cohlink.Scenario({
    "signal.symbols": 32768,
    "channel.osnr_db": 11,
    "channel.polarisation_rotation_deg": 35,
    "transmitter.laser_linewidth_khz": 500,
    "laser_lo.linewidth_khz": 500,
})
cap = cohlink.simulate(sc, seed=3)
print(cap)
print("truth:", ", ".join(cap.truth))

# %% [markdown]
# The receiver's own phase search, ours in its place, and ours outside the chain: the last two are the same to the
# last bit.

# %%
receiver = cohlink.Receiver(sc)
print("stages:", ", ".join(receiver.stages))
own_search = receiver.run(cap)
before = receiver.run(cap, until="frequency (fine)")
outside = cohlink.score(fourth_power(before.symbols), cap, after=before)
inside = cohlink.Receiver(sc).replace("phase", fourth_power).run(cap)
assert (outside.errors, outside.bits) == (inside.errors, inside.bits)
for name, r in {"phase search": own_search, "fourth power": inside}.items():
    low, high = r.ber_interval
    print(f"{name}: BER {r.ber:.2e} ({low:.2e} to {high:.2e}), {r.slips} slips, SNR {r.snr_db:.2f} dB")

# %% [markdown]
# How long to average: few symbols let the noise through, many let the lasers run away. What lies between is the window
# to use at this linewidth. One capture serves all windows.

# %%
print("window  BER       slips")
for window in (8, 16, 32, 64, 128, 256):
    r = cohlink.score(fourth_power(before.symbols, window), cap, after=before)
    print(f"{window:6}  {r.ber:.2e}  {r.slips}" if r.ber is not None else f"{window:6}  no lock")
