# %% [markdown]
# # Which format, and what OSNR? A classifier trained on a generated set
#
# A data set of four formats at OSNRs from 15 to 25 dB, labelled by what was drawn. The format is told from the
# amplitudes behind the matched filter by a random forest; the OSNR from what the receiver, set up for the format that
# was told, says of the noise without knowing what was sent. Needs scikit-learn (Debian: python3-sklearn).

# %%
import tempfile

import numpy as np
from sklearn.ensemble import RandomForestClassifier
from sklearn.linear_model import LinearRegression

import cohlink

FORMATS = ["qpsk", "8qam", "16qam", "64qam"]
SC = cohlink.Scenario({"signal.symbols": 4096, "run.fft_planning": "estimated"})
folder = tempfile.TemporaryDirectory()
data = cohlink.Dataset.make(SC, 112, folder.name, {
    "signal.modulation": "choice:" + "|".join(FORMATS),
    "channel.osnr_db": "15:25",
    "transmitter.laser_linewidth_khz": "10:100",
    "laser_lo.frequency_offset_mhz": "-200:200",
}, split={"train": 0.7, "test": 0.3})
formats, osnr = data.labels["signal.modulation"], data.labels["channel.osnr_db"]
train, test = data.labels["split"] == "train", data.labels["split"] == "test"
print(f"{len(data)} items, {test.sum()} held out;", ", ".join(f"{(formats == f).sum()} {f}" for f in FORMATS))

# %% [markdown]
# Features: how often each amplitude occurs behind the matched filter, at the instants of the symbols. Carrier phase and
# frequency offset leave amplitudes alone. Nothing of the truth is used. (The path here mixes no polarisations; where it
# does, take the signal behind the equaliser.)


# %%
def amplitudes(item):
    signal = cohlink.Receiver(SC).run(item.capture, until="matched-filter")
    y = abs(signal.signal[:, ::2][:, 100:-100])
    counts, _ = np.histogram(y / np.sqrt(np.mean(y**2)), bins=48, range=(0, 2.2), density=True)
    return counts


features = np.array([amplitudes(item) for item in data])
forest = RandomForestClassifier(200, random_state=1).fit(features[train], formats[train])
told = forest.predict(features)
right = np.mean(told[test] == formats[test])
print(f"format: {100 * right:.1f} % of the held-out items right")


# %% [markdown]
# The SNR that a receiver of the told format finds blindly follows the OSNR in noise of 12.5 GHz, for each format with
# what its own decisions cost; the training items say how.

# %%
def blind_snr_db(item, modulation):
    capture = item.capture
    unknown = cohlink.Capture(capture.lanes, capture.sample_rate_hz, ampere_per_code=capture.ampere_per_code)
    return cohlink.Receiver(SC.copy().set("signal.modulation", modulation)).run(unknown).snr_db


snr = np.array([blind_snr_db(item, modulation) for item, modulation in zip(data, told)])
columns = np.column_stack([(told == f) * power for f in FORMATS for power in (np.ones_like(snr), snr, snr**2)])
line = LinearRegression(fit_intercept=False).fit(columns[train], osnr[train])
error = abs(line.predict(columns) - osnr)[test]
print(f"OSNR: mean error {np.mean(error):.3f} dB, worst {np.max(error):.2f} dB, held out")
folder.cleanup()
assert right > 0.98 and np.mean(error) < 0.3
