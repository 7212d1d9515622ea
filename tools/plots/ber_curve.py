#!/usr/bin/env python3
"""BER curves with their 95 % intervals, and theory where a closed form exists.

    ber_curve.py CURVE.h5 [CURVE.h5 ...] -o STEM [--title TEXT]

Draws the last varied key along x and one curve for every value of the others; writes STEM.png and STEM.svg.
"""
import argparse
import itertools

import matplotlib.pyplot as plt
import numpy as np
from matplotlib.ticker import FuncFormatter, LogLocator

import files
import style

# Longer names for axes; any other key is shown by its own.
AXIS_NAMES = {
    "channel.osnr_db": "OSNR in 12.5 GHz (dB)",
    "transmitter.launch_power_dbm": "launch power (dBm)",
    "transmitter.laser_linewidth_khz": "linewidth of the transmit laser (kHz)",
    "laser_lo.linewidth_khz": "linewidth of the local oscillator (kHz)",
    "channel.extra_dispersion_ps_per_nm": "dispersion (ps/nm)",
    "channel.dgd_ps": "differential group delay (ps)",
    "frontend.received_power_dbm": "received power (dBm)",
    "fibre.spans": "spans",
}
MODULATIONS = {"qpsk": "QPSK", "16qam": "16QAM", "gaussian": "Gaussian"}


def short(value):
    return value if isinstance(value, str) else f"{value:g}"


def label(modulation, given):
    """"16QAM, adc.bits = 6": the modulation and the outer keys of a line."""
    given = dict(given)
    modulation = given.pop("signal.modulation", modulation)
    return ", ".join([MODULATIONS[modulation]] + [f"{name} = {short(value)}" for name, value in given.items()])


def series(curve):
    """Yields (label, x, columns) for every line of a curve file; columns are 1-D arrays by name."""
    names = files.axes(curve)
    modulation = files.scenario(curve)["signal"]["modulation"]
    outer = [files.axis_values(curve, name) for name in names[:-1]]
    for place in itertools.product(*(range(len(values)) for values in outer)):
        given = [(name, values[i]) for name, values, i in zip(names, outer, place)]
        columns = {name: curve[name][place] for name in ("ber", "ber_low", "ber_high", "ber_theory")}
        yield label(modulation, given), files.axis_values(curve, names[-1]), columns


def smooth_theory(x, ber):
    """Theory is stored at the points; a polynomial through its logarithm draws it between them."""
    known = np.isfinite(ber) & (ber > 0)
    if known.sum() < 4:
        return x[known], ber[known]
    fine = np.linspace(x[known][0], x[known][-1], 200)
    fit = np.polynomial.Polynomial.fit(x[known], np.log10(ber[known]), min(6, known.sum() - 1))
    return fine, 10 ** fit(fine)


def draw_line(axes, number, name, x, columns):
    colour = style.SERIES[number % len(style.SERIES)]
    axes.plot(*smooth_theory(x, columns["ber_theory"]), color=colour, linewidth=1.4, alpha=0.55, zorder=2)
    counted = columns["ber"] > 0
    ber = columns["ber"][counted]
    interval = [ber - columns["ber_low"][counted], columns["ber_high"][counted] - ber]
    bars = axes.errorbar(x[counted], ber, yerr=interval, fmt=style.MARKERS[number % len(style.MARKERS)], color=colour,
                         markersize=4.6, markerfacecolor=style.PAPER, markeredgewidth=1.3, elinewidth=1.1, capsize=2.4,
                         capthick=1.0, zorder=3)
    return bars, name, x[counted], ber


def label_lines(axes, lines):
    """Names beside the curves; where several lie close, in a key on the empty side below them."""
    if len(lines) > 2 or any("=" in name for _, name, _, _ in lines):
        key = axes.legend([bars for bars, _, _, _ in lines], [name for _, name, _, _ in lines], loc="lower left",
                          frameon=False, handlelength=1.2, fontsize=9)
        for text, (bars, _, _, _) in zip(key.get_texts(), lines):
            text.set_color(bars[0].get_color())
        return
    for bars, name, x, ber in lines:
        if len(ber) == 0:
            continue
        place = 2 * len(ber) // 3  # the falling part, with room on its right
        axes.annotate(name, (x[place], ber[place]), xytext=(11, 5), textcoords="offset points",
                      color=bars[0].get_color(), fontweight="bold", fontsize=10.5)


def draw_thresholds(axes, curves):
    """The pre-FEC threshold that verdicts were passed on, where a file states one."""
    seen = set()
    for curve in curves:
        threshold = curve.attrs.get("threshold_ber")
        if threshold is None or threshold in seen:
            continue
        seen.add(threshold)
        axes.axhline(threshold, color=style.SOFT_INK, linewidth=0.9, dashes=(1.5, 2.5), zorder=1)
        axes.annotate(f"code threshold {threshold:g}", (1.0, threshold), xycoords=("axes fraction", "data"), xytext=(-2, 4),
                      textcoords="offset points", ha="right", fontsize=8.5, color=style.SOFT_INK)


def power_of_ten(value, _):
    exponent = int(round(np.log10(value)))
    return f"$10^{{{exponent}}}$"


def draw(curves, title, detail):
    style.apply()
    figure = plt.figure(figsize=(7.6, 5.4))
    axes = figure.add_axes([0.1, 0.12, 0.86, 0.7])
    axes.set_yscale("log")
    lines = []
    for curve in curves:
        for name, x, columns in series(curve):
            lines.append(draw_line(axes, len(lines), name, x, columns))
    label_lines(axes, lines)
    draw_thresholds(axes, curves)
    axes.yaxis.set_major_locator(LogLocator(base=10))
    axes.yaxis.set_major_formatter(FuncFormatter(power_of_ten))
    axes.grid(True, which="major")
    axes.grid(True, which="minor", axis="y", linewidth=0.35)
    key = files.axes(curves[0])[-1]
    axes.set_xlabel(AXIS_NAMES.get(key, key))
    axes.set_ylabel("bit error ratio before FEC")
    style.headline(figure, title, detail, left=0.03)
    return figure


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("curve", nargs="+")
    parser.add_argument("-o", "--output", required=True, metavar="STEM")
    parser.add_argument("--title", default="Bit error ratio")
    arguments = parser.parse_args()
    curves = [files.open_as(path, "cohlink curve") for path in arguments.curve]
    errors = sum(int(curve["errors"][()].sum()) for curve in curves)
    detail = f"points: {errors:,} errors counted, bars are 95 % intervals; lines: theory of ideal reception"
    style.save(draw(curves, arguments.title, detail), arguments.output)


if __name__ == "__main__":
    main()
