"""The report in a browser without a screen: what it reads, copies, lays together and prints is what the files hold."""
import base64
import csv
import io
import math
import os
import pathlib
import re
import statistics
import subprocess
import sys
import tempfile
import unittest

import h5py

ROOT = pathlib.Path(__file__).resolve().parent.parent.parent
sys.path[:0] = [str(ROOT / "tests"), str(ROOT / "tests/cli")]

from browser import open_browser, prefer, violations  # noqa: E402
from program import SCENARIO  # noqa: E402
from test_colours import contrast  # noqa: E402
from selenium.webdriver.common.by import By  # noqa: E402
from selenium.webdriver.common.keys import Keys  # noqa: E402

# Size in pixels of every text that shows, those of pictures as they are scaled.
SMALL = """
const small = [];
for (const node of document.querySelectorAll("main *")) {
  const own = [...node.childNodes].some((child) => child.nodeType === 3 && child.textContent.trim() !== "");
  const box = node.getBoundingClientRect();
  if (!own || box.width === 0 || node.closest("details:not([open]) > :not(summary)")) continue;
  const turn = node.ownerSVGElement ? node.getScreenCTM() : { a: 1, b: 0 }, scale = Math.hypot(turn.a, turn.b);
  const size = parseFloat(getComputedStyle(node).fontSize) * scale;
  if (size < 11 - 0.05 && node.tagName !== "tspan") small.push(node.textContent.trim().slice(0, 30) + ": " + size.toFixed(2));
}
return small;
"""


def places(picture, axis):
    """Middles of the marks of a picture along "x" or "y", in its own units."""
    return picture.parent.execute_script(
        "return [...arguments[0].querySelectorAll('g[data-series=\"0\"] .mark')].map((mark) => { const box = mark.getBBox();"
        f" return box.{axis} + box.{'width' if axis == 'x' else 'height'} / 2; }})", picture)


