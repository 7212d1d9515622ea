"""Runs cohlink as a user would, in a folder of its own, and looks at what it said and left behind."""
import os
import pathlib
import resource
import signal
import subprocess
import tempfile
import unittest

ROOT = pathlib.Path(__file__).resolve().parent.parent.parent

# Small and quick, with every random source that back-to-back work needs. Estimated FFT plans are made in no time.
SCENARIO = """[signal]
symbols = 4096
[run]
samples_per_symbol = 2
fft_planning = estimated
[transmitter]
laser_linewidth_khz = 100
[channel]
osnr_db = 11
[laser_lo]
linewidth_khz = 100
"""


def attribute_text(item, name):
    """The attribute `name` of a file, group or data set; texts of fixed length, which h5py gives as bytes, as str."""
    value = item.attrs.get(name)
    return value.decode() if isinstance(value, bytes) else value


def sent_symbols(file):
    """The symbols of an open capture's truth, (2, n) complex."""
    truth = file["truth"]
    return truth["constellation"][:][truth["symbol_codes"][:]]


class ProgramTest(unittest.TestCase):
    """A scratch folder with scenario.ini in it, and ways to run the program there."""

    def setUp(self):
        self.scratch = tempfile.TemporaryDirectory(prefix="cohlink-test-")
        self.addCleanup(self.scratch.cleanup)
        self.folder = pathlib.Path(self.scratch.name)
        self.write("scenario.ini", SCENARIO)

    def write(self, name, text):
        (self.folder / name).write_text(text, encoding="utf-8")

    def run_program(self, *arguments, file_limit=None, **options):
        """cohlink with these arguments; file_limit caps the size of any file it writes, in bytes."""

        def limit():
            signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
            resource.setrlimit(resource.RLIMIT_FSIZE, (file_limit, file_limit))

        return subprocess.run([os.environ["COHLINK"], *map(str, arguments)], cwd=self.folder, text=True,
                              stdin=subprocess.DEVNULL, capture_output="stdout" not in options, check=False,
                              preexec_fn=limit if file_limit is not None else None, **options)

    def succeed(self, *arguments):
        """Runs, expects status 0, returns standard output."""
        result = self.run_program(*arguments)
        self.assertEqual(result.returncode, 0, result.stderr)
        return result.stdout

    def refuse(self, status, message, *arguments, **options):
        """Expects this exit status, one line on standard error that holds `message`, and no new file."""
        before = self.listing()
        result = self.run_program(*arguments, **options)
        self.assertEqual(result.returncode, status, result.stderr)
        self.assertEqual(result.stderr.count("\n"), 1, f"one line expected, not:\n{result.stderr}")
        self.assertTrue(result.stderr.startswith("cohlink: "), result.stderr)
        self.assertIn(message, result.stderr)
        self.assertFalse(result.stdout, "nothing belongs on standard output of a refused run")
        self.assertEqual(self.listing(), before, "a refused run leaves no file behind")

    def listing(self):
        return sorted(str(path.relative_to(self.folder)) for path in self.folder.rglob("*"))

    def content(self, name):
        return (self.folder / name).read_bytes()
