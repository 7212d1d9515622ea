#!/usr/bin/env python3
"""Curves of a sweep: BER, required OSNR, penalty or whatever else was measured, with 95 % intervals and theory.

    ber_curve.py CURVE.h5 [CURVE.h5 ...] -o STEM [--title TEXT] [--budget BUDGET.h5]

Draws the last varied key that holds numbers along x and one series for every setting of the others; keys that
hold words stand along x only where nothing else was varied. --budget draws what `cohlink budget SCENARIO --compare CURVE.h5 -o
BUDGET.h5` expects beside a curve of the SNR. Writes STEM.png and STEM.svg.
"""
import argparse
import itertools

import matplotlib.pyplot as plt
import numpy as np
from matplotlib.ticker import FuncFormatter, LogLocator

import files
import style

# Measures that rest on counted errors; any other is measured on the received symbols.
COUNTED = ("ber", "q_db", "required_osnr_db", "penalty_db")


def short(value):
    return value if isinstance(value, str) else f"{value:g}"


def holds_words(values):
    return values.dtype.kind in "OU"


def axis_along_x(curve):
    """Place of the key along x among the varied ones: the last of several numbers, else of several words."""
    values = [files.axis_values(curve, name) for name in files.axes(curve)]
    return max(range(len(values)), key=lambda i: (len(values[i]) > 1, not holds_words(values[i]), i))


def key_along_x(curve):
    return files.axes(curve)[axis_along_x(curve)]


def apart(name, value):
    """[(key, value)] of keys that move together, which have one name and one value; an absent one is ""."""
    keys = name.split("+")
    return zip(keys, value.split(":")) if len(keys) > 1 else [(name, value)]


def label(modulation, given):
    """"16QAM, adc.bits = 6": the modulation (None where it stands along x) and the other keys of a series."""
    given = dict(pair for name, value in given for pair in apart(name, value))
    modulation = given.pop("signal.modulation", modulation)
    names = [modulation.capitalize() if modulation == "gaussian" else modulation.upper()] if modulation else []
    return ", ".join(names + [f"{name} = {short(value)}" for name, value in given.items() if value != ""])


def series(curve):
    """Yields (label, x, columns) for every series; columns: 1-D arrays value, low, high, theory (NaN where missing)."""
    names, along, measure = files.axes(curve), axis_along_x(curve), files.measured(curve)
    modulation = None if "signal.modulation" in names[along].split("+") else files.scenario(curve)["signal"]["modulation"]
    x = files.axis_values(curve, names[along])
    order = np.arange(len(x)) if holds_words(x) else np.argsort(x, kind="stable")
    grids = {"value": curve[measure]} | {end: files.companion(curve, measure, end) for end in ("low", "high", "theory")}
    others = [i for i in range(len(names)) if i != along]
    values = {i: files.axis_values(curve, names[i]) for i in others}
    for place in itertools.product(*(range(len(values[i])) for i in others)):
        where = list(place)
        where.insert(along, slice(None))
        columns = {name: np.full(len(x), np.nan) if grid is None else grid[tuple(where)][order] for name, grid in grids.items()}
        yield label(modulation, [(names[i], values[i][j]) for i, j in zip(others, place)]), x[order], columns


def smooth_theory(x, theory, logarithmic):
    """Theory is stored at the points; a polynomial through it (or its logarithm) draws it between them."""
    known = np.isfinite(theory) & ((theory > 0) | (not logarithmic))
    if holds_words(x) or known.sum() < 4:
        return x[known], theory[known]
    fine = np.linspace(x[known][0], x[known][-1], 200)
    scaled = np.log10(theory[known]) if logarithmic else theory[known]
    fit = np.polynomial.Polynomial.fit(x[known], scaled, min(6, known.sum() - 1))
    return fine, 10 ** fit(fine) if logarithmic else fit(fine)


