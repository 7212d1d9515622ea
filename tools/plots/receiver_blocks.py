#!/usr/bin/env python3
"""What every receiver block does: the signal before and after it, one picture a block.

    receiver_blocks.py RESULT.h5 -o STEM
    receiver_blocks.py RESULT.h5 --without OTHER.h5 --block BLOCK [--words WITHOUT,WITH] -o STEM

Constellations and spectra of X before and after, and where a block measured something along the capture (timing, an
error, a phase) that as well; all from the result file. Writes STEM-BLOCK.png for each block of the chain; a frequency
block before the equaliser is called frequency-coarse.

What some blocks do shows only at the chain's end. With --without, the recovered symbols of a reception that lacked the
block (or had it otherwise) stand beside those that had it, each with its SNR, and the block's spectra: STEM-BLOCK.png alone is
written. --words says what the two are, where "without" and "with" would not do.
"""
import argparse

import matplotlib.pyplot as plt
import numpy as np

import files
import style
from stages import draw_panel

POLARISATIONS = ("X", "Y")


def name_of(stage):
    block = files.text(stage["points"], "block")
    return "frequency-coarse" if block == "frequency" and stage["points"].attrs["samples_per_symbol"] > 1 else block


def signals_of(stage):
    """(words, unit, symbols, rows) of what the block measured."""
    for name in stage:
        if f"{name}_symbol" in stage:
            yield name.replace("_", " "), files.text(stage[name], "unit"), stage[f"{name}_symbol"][:], stage[name][:]


def draw_constellation(axes, stage, words):
    draw_panel(axes, stage["points"][0])
    axes.set_title(words, loc="left", fontsize=9.5)
    axes.tick_params(labelbottom=False, labelleft=False)


def draw_spectra(axes, before, after):
    looks = [(before, style.SERIES[4], "before"), (after, style.SERIES[0], "after")]
    shown = [look for look in looks if "frequency_hz" in look[0]]
    for stage, colour, _ in shown:
        axes.plot(stage["frequency_hz"][:] / 1e9, np.maximum(stage["spectrum_db"][0], -40), color=colour, linewidth=1.1)
    axes.set(xlabel="frequency [GHz]", ylim=(-40, 12))
    axes.set_title("power density of X [dB]", loc="left", fontsize=9.5)
    style.key(axes, [(words, colour) for _, colour, words in shown])
    axes.grid(True)


def draw_signal(axes, signal):
    words, unit, symbols, rows = signal
    for values, colour, dashes in zip(rows, style.SERIES, ("-", (0, (5, 3)))):  # one on the other where found together
        axes.plot(symbols / 1e3, values, color=colour, linewidth=1.0, linestyle=dashes)
    if len(rows) > 1:
        style.key(axes, list(zip(POLARISATIONS, style.SERIES)))
    axes.set(xlabel="symbol [thousands]")
    axes.set_title(words + (f" [{unit}]" if unit else ""), loc="left", fontsize=9.5)
    axes.grid(True)


def draw(before, after):
    signals = list(signals_of(after))
    widths = [1, 1, 1.5] + [1.7] * len(signals)
    figure, panels = plt.subplots(1, len(widths), figsize=(2.1 * sum(widths), 2.75), gridspec_kw={"width_ratios": widths})
    draw_constellation(panels[0], before, "X before")
    draw_constellation(panels[1], after, "X after")
    draw_spectra(panels[2], before, after)
    for axes, signal in zip(panels[3:], signals):
        draw_signal(axes, signal)
    figure.tight_layout()
    return figure


def draw_comparison(without, result, block, words):
    """Recovered symbols of both receptions (`words` for each), and the block's spectra in the one that had it."""
    before, pair = result["input"], None
    for name in sorted(result["stages"]):
        stage = result["stages"][name]
        if name_of(stage) == block:
            pair = before, stage
        before = stage
    if pair is None:
        files.refuse(f"{result.filename}: no block '{block}' in its chain")
    figure, panels = plt.subplots(1, 3, figsize=(2.3 * 3.5, 2.75), gridspec_kw={"width_ratios": [1, 1, 1.4]})
    for axes, file, what in zip(panels, (without, result), words):
        last = file["stages"][sorted(file["stages"])[-1]]
        draw_constellation(axes, last, f"{what}: SNR {file.attrs['snr_db']:.1f} dB")
    draw_spectra(panels[2], *pair)
    figure.tight_layout()
    return figure


def save(figure, path):
    figure.savefig(path, dpi=110, metadata={"Software": None})
    plt.close(figure)
    print(path)


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("result")
    parser.add_argument("-o", "--output", required=True, metavar="STEM")
    parser.add_argument("--without", metavar="OTHER.h5", help="result of a reception without the block")
    parser.add_argument("--block", help="the block that --without lacked, or had otherwise")
    parser.add_argument("--name", help="of the picture instead of the block's")
    parser.add_argument("--words", default="without,with", metavar="WITHOUT,WITH", help="what the two receptions are")
    arguments = parser.parse_args()
    words = arguments.words.split(",")
    if len(words) != 2:
        parser.error("--words: two, parted by a comma")
    if (arguments.without is None) != (arguments.block is None):
        parser.error("--without and --block go together")
    result = files.open_as(arguments.result, "cohlink result")
    style.apply()
    if arguments.without:
        without = files.open_as(arguments.without, "cohlink result")
        save(draw_comparison(without, result, arguments.block, words), f"{arguments.output}-{arguments.name or arguments.block}.png")
        return
    before = result["input"]
    for name in sorted(result["stages"]):
        after = result["stages"][name]
        save(draw(before, after), f"{arguments.output}-{name_of(after)}.png")
        before = after


if __name__ == "__main__":
    main()
