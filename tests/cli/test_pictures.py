"""Pictures: both draw from the files alone, and the same data give the same SVG."""
import subprocess
import sys
import unittest

from program import ROOT, ProgramTest

try:
    import matplotlib  # noqa: F401
    LACKING = ""
except ImportError:
    LACKING = "this Python has no matplotlib"


@unittest.skipIf(LACKING, LACKING)
class Pictures(ProgramTest):
    def draw(self, script, *arguments):
        return subprocess.run([sys.executable, "-B", ROOT / "tools" / "plots" / script, *arguments], cwd=self.folder,
                              capture_output=True, text=True, check=False)

    def drawn_twice_alike(self, script, *arguments):
        for stem in ("a", "b"):
            result = self.draw(script, *arguments, "-o", stem)
            self.assertEqual(result.returncode, 0, result.stderr)
            self.assertTrue(self.content(f"{stem}.png").startswith(b"\x89PNG"))
        self.assertEqual(self.content("a.svg"), self.content("b.svg"))

    def test_curve(self):
        self.succeed("sweep", "scenario.ini", "--quiet", "--vary", "signal.modulation=qpsk|16qam", "--vary",
                     "channel.osnr_db=9:1:13", "-o", "curve.h5")
        self.drawn_twice_alike("ber_curve.py", "curve.h5")

    def test_stages(self):
        self.succeed("simulate", "scenario.ini", "-o", "capture.h5")
        self.succeed("receive", "capture.h5", "-o", "result.h5")
        self.drawn_twice_alike("stages.py", "result.h5")

    def test_the_wrong_file_is_refused_in_one_line(self):
        self.succeed("simulate", "scenario.ini", "-o", "capture.h5")
        for script in ("stages.py", "ber_curve.py"):
            result = self.draw(script, "capture.h5", "-o", "x")
            self.assertEqual((result.returncode, result.stderr.count("\n")), (2, 1), result.stderr)


if __name__ == "__main__":
    unittest.main()
