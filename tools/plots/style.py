"""How our figures look: paper-light, quiet axes, colours that survive colour blindness and grey printing.

Figures carry a claim as their title (left, large), what was varied below it, and labels beside the curves
instead of a legend. The three lead colours differ in lightness as well as in hue.
"""
import matplotlib

matplotlib.use("Agg")  # draws without a display

import matplotlib.pyplot as plt  # noqa: E402
from matplotlib.colors import LinearSegmentedColormap  # noqa: E402

PAPER = "#fbfaf7"
INK = "#22303c"
SOFT_INK = "#66727d"
RULE = "#d9d6cf"
SERIES = ["#0b5d7a", "#c8641b", "#8d4fb0", "#16401c", "#8a8f98"]  # apart for every eye: tests/pages/test_colours.py
MARKERS = ["o", "s", "D", "^", "v"]


# Sparse to dense: haze, sea, deep water, ink. Lightness falls all the way.
DENSITY = LinearSegmentedColormap.from_list("depth", ["#bcd3d6", "#6aa9b5", "#1f7591", "#123f63", "#140f2d"])


def series_look(number):
    """Colour and marker of a series. Both change from one to the next; the markers are one further every time the
    colours begin again, so that no pair is met twice among the first 25."""
    return SERIES[number % len(SERIES)], MARKERS[(number + number // len(SERIES)) % len(MARKERS)]


def apply():
    """Sets the style for every figure that follows."""
    plt.rcParams.update({
        "figure.facecolor": PAPER,
        "axes.facecolor": PAPER,
        "savefig.facecolor": PAPER,
        "font.family": "DejaVu Sans",
        "font.size": 9.5,
        "text.color": INK,
        "axes.labelcolor": INK,
        "axes.edgecolor": SOFT_INK,
        "axes.linewidth": 0.8,
        "axes.spines.top": False,
        "axes.spines.right": False,
        "axes.axisbelow": True,
        "xtick.color": SOFT_INK,
        "ytick.color": SOFT_INK,
        "xtick.labelsize": 8.5,
        "ytick.labelsize": 8.5,
        "grid.color": RULE,
        "grid.linewidth": 0.7,
        "lines.solid_capstyle": "round",
        # The same data give the same SVG, byte for byte; its text stays text.
        "svg.hashsalt": "cohlink",
        "svg.fonttype": "none",
    })


def headline(figure, claim, detail, left=0.07, top=0.955):
    """The figure's title: what it shows in large, how it was made in small below."""
    figure.text(left, top, claim, fontsize=13.5, fontweight="bold", ha="left", va="top")
    figure.text(left, top - 0.31 / figure.get_figheight(), detail, fontsize=9, color=SOFT_INK, ha="left", va="top")


def key(axes, words):
    """Coloured words above the axes on the right, [(word, colour)], where they cover no curve."""
    place = 0.0
    for word, colour in reversed(words):
        text = axes.annotate(word, (1, 1), xycoords="axes fraction", xytext=(-place, 4), textcoords="offset points", fontsize=8,
                             color=colour, ha="right", va="bottom")
        place += text.get_window_extent(axes.figure.canvas.get_renderer()).width * 72 / axes.figure.dpi + 8


def save(figure, stem):
    """Writes stem.png and stem.svg and says so."""
    figure.savefig(f"{stem}.png", dpi=160, metadata={"Software": None})
    figure.savefig(f"{stem}.svg", metadata={"Date": None, "Creator": None})
    plt.close(figure)
    print(f"{stem}.png  {stem}.svg")
