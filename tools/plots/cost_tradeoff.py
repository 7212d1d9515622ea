#!/usr/bin/env python3
"""What arithmetic buys: penalty against operations when taps, test phases or overlap shrink.

    cost_tradeoff.py [--cohlink PROGRAM] [--set KEY=VALUE ...] SCENARIO.ini -o STEM

Makes one capture of the scenario, then receives it with one setting of the receiver at a time made smaller; BER
from `receive`, operations from `receive --cost`. The penalty is what more SNR theory needs for the counted BER than the
full settings' BER needs. Writes STEM.png, STEM.svg and the numbers as STEM.csv.
"""
import argparse
import json
import math
import os
import subprocess
import sys
import tempfile

import matplotlib.pyplot as plt

import style

SERIES = [
    ("dsp.equaliser_taps", [3, 5, 7, 9, 11, 15, 21], "equaliser", "taps of the equaliser"),
    ("dsp.test_phases", [4, 6, 8, 12, 16, 32, 64], "phase", "test phases"),
    ("dsp.dispersion_overlap", [0.2, 0.4, 0.6, 0.8, 1.0, 1.5], "dispersion", "overlap over spread"),
]


def q_function(x):
    return 0.5 * math.erfc(x / math.sqrt(2))


def theory_ber(modulation, snr):
    """Gray mapping in white noise: Proakis, Digital Communications; Cho and Yoon (2002)."""
    if modulation == "qpsk":
        return q_function(math.sqrt(snr))
    a = math.sqrt(snr / 5)
    return (3 * q_function(a) + 2 * q_function(3 * a) - q_function(5 * a)) / 4


def needed_snr_db(modulation, ber):
    low, high = -20.0, 40.0
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if theory_ber(modulation, 10 ** (middle / 10)) > ber else (low, middle)
    return 0.5 * (low + high)


class Program:
    def __init__(self, program, folder):
        self.program, self.folder = program, folder

    def run(self, *arguments):
        """Standard output as JSON; None where the receiver found no lock (exit status 3)."""
        result = subprocess.run([self.program, *arguments, "--quiet", "--format", "json"], cwd=self.folder, stdout=subprocess.PIPE,
                                check=False)
        if result.returncode == 3:
            return None
        if result.returncode != 0:
            sys.exit(result.returncode)
        return json.loads(result.stdout)


def measured(program, modulation, key, value, block):
    """(operations a bit of the block, of the whole receiver, SNR needed and its ends) or None without lock."""
    setting = ["receive", "capture.h5", "--set", f"{key}={value}"]
    facts = program.run(*setting)
    if facts is None:
        return None
    costs = program.run(*setting, "--cost")
    operations = {row["block"]: row["multiplications_per_bit"] + row["additions_per_bit"] for row in costs}
    return [operations[block], operations["(all)"]] + [needed_snr_db(modulation, facts[name]) for name in ("ber", "ber_low", "ber_high")]


def draw(curves, detail):
    style.apply()
    figure, panels = plt.subplots(1, len(curves), figsize=(11, 4.1), sharey=True)
    for axes, (label, block, points), colour in zip(panels, curves, style.SERIES):
        operations = [p["block_operations"] for p in points]
        penalty = [p["penalty_db"] for p in points]
        bars = [[p["penalty_db"] - p["penalty_low_db"] for p in points], [p["penalty_high_db"] - p["penalty_db"] for p in points]]
        axes.errorbar(operations, penalty, yerr=bars, color=colour, marker="o", markersize=4, linewidth=1.4, capsize=2)
        for p in points:
            axes.annotate(f"{p['value']:g}", (p["block_operations"], p["penalty_db"]), xytext=(4, 5), textcoords="offset points", fontsize=8,
                          color=style.SOFT_INK)
        axes.set_title(label, loc="left", fontsize=10, fontweight="bold", color=colour)
        axes.set(xlabel=f"operations a bit, block {block}")
        axes.grid(True)
    panels[0].set(ylabel="SNR penalty [dB]", ylim=(-0.15, 3))
    figure.subplots_adjust(left=0.07, right=0.985, top=0.74, bottom=0.14, wspace=0.09)
    style.headline(figure, "What the receiver's arithmetic buys", detail)
    return figure


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("scenario")
    parser.add_argument("--cohlink", default="cohlink")
    parser.add_argument("--set", action="append", default=[], metavar="KEY=VALUE")
    parser.add_argument("-o", "--output", required=True, metavar="STEM")
    arguments = parser.parse_args()
    settings = [word for setting in arguments.set for word in ("--set", setting)]
    with tempfile.TemporaryDirectory(prefix="cohlink-cost-") as folder:
        program = Program(os.path.abspath(arguments.cohlink) if os.path.sep in arguments.cohlink else arguments.cohlink, folder)
        program.run("simulate", os.path.abspath(arguments.scenario), *settings, "-o", "capture.h5")
        facts = program.run("inspect", "capture.h5")
        modulation = facts.get("signal.modulation", "qpsk")
        curves, lines = [], ["key,value,block_operations_per_bit,all_operations_per_bit,penalty_db,penalty_low_db,penalty_high_db"]
        for key, values, block, label in SERIES:
            points = []
            results = [(value, measured(program, modulation, key, value, block)) for value in values]
            full = results[-1][1][2]
            for value, found in results:
                if found is None:
                    lines.append(f"{key},{value},,,,,")
                    continue
                points.append({"value": value, "block_operations": found[0], "penalty_db": full - found[2],
                               "penalty_low_db": full - found[3], "penalty_high_db": full - found[4]})
                lines.append(f"{key},{value},{found[0]:.6g},{found[1]:.6g},{full - found[2]:.4g},{full - found[3]:.4g},{full - found[4]:.4g}")
            curves.append((label, block, points))
    with open(f"{arguments.output}.csv", "w", encoding="utf-8") as file:
        file.write("\n".join(lines) + "\n")
    print("\n".join(lines))
    style.save(draw(curves, f"{modulation.upper()}, one capture, one setting at a time made smaller; bars: 95 % of the "
                            "BER; reference: the largest setting"), arguments.output)


if __name__ == "__main__":
    main()
