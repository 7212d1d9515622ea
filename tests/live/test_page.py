"""The live page in a browser without a screen: it loads, knobs and switches act, the lecture runs."""
import math
import pathlib
import sys
import time
import unittest

from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys

sys.path.insert(0, str(pathlib.Path(__file__).resolve().parent.parent))

from bench import served  # noqa: E402
from browser import open_browser, prefer, violations  # noqa: E402

# Noise over signal of the QPSK points that the page holds behind the block phase, both rows.
SPREAD = """
const values = bench.round.blocks.find((block) => block.title === "phase").points.map((points) => {
  let re = 0, im = 0, all = 0; const count = points.length / 2;
  for (let i = 0; i < points.length; i += 2) { re += Math.abs(points[i]); im += Math.abs(points[i + 1]); all += points[i] ** 2 + points[i + 1] ** 2; }
  const signal = (re / count) ** 2 + (im / count) ** 2;
  return (all / count - signal) / signal;
});
return (values[0] + values[1]) / 2;
"""

# Relative luminance and contrast as WCAG 2.2 defines them, of every text against what lies behind it.
CONTRAST = """
const parts = (text) => text.match(/[\\d.]+/g).map(Number);
const luminance = ([r, g, b]) => { const f = (c) => (c /= 255) <= 0.04045 ? c / 12.92 : ((c + 0.055) / 1.055) ** 2.4; return 0.2126 * f(r) + 0.7152 * f(g) + 0.0722 * f(b); };
const behind = (node) => { for (; node; node = node.parentElement) { const c = parts(getComputedStyle(node).backgroundColor); if (c.length < 4 || c[3] > 0.5) return c; } return [255, 255, 255]; };
const poor = [];
for (const node of document.querySelectorAll("body *")) {
  const own = [...node.childNodes].some((child) => child.nodeType === 3 && child.textContent.trim() !== "");
  if (!own || !node.offsetParent || node.closest("noscript")) continue;
  const a = luminance(parts(getComputedStyle(node).color)), b = luminance(behind(node));
  const contrast = (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05);
  if (contrast < 4.5) poor.push(node.textContent.trim().slice(0, 40) + ": " + contrast.toFixed(2));
  if (parseFloat(getComputedStyle(node).fontSize) < 11) poor.push(node.textContent.trim().slice(0, 40) + ": too small");
}
return poor;
"""

# What a reader of the screen needs: a name for every control and every picture, one main heading.
NAMELESS = """
const named = (node) => (node.getAttribute("aria-label") || (node.labels && [...node.labels].map((l) => l.textContent).join("")) || node.textContent || "").trim() !== "";
return [...document.querySelectorAll("input, select, button, canvas")].filter((node) => !node.closest("[hidden]") && node.offsetParent && !named(node)).map((node) => node.outerHTML.slice(0, 80))
  .concat(document.querySelectorAll("h1").length === 1 ? [] : ["h1"]).concat(document.documentElement.lang ? [] : ["lang"]);
"""


WIDE = "return [...document.querySelectorAll('body *')].filter((n) => n.getBoundingClientRect().right > innerWidth).map((n) => n.outerHTML.slice(0, 90))"


