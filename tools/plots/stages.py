#!/usr/bin/env python3
"""The constellation after every receiver block, side by side.

    stages.py RESULT.h5 -o STEM [--title TEXT]

Points are coloured by how dense they lie; writes STEM.png and STEM.svg.
"""
import argparse

import matplotlib.pyplot as plt
import numpy as np

import files
import style

EXTENT = 2.1  # of each panel, in units of the rms amplitude
WORDS = {
    "deskew": "lanes at the same time",
    "orthonormalise": "I and Q at right angles,\nequal scale",
    "resample": "two samples a symbol",
    "dispersion": "the fibre's chirp undone",
    "clock": "samples on the\ntransmitter's clock",
    "matched-filter": "noise outside the\npulse removed",
    "equaliser": "polarisations parted,\nsymbol centres found",
    "genie-polarisation": "known polarisation undone",
    "decimate": "one sample a symbol",
    "frequency": "laser beat stopped",  # finely; before the equaliser, see draw()
    "phase": "phase tracked: decide",
}


def local_density(points):
    """How many points lie near each, 0 to 1: a smoothed histogram, looked up at the points."""
    bins = 120
    edges = np.linspace(-EXTENT, EXTENT, bins + 1)
    counts, _, _ = np.histogram2d(points.real, points.imag, bins=[edges, edges])
    kernel = np.exp(-0.5 * (np.arange(-6, 7) / 2.2) ** 2)
    for axis in (0, 1):
        counts = np.apply_along_axis(np.convolve, axis, counts, kernel, mode="same")
    place = [np.clip(((part + EXTENT) / (2 * EXTENT) * bins).astype(int), 0, bins - 1)
             for part in (points.real, points.imag)]
    density = counts[place[0], place[1]]
    return density / density.max() if density.size and density.max() > 0 else density


def draw_panel(axes, points):
    points = points[(abs(points.real) < EXTENT) & (abs(points.imag) < EXTENT)]
    density = local_density(points)
    order = np.argsort(density, kind="stable")  # the densest on top
    axes.axhline(0, color=style.RULE, linewidth=0.7, zorder=0)
    axes.axvline(0, color=style.RULE, linewidth=0.7, zorder=0)
    axes.scatter(points.real[order], points.imag[order], c=density[order] ** 0.7, cmap=style.DENSITY, vmin=0, vmax=1, s=2.2,
                 linewidths=0, rasterized=True)
    axes.set(xlim=(-EXTENT, EXTENT), ylim=(-EXTENT, EXTENT), aspect="equal", xticks=[-1, 0, 1], yticks=[-1, 0, 1])
    axes.tick_params(length=2.5, labelbottom=False, labelleft=False)
    for side in ("top", "right"):
        axes.spines[side].set_visible(True)
    for spine in axes.spines.values():
        spine.set(color=style.RULE, linewidth=0.9)


def draw(result, title, detail):
    style.apply()
    names = sorted(result["stages"])
    columns, panel, gap, left = len(names), 1.52, 0.13, 0.62
    width, height = left + columns * (panel + gap) + 0.15, 5.1
    figure = plt.figure(figsize=(width, height))
    for column, name in enumerate(names):
        stage = result["stages"][name]["points"]
        block = files.text(stage, "block")
        for row, polarisation in enumerate("XY"):
            x = (left + column * (panel + gap)) / width
            y = (0.62 + (1 - row) * (panel + gap)) / height
            axes = figure.add_axes([x, y, panel / width, panel / height])
            draw_panel(axes, stage[row])
            if column == 0:
                axes.tick_params(labelleft=True)
                axes.set_ylabel(f"{polarisation}: quadrature", fontsize=9)
            if row == 1:
                axes.tick_params(labelbottom=True)
                axes.set_xlabel("in phase", fontsize=9)
            if row == 0:
                axes.annotate(f"{column + 1}  {block}", (0, 1), xycoords="axes fraction", xytext=(0, 26),
                              textcoords="offset points", fontweight="bold", fontsize=9.5, color=style.SERIES[0])
                coarse = block == "frequency" and stage.attrs["samples_per_symbol"] > 1
                axes.annotate("laser beat slowed" if coarse else WORDS.get(block, ""), (0, 1), xycoords="axes fraction", xytext=(0, 4),
                              textcoords="offset points", fontsize=7.6, color=style.SOFT_INK, linespacing=1.15)
    style.headline(figure, title, detail, left=0.15 / width, top=1 - 0.14 / height)
    figure.text(1 - 0.2 / width, 0.1 / height, "amplitudes in units of their rms; darker = more symbols", ha="right", fontsize=8,
                color=style.SOFT_INK)
    return figure


def describe(result):
    """The numbers below the title, from the result and the scenario stored in it."""
    attributes = result.attrs
    parts = []
    if "snr_db" in attributes:
        parts.append(f"SNR {attributes['snr_db']:.1f} dB")
    if "evm_percent" in attributes:
        parts.append(f"EVM {attributes['evm_percent']:.1f} %")
    if "ber" in attributes:
        low, high = attributes["ber_low"], attributes["ber_high"]
        parts.append(f"BER {attributes['ber']:.2g} (95 %: {low:.2g} to {high:.2g})")
    if "verdict" in attributes:
        parts.append(f"{files.text(result, 'verdict')} against the code's threshold of {attributes['threshold_ber']:g}")
    return ";  ".join(parts)


def default_title(result):
    signal = files.scenario(result)["signal"]
    fibre = files.scenario(result)["fibre"]
    spans = int(fibre["spans"])
    path = f"after {spans} x {fibre['span_length_km']} km" if spans else "back to back"
    return f"{float(signal['symbol_rate_gbd']):g} GBd DP-{signal['modulation'].upper()} {path}, block by block"


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("result")
    parser.add_argument("-o", "--output", required=True, metavar="STEM")
    parser.add_argument("--title")
    arguments = parser.parse_args()
    result = files.open_as(arguments.result, "cohlink result")
    title = arguments.title or default_title(result)
    style.save(draw(result, title, describe(result)), arguments.output)


if __name__ == "__main__":
    main()