def draw_theory(axes, colour, x, theory, logarithmic):
    """A line over numbers, a bar a word: there is nothing between words."""
    look = {"linestyle": "none", "marker": "_", "markersize": 18} if holds_words(x) else {"linewidth": 1.4}
    axes.plot(*smooth_theory(x, theory, logarithmic), color=colour, alpha=0.55, zorder=2, **look)


def draw_series(axes, number, name, x, columns):
    logarithmic = axes.get_yscale() == "log"
    colour, marker = style.series_look(number)
    draw_theory(axes, colour, x, columns["theory"], logarithmic)
    shown = np.isfinite(columns["value"]) & ((columns["value"] > 0) | (not logarithmic))
    value, low, high = (columns[column][shown] for column in ("value", "low", "high"))
    interval = np.nan_to_num(np.maximum([value - low, high - value], 0))
    joined = not np.isfinite(columns["theory"]).any() and not holds_words(x)
    bars = axes.errorbar(x[shown], value, yerr=interval, marker=marker,
                         linestyle=":" if joined else "none", linewidth=1.0, color=colour, markersize=4.6,
                         markerfacecolor=style.PAPER, markeredgewidth=1.3, elinewidth=1.1, capsize=2.4, capthick=1.0, zorder=3)
    return bars, name, x[shown], value


def label_series(axes, drawn):
    """Names beside the curves; where several lie close, in a key: below curves of errors, which leave room there, else
    beside the picture (long names: below it), since nothing says where other curves leave any."""
    if len(drawn) > 2 or any("=" in name for _, name, _, _ in drawn):
        beside = {"loc": "upper left", "bbox_to_anchor": (0.0, -0.13) if max(len(name) for _, name, _, _ in drawn) > 36 else (1.0, 1.0)}
        place = {"loc": "lower left"} if axes.get_yscale() == "log" else beside
        key = axes.legend([bars for bars, _, _, _ in drawn], [name for _, name, _, _ in drawn], frameon=False, handlelength=1.2,
                          fontsize=9, **place)
        for text, (bars, _, _, _) in zip(key.get_texts(), drawn):
            text.set_color(bars[0].get_color())
        return
    for bars, name, x, value in drawn:
        if len(value) == 0:
            continue
        place = 2 * len(value) // 3  # the falling part, with room on its right
        axes.annotate(name, (x[place], value[place]), xytext=(11, 5), textcoords="offset points",
                      color=bars[0].get_color(), fontweight="bold", fontsize=10.5)


def draw_thresholds(axes, curves, of):
    """The pre-FEC threshold that verdicts were passed on, where a file states one of that."""
    for threshold in sorted({curve.attrs[of] for curve in curves if of in curve.attrs}):
        axes.axhline(threshold, color=style.SOFT_INK, linewidth=0.9, dashes=(1.5, 2.5), zorder=1)
        axes.annotate(f"code threshold {threshold:g}", (1.0, threshold), xycoords=("axes fraction", "data"), xytext=(-2, 4),
                      textcoords="offset points", ha="right", fontsize=8.5, color=style.SOFT_INK)


def power_of_ten(value, _):
    exponent = int(round(np.log10(value)))
    return f"$10^{{{exponent}}}$"


def scale_errors(axes):
    axes.set_yscale("log")
    axes.yaxis.set_major_locator(LogLocator(base=10))
    axes.yaxis.set_major_formatter(FuncFormatter(power_of_ten))


def words_of(curve, name):
    """What stands in words for a data set; in older files its name."""
    return files.text(curve[name], "long_name") or name


def capital(words):
    return words[:1].upper() + words[1:]


def name_axes(axes, curve):
    for name, put in ((key_along_x(curve), axes.set_xlabel), (files.measured(curve), axes.set_ylabel)):
        unit = files.text(curve[name], "unit")
        put(words_of(curve, name) + (f" [{unit}]" if unit else ""))


