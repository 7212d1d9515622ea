"""Colours of curves stay apart for every reader, and stand out from what lies behind them.

Dichromats by the matrices of G. M. Machado, M. M. Oliveira and L. A. F. Fernandes, IEEE Trans. Vis. Comput. Graph. 15(6)
1291, 2009, severity 1.0, on linear RGB; CIELAB of D65 (IEC 61966-2-1 for sRGB); a just noticeable difference is about 2.3
(M. Mahy et al., Color Res. Appl. 19(2) 105, 1994); contrast as WCAG 2.2 has it, 3 for graphics.
"""
import itertools
import pathlib
import re
import unittest

import numpy as np

ROOT = pathlib.Path(__file__).resolve().parent.parent.parent
EYES = {
    "all three cones": np.eye(3),
    "protanopia": [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]],
    "deuteranopia": [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]],
    "tritanopia": [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]],
}
XYZ = np.array([[0.4124564, 0.3575761, 0.1804375], [0.2126729, 0.7151522, 0.0721750], [0.0193339, 0.1191920, 0.9503041]])
GREY = np.array([XYZ[1]] * 3)  # what a printer without colours leaves: the luminance
NOTICED = 2.3


def linear(colour):
    """"#0b5fa5" or "#fff" as linear RGB."""
    digits = colour[1:] if len(colour) == 7 else "".join(2 * digit for digit in colour[1:])
    values = np.array([int(digits[i:i + 2], 16) for i in (0, 2, 4)]) / 255
    return np.where(values <= 0.04045, values / 12.92, ((values + 0.055) / 1.055) ** 2.4)


def lab(rgb):
    ratios = XYZ @ np.clip(rgb, 0, 1) / (XYZ @ np.ones(3))
    x, y, z = np.where(ratios > (6 / 29) ** 3, np.cbrt(ratios), ratios * (29 / 6) ** 2 / 3 + 4 / 29)
    return np.array([116 * y - 16, 500 * (x - y), 200 * (y - z)])


def apart(eyes, one, other):
    return float(np.linalg.norm(lab(eyes @ linear(one)) - lab(eyes @ linear(other))))


def contrast(one, other):
    light, dark = sorted((float(XYZ[1] @ linear(colour)) for colour in (one, other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def palettes(sheet):
    """The variables of a style sheet in light and in dark, {name: colour}."""
    light, dark = re.findall(r":root\{([^}]*)\}", (ROOT / sheet).read_text(encoding="utf-8"))[:2]
    read = lambda text: dict(re.findall(r"--(\w+):(#[0-9a-f]{3,6})", text))
    return {"light": read(light), "dark": read(light) | read(dark)}


class Colours(unittest.TestCase):
    def test_curves_of_a_report_are_told_apart_by_every_eye(self):
        for scheme, colours in palettes("tools/study/files/page/report.css").items():
            curves = [colours[f"c{i}"] for i in range(6)]
            for one, other in itertools.combinations(curves, 2):
                for name, eyes in EYES.items():
                    self.assertGreater(apart(np.asarray(eyes), one, other), 8 * NOTICED, (scheme, name, one, other))
                # On a grey print the shape of the points tells as well (svg.cpp: six shapes).
                self.assertGreater(apart(GREY, one, other), 2.5 * NOTICED, (scheme, one, other))
            for curve in curves:
                for ground in ("card", "paper"):
                    self.assertGreater(contrast(curve, colours[ground]), 3, (scheme, curve, ground))

    def test_words_of_the_pages_are_readable(self):
        for sheet in ("tools/study/files/page/report.css", "tools/live/page/live.css"):
            for scheme, colours in palettes(sheet).items():
                for words, ground in itertools.product(("ink", "soft", "good", "bad", "open"), ("card", "paper")):
                    self.assertGreater(contrast(colours[words], colours[ground]), 4.5, (sheet, scheme, words, ground))

    def test_both_pages_share_ink_and_paper(self):
        report, live = palettes("tools/study/files/page/report.css"), palettes("tools/live/page/live.css")
        for scheme in ("light", "dark"):
            for name in ("ink", "soft", "paper", "card", "rule", "good", "bad", "open"):
                self.assertEqual(report[scheme][name], live[scheme][name], (scheme, name))

    def test_instruments_of_the_live_page_and_pictures_differ_by_colour_or_by_more(self):
        # The live page draws two colours, of which each may be dashed; pictures have a marker beside the colour.
        for scheme, colours in palettes("tools/live/page/live.css").items():
            for name, eyes in EYES.items():
                self.assertGreater(apart(np.asarray(eyes), colours["c0"], colours["c1"]), 8 * NOTICED, (scheme, name))
        style = (ROOT / "tools/plots/style.py").read_text(encoding="utf-8")
        series, markers = (re.findall(r'"([^"]+)"', re.search(name + r" = \[(.*)\]", style)[1]) for name in ("SERIES", "MARKERS"))
        self.assertEqual((len(set(series)), len(set(markers))), (len(series), len(series)))
        for one, other in itertools.combinations(series, 2):
            for name, eyes in EYES.items():
                self.assertGreater(apart(np.asarray(eyes), one, other), 5 * NOTICED, (name, one, other))


if __name__ == "__main__":
    unittest.main()
