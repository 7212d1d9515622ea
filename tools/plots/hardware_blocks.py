#!/usr/bin/env python3
"""One picture a hardware block: what the blocks do against what the formula says.

    hardware_curves | hardware_blocks.py -o FOLDER

Lines are formulas, points are measured on the blocks; writes FOLDER/hardware-*.png and .svg.
"""
import argparse
import csv
import os
import sys

import matplotlib.pyplot as plt

import style

FIGURES = {
    "modulator": ("An interferometer's extinction ratio sets the floor of its nulls",
                  "child Mach-Zehnder at its null bias", "drive (V_pi)", "power transmission (dB)", {}),
    "compression": ("Arcsine predistortion straightens the modulator",
                    "field of one quadrature, over its full swing", "wanted field", "field", {}),
    "dac": ("The hold droops, the path falls off, pre-emphasis lifts both",
            "tones through the converter on the simulation's grid", "frequency (GHz)", "response (dB)", {}),
    "driver": ("The driver is linear to half its saturation and never beyond it",
               "voltage of one lane", "voltage a linear driver would give (V)", "driver's output (V)", {}),
    "fibre": ("Dispersion widens a pulse; the right chirp shortens it first",
              "Gaussian pulse along fibre of 17 ps/(nm km), one dispersion length = 18.4 km for 20 ps",
              "distance (dispersion lengths)", "rms width over that at the input", {}),
    "preamplifier": ("A pre-amplifier beats thermal noise, at the price of its own",
                     "32 GBd QPSK, whole receiver: 12 dBm oscillator, 6 dB of loss, 0.8 A/W, 25 pA/sqrt(Hz)",
                     "received power (dBm)", "SNR (dB)", {}),
    "splitter": ("A splitter's angle adds to its leak as their powers do",
                 "output X, light of equal power in X and Y", "angle (degrees)", "Y over X (dB)", {}),
    "photodiodes": ("What balance lets through falls with the square of the mismatch",
                    "leak over beat in one output: 32 GBd QPSK at -10 dBm, oscillator 13 dBm",
                    "common-mode rejection (dB)", "leak over signal (dB)", {}),
    "electronics": ("All orders fall 3 dB at the bandwidth, higher ones faster beyond",
                    "tones through the amplifiers, Bessel path of 20 GHz", "frequency (GHz)", "response (dB)", {}),
    "coupling": ("AC coupling takes out the middle of the spectrum up to its corner",
                 "tones through the amplifiers, corner frequency as named", "frequency (MHz)", "response (dB)",
                 {"xscale": "log"}),
    "gain": ("Gain control holds the voltage; a set gain runs into saturation",
             "sine through the amplifier of one lane", "input current (uA rms)", "output voltage (mV rms)",
             {"xscale": "log"}),
    "laser": ("White frequency noise is the linewidth; 1/f noise rises below it",
              "one-sided frequency noise of 64 records of 65,536 samples", "frequency (Hz)", "frequency noise (Hz$^2$/Hz)",
              {"xscale": "log", "yscale": "log"}),
    "image": ("A hybrid phase error leaves an image of its half-angle tangent squared",
              "single tone, equal gains", "phase error (degrees)", "image over tone (dB)", {}),
    "oscillator": ("A stronger oscillator helps until shot noise rules - or its own RIN",
                   "32 GBd QPSK at -30 dBm, 20 pA/sqrt(Hz), whole receiver", "local oscillator power (dBm)", "SNR (dB)", {}),
    "adc": ("Jitter and sub-converters cost the fast sines most",
            "sine at 0.9 of full scale, 64 GSa/s", "frequency (GHz)", "SNR (dB)", {"xscale": "log"}),
}


def read(stream):
    """{figure: {series: ([x], [y])}} in the order of first appearance."""
    figures = {}
    for row in csv.reader(stream):
        if row[0] == "figure":
            continue
        series = ",".join(row[1:-2])
        x, y = figures.setdefault(row[0], {}).setdefault(series, ([], []))
        x.append(float(row[-2]))
        y.append(float(row[-1]))
    return figures


def draw(name, series):
    claim, detail, xlabel, ylabel, scales = FIGURES[name]
    figure = plt.figure(figsize=(7.6, 5.0))
    axes = figure.add_axes([0.11, 0.12, 0.85, 0.69])
    measured = [label for label in series if not label.endswith("theory")]
    for label, (x, y) in series.items():
        if label.endswith("theory"):
            own = label.removesuffix(", theory")
            colour = style.SERIES[measured.index(own)] if own in measured else style.SOFT_INK
            axes.plot(x, y, color=colour, linewidth=1.4, alpha=0.6, zorder=2, label=None if own in measured else own)
    for number, label in enumerate(measured):
        x, y = series[label]
        marker = style.MARKERS[number] if len(x) < 100 else None
        axes.plot(x, y, color=style.SERIES[number], marker=marker, linestyle="none" if marker else "-", markersize=4.4,
                  markerfacecolor=style.PAPER, markeredgewidth=1.2, zorder=3, label=label)
    axes.set(xlabel=xlabel, ylabel=ylabel, **scales)
    axes.grid(True)
    axes.legend(frameon=True, framealpha=0.9, facecolor=style.PAPER, edgecolor="none", fontsize=9)
    style.headline(figure, claim, detail, left=0.03)
    return figure


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("-o", "--output", required=True, metavar="FOLDER")
    arguments = parser.parse_args()
    os.makedirs(arguments.output, exist_ok=True)
    style.apply()
    for name, series in read(sys.stdin).items():
        style.save(draw(name, series), os.path.join(arguments.output, f"hardware-{name}"))


if __name__ == "__main__":
    main()