class Page(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        context = served("--set", "adc.bits=16", "--set", "channel.osnr_db=20")
        host, port, token, _ = context.__enter__()
        cls.addClassCleanup(context.__exit__, None, None, None)
        cls.page = open_browser()
        cls.addClassCleanup(cls.page.quit)
        cls.page.get(f"http://{host}:{port}/{token}/")
        cls.wait("return bench.rounds >= 2")

    @classmethod
    def wait(cls, condition, seconds=60):
        deadline = time.monotonic() + seconds
        while not cls.page.execute_script(condition):
            if time.monotonic() > deadline:
                raise AssertionError(f"waited in vain: {condition}; status: " + cls.page.find_element(By.ID, "status").text)
            time.sleep(0.03)

    def settled(self, doing):
        """Does something that changes the bench, and waits for the first picture of the changed one."""
        version = self.page.execute_script("return bench.state.version")
        doing()
        self.wait(f"return bench.state.version > {version} && bench.round.version === bench.state.version")

    def start(self):
        self.settled(lambda: self.page.execute_script("bench.send({start: true})"))

    def turn(self, key, text):
        box = self.page.find_element(By.ID, "knob-" + key.replace(".", "-"))
        self.page.execute_script("arguments[0].closest('details').open = true; arguments[0].closest('.knob').hidden = false", box)
        self.page.execute_script("arguments[0].select()", box)
        box.send_keys(text, Keys.ENTER)

    def test_a_knob_moves_and_the_constellation_spreads_by_what_theory_says(self):
        self.start()
        for osnr_db in (20, 14):
            self.settled(lambda: self.turn("channel.osnr_db", f"{osnr_db}.0"))
            expected = osnr_db - 10 * math.log10(32 / 12.5)  # tests/live/test_views.py has the tolerance
            # |re| and |im| of 14 dB: tails that cross an axis fold back, 0.02 dB.
            self.assertAlmostEqual(-10 * math.log10(self.page.execute_script(SPREAD)), expected, delta=0.35)

    def test_a_block_is_switched_off_and_the_next_view_shows_it(self):
        self.start()
        box = self.page.find_element(By.CSS_SELECTOR, '[data-block="matched-filter"] input')
        self.settled(box.click)
        self.assertNotIn("matched-filter", self.page.execute_script("return bench.round.blocks.map((block) => block.title)"))
        self.assertIn("off", self.page.find_element(By.CSS_SELECTOR, '[data-block="matched-filter"]').get_attribute("class"))
        self.settled(self.page.find_element(By.CSS_SELECTOR, '[data-block="matched-filter"] input').click)
        self.assertIn("matched-filter", self.page.execute_script("return bench.round.blocks.map((block) => block.title)"))

    def test_a_bad_setting_is_told_beside_its_knob(self):
        self.start()
        self.turn("channel.osnr_db", "1000")
        self.wait("return document.getElementById('knob-channel-osnr_db-fault').textContent.includes('between -10 and 100')")
        self.assertEqual(self.page.find_element(By.ID, "knob-channel-osnr_db").get_attribute("aria-invalid"), "true")
        self.settled(lambda: self.turn("channel.osnr_db", "19"))
        self.assertEqual(self.page.find_element(By.ID, "knob-channel-osnr_db-fault").text, "")

    def test_every_step_of_the_lecture_is_shown(self):
        for number in range(self.page.execute_script("return bench.hello.lecture.length")):
            self.settled(self.page.find_element(By.ID, "next").click)
            self.assertTrue(self.page.find_element(By.ID, "lesson-title").text.startswith(f"{number + 1}. "))
        self.start()

    def test_all_is_named_and_readable_in_light_and_in_dark(self):
        self.start()
        for scheme in ("light", "dark"):
            prefer(self.page, scheme)
            self.assertEqual(self.page.execute_script(CONTRAST), [])
        self.assertEqual(self.page.execute_script(NAMELESS), [])

    def test_nothing_breaks_the_rules_of_accessibility(self):
        self.start()
        hold = self.page.find_element(By.ID, "hold")
        hold.click()  # rounds would only share the processor with the checker
        self.assertEqual(violations(self.page), [])
        hold.click()

    def test_no_width_scrolls_sideways(self):
        for width in (1400, 800, 390, 320):
            self.page.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", {"width": width, "height": 900, "deviceScaleFactor": 1, "mobile": False})
            self.assertLessEqual(self.page.execute_script("return document.documentElement.scrollWidth"), width, self.page.execute_script(WIDE))
        self.page.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})

    def test_z_nothing_went_wrong_and_nothing_came_from_elsewhere(self):
        self.assertEqual([entry for entry in self.page.get_log("browser") if entry["level"] == "SEVERE"], [])
        sources = self.page.execute_script("return performance.getEntriesByType('resource').map((entry) => entry.name)")
        here = self.page.execute_script("return location.origin")
        self.assertEqual([source for source in sources if not source.startswith((here, "data:"))], [])


if __name__ == "__main__":
    unittest.main()
