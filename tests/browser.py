"""A browser without a screen, and a checker of accessibility in it, for the tests of pages."""
import os
import pathlib
import unittest

from selenium import webdriver
from selenium.webdriver.chrome.options import Options
from selenium.webdriver.chrome.service import Service

# axe-core by npm (tools/setup.sh).
CHECKER = pathlib.Path(__file__).resolve().parent.parent / "build/checkers/node_modules/axe-core/axe.min.js"
# WCAG 2.2, levels A and AA.
RULES = """
const done = arguments[0];
axe.run(document, {runOnly: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"], resultTypes: ["violations"]})
  .then((found) => done(found.violations.map((rule) => rule.id + ": " + rule.help + ": " + rule.nodes[0].html.slice(0, 200))))
  .catch((error) => done([String(error)]));
"""


def open_browser():
    options = Options()
    options.binary_location = os.environ["CHROMIUM"]
    for argument in ("--headless=new", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage", "--window-size=1400,1000"):
        options.add_argument(argument)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
    browser = webdriver.Chrome(service=Service(os.environ["CHROMEDRIVER"]), options=options)
    browser.set_script_timeout(300)
    return browser


def prefer(browser, scheme):
    """Light or dark, as the reader's system asks for it."""
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": [{"name": "prefers-color-scheme", "value": scheme}]})


def violations(browser):
    """What breaks WCAG 2.2 AA, as far as a program can tell, in light and in dark; skips without the checker."""
    if not CHECKER.exists():
        raise unittest.SkipTest("no axe-core in build/checkers: tools/run-tests fetches it where there is npm")
    browser.execute_script(CHECKER.read_text(encoding="utf-8"))
    found = []
    for scheme in ("light", "dark"):
        prefer(browser, scheme)
        found += [f"{scheme}: {line}" for line in browser.execute_async_script(RULES)]
    return found