class Report(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        scratch = tempfile.TemporaryDirectory(prefix="cohlink-report-")
        cls.addClassCleanup(scratch.cleanup)
        cls.folder = pathlib.Path(scratch.name)
        (cls.folder / "scenario.ini").write_text(SCENARIO, encoding="utf-8")
        sweep = ["sweep", "scenario.ini", "--quiet", "--vary", "channel.osnr_db=8:2:14"]
        cls.run_program(*sweep, "-o", "clean.h5")
        cls.run_program(*sweep, "--set", "frontend.hybrid_phase_error_deg=20", "-o", "hybrid.h5")
        cls.run_program(*sweep, "--vary", "adc.bits=3|6", "-o", "grid.h5")
        cls.run_program("budget", ROOT / "scenarios/first-light.ini", "--quiet", "-o", "budget.h5")
        cls.run_program("margins", "scenario.ini", "--quick", "--quiet", "-o", "margins.h5")
        cls.run_program("simulate", "scenario.ini", "--quiet", "-o", "capture.h5")
        cls.run_program("receive", "capture.h5", "--quiet", "-o", "result.h5")
        cls.run_program("report", *(f"{name}.h5" for name in ("clean", "hybrid", "grid", "budget", "margins", "result")), "-o", "page.html")
        cls.page = open_browser()
        cls.addClassCleanup(cls.page.quit)

    @classmethod
    def run_program(cls, *arguments):
        subprocess.run([os.environ["COHLINK"], *map(str, arguments)], cwd=cls.folder, check=True, stdout=subprocess.DEVNULL)

    def setUp(self):
        self.page.get((self.folder / "page.html").as_uri())
        prefer(self.page, "light")

    def figure(self, words):
        return next(figure for figure in self.page.find_elements(By.TAG_NAME, "figure")
                    if words in figure.find_element(By.TAG_NAME, "figcaption").text)

    def section(self, name):
        return next(part for part in self.page.find_elements(By.TAG_NAME, "section") if part.find_element(By.TAG_NAME, "h2").text == name)

    def press(self, figure, words):
        next(button for button in figure.find_elements(By.TAG_NAME, "button") if button.text == words).click()

    def copied(self, owner):
        """What its button puts on the clipboard, as rows."""
        self.page.execute_script("navigator.clipboard.writeText = (text) => { window.copied = text; return Promise.resolve(); }")
        self.press(owner, "Copy CSV")
        return list(csv.DictReader(io.StringIO(self.page.execute_script("return window.copied"))))

    def test_the_pointer_and_the_arrow_keys_read_what_the_file_holds(self):
        figure = self.section("clean.h5").find_element(By.TAG_NAME, "figure")
        said = lambda: figure.find_element(By.TAG_NAME, "output").text
        with h5py.File(self.folder / "clean.h5") as file:
            expected = [f"OSNR in 12.5 GHz {x:g} dB: {ber:.2e} (95 %: {low:.2e} to {high:.2e}), theory {theory:.2e}"
                        for x, ber, low, high, theory in zip(*(file[name][:] for name in ("channel.osnr_db", "ber", "ber_low", "ber_high", "ber_theory")))]
        self.page.execute_script("arguments[0].scrollIntoView()", figure)
        for number, words in enumerate(expected):
            x, y = self.page.execute_script("const box = arguments[0].querySelectorAll('.mark')[arguments[1]].getBoundingClientRect();"
                                            "return [box.x + box.width / 2, box.y + box.height / 2]", figure, number)
            # Not quite on it: the nearest point is read.
            self.page.execute_cdp_cmd("Input.dispatchMouseEvent", {"type": "mouseMoved", "x": x + 5, "y": y - 6})
            self.assertIn(words, said())
        plot = figure.find_element(By.CLASS_NAME, "plot")
        self.page.execute_script("arguments[0].focus()", plot)
        plot.send_keys(Keys.ESCAPE)
        for words in expected:
            plot.send_keys(Keys.ARROW_RIGHT)
            self.assertIn(words, said())
        plot.send_keys(Keys.HOME)
        self.assertIn(expected[0], said())
        plot.send_keys(Keys.ESCAPE)
        self.assertEqual(said(), "")

    def test_each_axis_spaces_its_points_as_it_says(self):
        figure = self.section("clean.h5").find_element(By.TAG_NAME, "figure")
        with h5py.File(self.folder / "clean.h5") as file:
            bers = file["ber"][:]
            self.assertIn(f"code threshold {file.attrs['threshold_ber']:.2e}", figure.text)
        # Q = 20 log10 of the argument of the normal tail that is the error ratio (Proakis, Digital Communications).
        laws = {"log": math.log10, "Q": lambda ber: 20 * math.log10(-statistics.NormalDist().inv_cdf(ber)), "linear": float}
        for name, law in laws.items():
            self.press(figure, f"{name} axis")
            picture, = (each for each in figure.find_elements(By.CSS_SELECTOR, ".plot > svg") if each.is_displayed())
            self.assertEqual(picture.get_attribute("data-spacing"), name)
            y, values = places(picture, "y"), [law(ber) for ber in bers]
            for i in (1, 2):  # of three places two give the scale; a place is written to 0.1 of 330 units
                expected = y[0] + (y[3] - y[0]) * (values[i] - values[0]) / (values[3] - values[0])
                self.assertAlmostEqual(y[i], expected, delta=0.35)
        self.press(figure, "Q axis")
        plot = figure.find_element(By.CLASS_NAME, "plot")
        plot.send_keys(Keys.ARROW_RIGHT)
        self.assertIn(f"Q {laws['Q'](bers[0]):.2f} dB", figure.find_element(By.TAG_NAME, "output").text)

    def test_curves_of_several_files_are_laid_together_by_choice(self):
        figure = self.figure("3 files together")
        shown = lambda: {line.text: line.find_element(By.TAG_NAME, "input") for line in figure.find_elements(By.CSS_SELECTOR, ".legend li")}
        self.assertTrue({"clean.h5", "hybrid.h5", "grid.h5: adc.bits = 3", "grid.h5: adc.bits = 6"} <= set(shown()))
        rows = self.copied(figure)
        for name in ("clean.h5", "hybrid.h5"):
            with h5py.File(self.folder / name) as file:
                self.assertEqual([float(row["bit error ratio before FEC"]) for row in rows if row["series"] == name], list(file["ber"][:]))
        drawn = lambda: sum(part.is_displayed() for part in figure.find_elements(By.CSS_SELECTOR, ".plot > svg:not([hidden]) .line"))
        before = drawn()
        shown()["hybrid.h5"].click()
        self.assertEqual(drawn(), before - 1)
        shown()["hybrid.h5"].click()
        self.assertEqual(drawn(), before)

    def ticks(self, figure, axis):
        """{value: place} of the labelled marks of the picture that is shown."""
        return dict(self.page.execute_script(
            "return [...arguments[0].querySelectorAll('.plot > svg:not([hidden]) .marks text')]"
            f".filter((text) => text.getAttribute('text-anchor') === '{'middle' if axis == 'x' else 'end'}')"
            f".map((text) => [Number(text.textContent.replace(/^10(.)/, '1e$1')), Number(text.getAttribute('{axis}'))])", figure))

    def test_axes_fit_the_curves_that_are_shown(self):
        figure = self.figure("3 files together")
        lines = figure.find_elements(By.CSS_SELECTOR, ".legend li")
        before = {axis: self.ticks(figure, axis) for axis in "xy"}
        self.press(figure, "linear axis")
        wide = self.ticks(figure, "y")
        for line in lines[1:]:
            line.find_element(By.TAG_NAME, "input").click()
        narrow = self.ticks(figure, "y")
        with h5py.File(self.folder / "clean.h5") as file:
            bers, high, osnrs = file["ber"][:], file["ber_high"][:], file["channel.osnr_db"][:]
        self.assertLess(max(narrow), max(wide))
        # No more than one step of room above what is shown, and every point where the marks beside it say.
        top, next_to_it = sorted(narrow)[:-3:-1]
        self.assertTrue(top >= max(high) > next_to_it, (narrow, high))
        picture, = (each for each in figure.find_elements(By.CSS_SELECTOR, ".plot > svg") if each.is_displayed())
        for axis, values in (("x", osnrs), ("y", bers)):
            marks = self.ticks(figure, axis)
            low, end = min(marks), max(marks)
            for place, value in zip(places(picture, axis), values):
                self.assertAlmostEqual(place, marks[low] + (value - low) / (end - low) * (marks[end] - marks[low]), delta=0.35)
        for line in lines[1:]:
            line.find_element(By.TAG_NAME, "input").click()
        self.press(figure, "log axis")
        self.assertEqual({axis: self.ticks(figure, axis) for axis in "xy"}, before)

    def test_copied_tables_are_the_files_values_to_the_last_digit(self):
        for name in ("clean", "grid"):
            rows = self.copied(self.section(f"{name}.h5").find_elements(By.CLASS_NAME, "numbers")[-1])
            with h5py.File(self.folder / f"{name}.h5") as file:
                for column in ("ber", "ber_low", "ber_high", "ber_theory", "snr_db", "q_db", "errors", "bits"):
                    self.assertEqual([float(row[column]) for row in rows], list(file[column][:].ravel()), column)
        cells = self.copied(self.section("grid.h5").find_elements(By.TAG_NAME, "figure")[1])
        with h5py.File(self.folder / "grid.h5") as file:
            bits, osnr = list(file["adc.bits"][:]), list(file["channel.osnr_db"][:])
            for cell in cells:
                ber = file["ber"][osnr.index(float(cell["OSNR in 12.5 GHz [dB]"])), bits.index(float(cell["bits of the converters"]))]
                self.assertEqual(float(cell["bit error ratio before FEC"]), ber)

    def test_numbers_of_a_heat_map_are_readable_on_their_shades(self):
        pairs = self.page.execute_script("return [...document.querySelectorAll('.cell')].filter((cell) => cell.nextElementSibling.tagName === 'text')"
                                         ".map((cell) => [cell.getAttribute('fill'), getComputedStyle(cell.nextElementSibling).fill])")
        self.assertEqual(len(pairs), 8)
        for ground, words in pairs:
            ink = "#" + "".join(f"{int(part):02x}" for part in re.findall(r"\d+", words))
            self.assertGreater(contrast(ground, ink), 4.5, (ground, ink))  # WCAG 2.2, AA

    def test_paper_has_every_column_and_the_scenario_and_no_blank_page(self):
        pdf = self.folder / "page.pdf"
        pdf.write_bytes(base64.b64decode(self.page.execute_cdp_cmd("Page.printToPDF", {"preferCSSPageSize": True, "printBackground": True})["data"]))
        text = subprocess.run(["pdftotext", "-raw", pdf, "-"], check=True, capture_output=True, text=True).stdout
        pages = [re.sub(r"\s", "", page) for page in text.split("\f")[:-1]]
        self.assertFalse([number for number, page in enumerate(pages) if len(page) < 40])
        whole = "".join(pages)
        for head in self.page.find_elements(By.TAG_NAME, "th"):
            self.assertIn(re.sub(r"\s", "", head.get_attribute("textContent")), whole)
        for cells in self.page.find_elements(By.CSS_SELECTOR, "tr:last-child td:last-child"):
            self.assertIn(re.sub(r"\s", "", cells.get_attribute("textContent")), whole)
        for words in ("[laser_lo]", "linewidth_khz=100", "overhead_percentisabsent", "10-phase,Y"):
            self.assertIn(words, whole)
        self.assertNotIn("CopyCSV", whole)
        sizes = subprocess.run(["pdfinfo", pdf], check=True, capture_output=True, text=True).stdout
        self.assertRegex(sizes, r"Page size: +59[45]\.\d+ x 84[12]\.\d+ pts \(A4\)")
        # What the printer would cut off: columns beyond the sheet less its margins of 12 mm.
        self.page.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print"})
        self.page.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", {"width": int(186 / 25.4 * 96), "height": 900, "deviceScaleFactor": 1, "mobile": False})
        self.assertEqual(self.page.execute_script("return [...document.querySelectorAll('table, svg')].filter((n) => n.getBoundingClientRect().right > innerWidth + 1).map((n) => n.textContent.slice(0, 60))"), [])
        self.page.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})
        self.page.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": ""})

    def test_no_column_is_clipped_and_no_text_is_small(self):
        for width in (1400, 800, 390):
            self.page.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", {"width": width, "height": 900, "deviceScaleFactor": 1, "mobile": width < 500})
            self.assertLessEqual(self.page.execute_script("return document.documentElement.scrollWidth"), width)
            clipped = self.page.execute_script("return [...document.querySelectorAll('.scroll')].filter((part) => part.scrollWidth > part.clientWidth).map((part) => part.ariaLabel)")
            self.assertEqual(clipped if width > 390 else [], [], width)
            self.assertEqual(self.page.execute_script(SMALL), [], width)
        self.page.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})

    def test_all_stands_without_script(self):
        self.page.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": True})
        self.page.get((self.folder / "page.html").as_uri())
        self.assertEqual(self.page.find_elements(By.TAG_NAME, "button"), [])
        for part in ("figure svg", "table", "details pre"):
            self.assertTrue(self.page.find_element(By.CSS_SELECTOR, part).is_displayed(), part)
        self.assertTrue(self.page.find_elements(By.CSS_SELECTOR, ".mark > title"), "the browser's own window reads a point")
        self.page.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": False})

    def test_nothing_breaks_the_rules_of_accessibility(self):
        self.assertEqual(violations(self.page), [])

    def test_z_nothing_went_wrong_and_nothing_came_from_elsewhere(self):
        self.assertEqual([entry for entry in self.page.get_log("browser") if entry["level"] == "SEVERE"], [])
        self.assertEqual(self.page.execute_script("return performance.getEntriesByType('resource').length"), 0)


if __name__ == "__main__":
    unittest.main()
