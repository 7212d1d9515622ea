"""Ctrl-C: one line, the documented status, and no file that is not whole."""
import os
import signal
import subprocess
import unittest

from program import ProgramTest

# Minutes of work, with a caution about its launch power, which comes when the work is about to begin.
LONG = """[signal]
symbols = 262144
[run]
fft_planning = estimated
frames = 3
[transmitter]
launch_power_dbm = 15
[fibre]
spans = 40
steps_per_span = 100
"""


class Stopping(ProgramTest):
    def stopped(self, number, *arguments):
        """Status and standard error of a run that gets the signal as soon as it says its caution."""
        with subprocess.Popen([os.environ["COHLINK"], *arguments], cwd=self.folder, text=True, stdin=subprocess.DEVNULL,
                              stdout=subprocess.PIPE, stderr=subprocess.PIPE) as program:
            self.assertIn("caution", program.stderr.readline())
            program.send_signal(number)
            printed, said = program.communicate(timeout=300)
        self.assertEqual(printed, "")
        return program.returncode, said

    def test_a_simulation_ends_with_one_line_and_no_file(self):
        self.write("long.ini", LONG)
        for number, status in ((signal.SIGINT, 130), (signal.SIGTERM, 143)):
            for path in ("c.h5", "c-000.h5"):
                before = self.listing()
                arguments = ["simulate", "long.ini", "--quiet", "-o", path] + (["--set", "run.frames=1"] if path == "c.h5" else [])
                self.assertEqual(self.stopped(number, *arguments),
                                 (status, "cohlink: interrupted; nothing was written\n"))
                self.assertEqual(self.listing(), before)


if __name__ == "__main__":
    unittest.main()
