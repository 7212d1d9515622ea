#!/usr/bin/env python3
"""What breaks a link first, as bars: what each impairment costs now, and how many times as large it may be.

    margins.py MARGINS.h5 -o STEM [--title TEXT]

Reads what `cohlink margins -o` wrote. Writes STEM.png and STEM.svg.
"""
import argparse

import matplotlib.pyplot as plt
import numpy as np

import files
import style


def draw_costs(axes, places, table):
    cost, known = table["cost_db"], np.isfinite(table["cost_db"])
    axes.barh(places[known], cost[known], color=style.SERIES[0], height=0.62)
    bars = np.isfinite(table["cost_low_db"]) & known
    axes.errorbar(cost[bars], places[bars], xerr=[cost[bars] - table["cost_low_db"][bars], table["cost_high_db"][bars] - cost[bars]],
                  fmt="none", ecolor=style.INK, elinewidth=1, capsize=2)
    axes.set(xlabel="cost now, dB of SNR")


def draw_headroom(axes, places, table):
    room = np.where(np.isfinite(table["headroom"]), table["headroom"], np.nan)
    known = np.isfinite(room)
    axes.barh(places[known], room[known] - 1, left=1, color=style.SERIES[1], height=0.62)
    for place, value, state in zip(places, room, table["state"]):
        shown = f"{value:.3g} times" if np.isfinite(value) else state
        axes.annotate(shown, (max(value, 1) if np.isfinite(value) else 1, place), xytext=(4, 0), textcoords="offset points", va="center",
                      fontsize=8, color=style.SOFT_INK)
    if known.any():
        axes.set_xscale("log")
        axes.set_xlim(min(0.9, room[known].min() / 1.2), max(2.0, room[known].max()) * 4)
    axes.axvline(1, color=style.INK, linewidth=0.8)
    axes.set(xlabel="headroom: how many times as large it may be")


def draw(table, title, detail):
    style.apply()
    count = len(table["impairment"])
    figure, panels = plt.subplots(1, 2, figsize=(9.6, 1.9 + 0.3 * count), sharey=True)
    places = np.arange(count, dtype=float)
    draw_costs(panels[0], places, table)
    draw_headroom(panels[1], places, table)
    panels[0].set_yticks(places, table["impairment"])
    panels[0].invert_yaxis()
    for axes in panels:
        axes.grid(True, axis="x")
    height = figure.get_figheight()
    figure.subplots_adjust(left=0.31, right=0.98, top=1 - 0.95 / height, bottom=0.55 / height, wspace=0.06)
    style.headline(figure, title, detail, left=0.03, top=1 - 0.2 / height)
    return figure


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("margins")
    parser.add_argument("-o", "--output", required=True, metavar="STEM")
    parser.add_argument("--title", default="What breaks the link first")
    arguments = parser.parse_args()
    file = files.open_as(arguments.margins, "cohlink margins")
    table = files.columns(file["impairments"], ("impairment", "state"), ("cost_db", "cost_low_db", "cost_high_db", "headroom"))
    detail = f"{files.facts(file)['criterion']}; what breaks first stands on top; bars: 95 % intervals"
    style.save(draw(table, arguments.title, detail), arguments.output)


if __name__ == "__main__":
    main()