def draw_budget(axes, budget, key):
    """The closed-form expectation at the points of the curve that it was set beside."""
    points = budget["points"]
    if key not in points:
        files.refuse(f"{budget.filename}: is over {list(points)[0]}, the curve over {key}")
    x, order = points[key][:], np.argsort(points[key][:], kind="stable")
    for name, words, look in (("snr_expected_db", "budget", "--"), ("snr_gn_db", "budget, plain GN", ":")):
        axes.plot(x[order], points[name][:][order], color=style.SOFT_INK, linestyle=look, linewidth=1.3, zorder=2, label=words)
    axes.legend(frameon=False, fontsize=9, loc="lower left", bbox_to_anchor=(0.0, 1.0), ncols=2, borderaxespad=0.2)


def draw(curves, title, detail, budget=None):
    style.apply()
    # The layout makes room for tick labels and for names beside the curves; the headline stands above it.
    figure = plt.figure(figsize=(7.6, 5.4))
    figure.set_layout_engine("constrained", rect=(0.012, 0.012, 0.976, 0.838))
    axes = figure.add_subplot()
    measure = files.measured(curves[0])
    if measure.startswith("ber"):
        scale_errors(axes)
    drawn = []
    for curve in curves:
        for name, x, columns in series(curve):
            drawn.append(draw_series(axes, len(drawn), name, x, columns))
    label_series(axes, drawn)
    if measure.startswith("ber") or measure == "ngmi":
        draw_thresholds(axes, curves, "threshold_ngmi" if measure == "ngmi" else "threshold_ber")
    if budget is not None:
        draw_budget(axes, budget, key_along_x(curves[0]))
    axes.grid(True, which="major")
    axes.grid(True, which="minor", axis="y", linewidth=0.35)
    name_axes(axes, curves[0])
    style.headline(figure, title, detail, left=0.03)
    return figure


def detail_of(curves):
    """How the numbers were got, as far as the files say it."""
    words = []
    measure = files.measured(curves[0])
    if measure.startswith(COUNTED):
        if all("errors" in curve for curve in curves):
            words.append(f"points: {sum(int(curve['errors'][()].sum()) for curve in curves):,} errors counted")
    elif all("frames" in curve for curve in curves):
        words.append(f"points: measured on the symbols of {sum(int(curve['frames'][()].sum()) for curve in curves):,} frames")
    if files.companion(curves[0], measure, "low") is not None:
        words.append("bars are 95 % intervals")
    theory = [files.companion(curve, measure, "theory") for curve in curves]
    if any(grid is not None and np.isfinite(grid[()]).any() for grid in theory):
        words.append("lines: theory of ideal reception")
    return ", ".join(words)


def check_alike(curves):
    """One picture has one x and one y: files that measure or vary something else do not go in."""
    first = curves[0]
    for curve in curves[1:]:
        for what, of in (("measures", files.measured), ("varies", key_along_x)):
            if of(curve) != of(first):
                files.refuse(f"{curve.filename}: {what} {of(curve)}, {first.filename} {of(first)}; draw them apart")


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("curve", nargs="+")
    parser.add_argument("-o", "--output", required=True, metavar="STEM")
    parser.add_argument("--title", help="default: what was measured")
    parser.add_argument("--budget", metavar="BUDGET.h5", help="what the budget expects, beside a curve of the SNR")
    arguments = parser.parse_args()
    curves = [files.open_as(path, "cohlink curve") for path in arguments.curve]
    check_alike(curves)
    measure = files.measured(curves[0])
    title = arguments.title or capital(words_of(curves[0], measure))
    budget = files.open_as(arguments.budget, "cohlink budget") if arguments.budget else None
    if budget is not None and (measure != "snr_db" or "points" not in budget):
        files.refuse(f"{arguments.budget}: a budget is drawn beside a curve of the SNR, and made with --compare that curve")
    style.save(draw(curves, title, detail_of(curves), budget), arguments.output)


if __name__ == "__main__":
    main()
