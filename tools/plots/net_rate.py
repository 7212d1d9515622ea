#!/usr/bin/env python3
"""Net rate against distance for all formats, and their upper envelope: what an ideal code would carry, and the scenario's.

    net_rate.py BUDGET.h5 [CURVE.h5 ...] -o STEM [--title TEXT]

BUDGET.h5 is the closed forms' table of `cohlink budget SCENARIO --vary fibre.spans=... --vary "signal.modulation+signal.entropy_bits=
qpsk:|64qam:4.2|..." --optimise transmitter.launch_power_dbm -o BUDGET.h5`, with one entropy or several of a shaped format: of these the
best is drawn at each distance. CURVE.h5, from `cohlink sweep SCENARIO ... --measure achievable_rate_gbps`, are waveforms of the same
scenario, drawn as points. Writes STEM.png and STEM.svg.
"""
import argparse

import matplotlib.pyplot as plt
import numpy as np
from matplotlib.ticker import FuncFormatter

import files
import style

SPANS = "fibre.spans"


def settings(names, values):
    """{key: word} of a point, keys that move together taken apart."""
    words = {}
    for name, value in zip(names, values):
        keys = name.split("+")
        words.update(zip(keys, str(value).split(":") if len(keys) > 1 else [str(value)]))
    return words


def format_of(words, scenario):
    """"64QAM, shaped": one curve for all entropies of a format."""
    modulation = words.get("signal.modulation", scenario["signal"]["modulation"]).upper()
    entropy = words.get("signal.entropy_bits", scenario["signal"].get("entropy_bits", ""))
    return modulation + (", shaped" if entropy else "")


def distance_km(words, scenario):
    fibre = scenario["fibre"]
    return float(words.get(SPANS, fibre["spans"])) * float(fibre["span_length_km"])


def expected(budget):
    """{format: {name: (entropies, distances)}} of the budget's table, and the distances."""
    group, scenario = budget["points"], files.scenario(budget)
    names = files.text(group, "columns").split(",")
    axes = names[:names.index("launch_power_dbm")]
    points = list(zip(*(files.axis_values(group, name) for name in axes)))
    rows = {}
    for row, values in enumerate(points):
        words = settings(axes, [f"{value:g}" if isinstance(value, float) else value for value in values])
        kind = format_of(words, scenario)
        series = tuple(word for key, word in sorted(words.items()) if key != SPANS)
        rows.setdefault(kind, {}).setdefault(series, []).append((distance_km(words, scenario), row))
    return {kind: [sorted(of_series) for of_series in by_series.values()] for kind, by_series in rows.items()}, group


def ideal_curve(series, rate):
    """Distances and the best rate over the series at each of them."""
    distances = np.array([km for km, _ in series[0]])
    return distances, np.max([[rate[row] for _, row in one] for one in series], axis=0)


def reach(one, margin):
    """Where the margin falls to nothing, straight over the logarithm of the distance; endless where it does not, None where there is none."""
    distances, margins = np.log([km for km, _ in one]), np.array([margin[row] for _, row in one])
    falls = np.nonzero((margins[:-1] >= 0) & (margins[1:] < 0))[0]
    if len(falls) == 0:
        return np.inf if (margins >= 0).all() else None
    i = falls[0]
    return float(np.exp(distances[i] + (distances[i + 1] - distances[i]) * margins[i] / (margins[i] - margins[i + 1])))


def coded_ends(kinds, margin, net):
    """{format: [(reach, net rate)]}, shortest reach first; one end a format, or one an entropy."""
    ends = {}
    for kind, series in kinds.items():
        found = [(reach(one, margin), net[one[0][1]]) for one in series]
        ends[kind] = sorted((far, rate) for far, rate in found if far is not None)
    return ends


def coded_curve(ends, distances):
    """The most that a format carries at each distance, NaN where it does not get there; between entropies straight."""
    if not ends:
        return np.full(len(distances), np.nan)
    far, rates = (np.array(column) for column in zip(*ends))
    finite = np.isfinite(far)
    if finite.sum() < 2:
        return np.where(distances <= far.max(), rates[-1], np.nan)
    return np.interp(np.log(distances), np.log(far[finite]), rates[finite], right=np.nan)


def simulated(curves):
    """(format, distance, achievable rate with its interval, net rate, verdict) of every waveform."""
    for curve in curves:
        if "achievable_rate_gbps" not in curve:
            files.refuse(f"{curve.filename}: is no sweep with --measure achievable_rate_gbps")
        names, scenario = files.axes(curve), files.scenario(curve)
        axes = [files.axis_values(curve, name) for name in names]
        columns = [curve[name][()] if name in curve else np.full(curve["bits"].shape, np.nan) for name in (
            "achievable_rate_gbps", "achievable_rate_low_gbps", "achievable_rate_high_gbps", "net_rate_gbps", "verdict")]
        for place in np.ndindex(*(len(values) for values in axes)):
            values = [values[i] for values, i in zip(axes, place)]
            words = settings(names, [f"{value:g}" if isinstance(value, float) else value for value in values])
            yield format_of(words, scenario), distance_km(words, scenario), [column[place] for column in columns]


