"""The validation page: written from what checks recorded, and held against the next run's records."""
import json
import pathlib
import subprocess
import sys
import tempfile
import unittest

ROOT = pathlib.Path(__file__).resolve().parent.parent.parent

CHECKS = [
    {"claim": "with | a bar", "source": "common practice", "published": "20 ± 0.1 dB", "measured": "20.03 dB", "file": "tests/one_test.cpp"},
    {"claim": "an interval", "source": "theory", "published": "0 to 0.5 dB", "measured": "0.10 +- 0.02 dB", "file": "tests/one_test.cpp"},
    {"claim": "no tolerance [dB]", "source": "theory", "published": "grows", "measured": "0.5 (0.1)", "file": "tests/two_test.cpp"},
    {"claim": "a count", "source": "theory", "published": "every combination", "measured": "100 of 100", "file": "tests/two_test.cpp"},
]


class ValidationPage(unittest.TestCase):
    def setUp(self):
        scratch = tempfile.TemporaryDirectory(prefix="cohlink-test-")
        self.addCleanup(scratch.cleanup)
        self.folder = pathlib.Path(scratch.name)
        page = self.tool(self.records(CHECKS))
        self.assertEqual(page.returncode, 0, page.stderr)
        (self.folder / "page.md").write_text(page.stdout, encoding="utf-8")

    def tool(self, *arguments):
        return subprocess.run([sys.executable, "-B", ROOT / "tools" / "validation-doc", *arguments], capture_output=True,
                              encoding="utf-8", check=False)

    def records(self, checks):
        path = self.folder / "checks.jsonl"
        path.write_text("".join(json.dumps(check) + "\n" for check in checks), encoding="utf-8")
        return path

    def compared(self, change):
        """The comparison after `change` has been made to the records."""
        checks = [dict(check) for check in CHECKS]
        change(checks)
        return self.tool("--compare", self.folder / "page.md", self.records(checks))

    def test_another_machines_numbers_pass(self):
        def change(checks):
            checks[0]["measured"] = "20.12 dB"
            checks[1]["measured"] = "-0.14 +- 0.03 dB"
            checks[2]["measured"] = "5.8e-1 (0.18)"
        result = self.compared(change)
        self.assertEqual(result.returncode, 0, result.stderr)
        self.assertIn("0 differences", result.stdout)

    def test_other_words_fail(self):
        result = self.compared(lambda checks: checks[3].update(measured="no lock"))
        self.assertEqual((result.returncode, result.stderr),
                         (1, "a count: measured is '# of #' on the page, 'no lock' as recorded\n"))

    def test_a_section_for_each_file_of_tests(self):
        page = (self.folder / "page.md").read_text(encoding="utf-8")
        self.assertIn("## one test\n\n(`tests/one_test.cpp`)\n\n| claim |", page)
        self.assertLess(page.index("| with"), page.index("## two test"))
        self.assertGreater(page.index("| a count"), page.index("## two test"))

    def test_other_claims_sources_and_published_values_fail(self):
        for column, text in (("source", "another book"), ("published", "19 ± 0.1 dB")):
            result = self.compared(lambda checks: checks[0].update({column: text}))
            self.assertEqual(result.returncode, 1)
            self.assertIn(f"with | a bar: {column} is '{CHECKS[0][column]}' on the page, '{text}' as recorded", result.stderr)
        result = self.compared(lambda checks: checks[0].update(claim="new"))
        self.assertEqual(result.returncode, 1)
        self.assertIn("with | a bar: on the page, but not recorded", result.stderr)
        self.assertIn("new: recorded, but not on the page", result.stderr)


if __name__ == "__main__":
    unittest.main()
