#!/usr/bin/env python3
"""What a cheaper receiver loses: penalty against energy a bit, each cut by itself and the front of their combinations.

    economise.py ECONOMY.h5 -o STEM [--title TEXT]

Reads what `cohlink economise -o` wrote. Writes STEM.png and STEM.svg.
"""
import argparse

import matplotlib.pyplot as plt
import numpy as np

import files
import style

NUMBERS = ("pj_per_bit", "penalty_db", "penalty_low_db", "penalty_high_db")


def draw_cuts(axes, cuts, own_pj, most_db):
    """One line a cut, from the receiver as it is to its deepest value that works."""
    for colour, name in zip(style.SERIES[1:] * 4, dict.fromkeys(cuts["cut"])):
        of = (cuts["cut"] == name) & np.isfinite(cuts["penalty_db"])
        energy, penalty = np.append(own_pj, cuts["pj_per_bit"][of]), np.append(0.0, cuts["penalty_db"][of])
        axes.plot(energy, penalty, marker="o", markersize=2.5, linewidth=0.9, color=colour, alpha=0.8)
        if of.any() and penalty[-1] <= most_db:
            axes.annotate(name, (energy[-1], penalty[-1]), xytext=(-4, 3), textcoords="offset points", fontsize=7, color=colour, ha="right")


def draw_front(axes, front, allowed):
    order = np.argsort(front["pj_per_bit"])
    energy, penalty = front["pj_per_bit"][order], np.nan_to_num(front["penalty_db"][order])
    axes.step(energy, penalty, where="post", color=style.SERIES[0], linewidth=1.6)
    low, high = (np.nan_to_num(front[name][order]) for name in ("penalty_low_db", "penalty_high_db"))
    axes.errorbar(energy, penalty, yerr=[penalty - low, high - penalty], fmt="o", markersize=3.5, color=style.SERIES[0], ecolor=style.INK,
                  elinewidth=0.8, capsize=2)
    axes.axhline(allowed, color=style.INK, linewidth=0.8, linestyle=(0, (4, 3)))
    chosen = front["chosen"][order]
    for x, y, here in zip(energy, penalty, chosen):
        if here:
            axes.plot(x, y, marker="o", markersize=9, markerfacecolor="none", markeredgecolor=style.INK)
            axes.annotate("chosen", (x, y), xytext=(8, 6), textcoords="offset points", fontsize=8, color=style.INK)


def draw(cuts, front, allowed, title, detail):
    style.apply()
    figure, axes = plt.subplots(figsize=(7.6, 4.8))
    most_db = max(2.0, 3 * allowed)
    draw_cuts(axes, cuts, np.nanmax(front["pj_per_bit"]), most_db)
    draw_front(axes, front, allowed)
    axes.set(xlabel="energy of arithmetic and converters, pJ a bit", ylabel="penalty, dB of SNR", ylim=(min(-0.05, -0.02 * most_db), most_db),
             xlim=(0, None))
    figure.subplots_adjust(left=0.09, right=0.98, top=0.84, bottom=0.12)
    style.headline(figure, title, detail, left=0.03, top=0.965)
    return figure


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("economy")
    parser.add_argument("-o", "--output", required=True, metavar="STEM")
    parser.add_argument("--title", default="What a cheaper receiver loses")
    arguments = parser.parse_args()
    file = files.open_as(arguments.economy, "cohlink economise")
    front = files.columns(file["front"], ("cut",), NUMBERS)
    front["chosen"] = file["front/chosen"][:].astype(float) > 0
    allowed = float(files.facts(file)["penalty_allowed_db"].split()[0])
    detail = f"blue: cheapest combinations found; others: one cut at a time; dashed: {allowed:g} dB allowed; bars: 95 % intervals"
    style.save(draw(files.columns(file["cuts"], ("cut",), NUMBERS), front, allowed, arguments.title, detail), arguments.output)


if __name__ == "__main__":
    main()