def draw_ideal(axes, kinds, rate, looks):
    best = []
    for kind, series in kinds.items():
        distances, rates = ideal_curve(series, rate)
        best.append(rates)
        axes.plot(distances, rates, color=looks[kind][0], linewidth=1.5, zorder=3, label=kind)
    axes.plot(distances, np.max(best, axis=0), color=style.RULE, linewidth=7, zorder=1, label="upper envelope")


def draw_coded(axes, ends, looks, distances):
    fine = np.geomspace(distances[0], distances[-1], 800)
    rates = {kind: coded_curve(of_kind, fine) for kind, of_kind in ends.items()}
    for kind, rate in rates.items():
        axes.plot(fine, rate, color=looks[kind][0], linewidth=1.5, zorder=3)
    axes.plot(fine, np.nanmax(np.vstack([np.zeros(len(fine)), *rates.values()]), axis=0), color=style.RULE, linewidth=7, zorder=1)


def draw_waveforms(ideal, coded, curves, looks):
    for kind, km, (rate, low, high, net, verdict) in simulated(curves):
        colour, marker = looks.get(kind, (style.INK, "o"))
        bars = np.nan_to_num([[max(rate - low, 0)], [max(high - rate, 0)]])
        ideal.errorbar(km, rate, yerr=bars, color=colour, marker=marker, markersize=5, markerfacecolor=style.PAPER, markeredgewidth=1.3,
                       elinewidth=1.0, zorder=4)
        coded.plot(km, net, color=colour, marker=marker, markersize=5.5, markeredgewidth=1.3, zorder=4,
                   markerfacecolor=colour if verdict == 1 else style.PAPER)


def draw(budget, curves, title):
    style.apply()
    figure, (ideal, coded) = plt.subplots(1, 2, figsize=(10.4, 5.0), sharey=True)
    figure.set_layout_engine("constrained", rect=(0.012, 0.012, 0.976, 0.82))
    kinds, group = expected(budget)
    looks = {kind: style.series_look(number) for number, kind in enumerate(kinds)}
    draw_ideal(ideal, kinds, group["achievable_rate_gbps"][:], looks)
    distances = sorted({km for series in kinds.values() for one in series for km, _ in one})
    draw_coded(coded, coded_ends(kinds, group["margin_db"][:], group["net_rate_gbps"][:]), looks, distances)
    draw_waveforms(ideal, coded, curves, looks)
    for axes, words in ((ideal, "an ideal code for each distance"), (coded, "the scenario's code: each line ends where it does")):
        axes.set_xscale("log")
        axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
        axes.set_xlabel("distance [km]")
        axes.set_title(words, fontsize=10, loc="left", color=style.SOFT_INK)
        axes.grid(True)
        here = distance_km({}, files.scenario(budget))
        axes.axvline(here, color=style.SOFT_INK, linewidth=0.9, dashes=(1.5, 2.5), zorder=2)
        axes.annotate(f"{here:g} km", (here, 0), xycoords=("data", "axes fraction"), xytext=(3, 4), textcoords="offset points", fontsize=8.5,
                      color=style.SOFT_INK)
    ideal.set_ylim(bottom=0)
    ideal.set_ylabel("net rate [Gb/s]")
    ideal.legend(framealpha=1.0, facecolor=style.PAPER, edgecolor="none", fontsize=8.5, loc="lower left", ncols=2, bbox_to_anchor=(0.0, 0.04))
    rate = files.scenario(budget)["signal"]["symbol_rate_gbd"]
    detail = f"{float(rate):g} GBd, each point at its best launch power; lines: closed forms"
    if curves:
        detail += "; points: waveforms, with 95 % intervals (right: filled where the code closes)"
    style.headline(figure, title, detail, left=0.03)
    return figure


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("budget", metavar="BUDGET.h5")
    parser.add_argument("curve", nargs="*")
    parser.add_argument("-o", "--output", required=True, metavar="STEM")
    parser.add_argument("--title", default="Net rate against distance")
    arguments = parser.parse_args()
    budget = files.open_as(arguments.budget, "cohlink budget")
    if "points" not in budget or "achievable_rate_gbps" not in budget["points"]:
        files.refuse(f"{arguments.budget}: is no table of budgets; make it with --vary")
    curves = [files.open_as(path, "cohlink curve") for path in arguments.curve]
    style.save(draw(budget, curves, arguments.title), arguments.output)


if __name__ == "__main__":
    main()
