"""The same light written two ways gives the same, to the last digit, through every command that reads a line."""
import itertools
import unittest

import h5py
import numpy

from program import ProgramTest

COMMON = """[signal]
symbols = 2048
modulation = 16qam
[run]
fft_planning = estimated
frames = 2
[fec]
code = ofec
[fibre]
steps_per_span = 4
[require.snr]
measure = snr_db
at_least = 1
"""

# What is written one way and another.
PAIRS = {
    "launch power, or an offset on it": (
        "[fibre]\nspans = 2\n[transmitter]\nlaunch_power_dbm = 6\nlaunch_amplifier_noise_figure_db = 5\n",
        "[fibre]\nspans = 2\n[transmitter]\nlaunch_amplifier_noise_figure_db = 5\n[channel]\npower_offsets_db = 6\n"),
    "equal spans, or a list of them": (
        "[fibre]\nspans = 2\nspan_length_km = 75\n[amplifier]\noutput_power_dbm = 3\n",
        "[fibre]\nspan_lengths_km = 75,75\n[amplifier]\noutput_power_dbm = 3\n"),
}

CHAIN = "resample,{line},clock,matched-filter,equaliser,frequency,phase"


class OneLine(ProgramTest):
    def each(self):
        for claim, ways in PAIRS.items():
            for name, way in zip(("one.ini", "other.ini"), ways):
                self.write(name, COMMON)
                self.write("as-" + name, way)
            yield claim

    def told(self, name, command, *arguments):
        """What is said of the line `name`, but for its name and the keys that were given."""
        text = self.succeed(command, name, "as-" + name, *arguments, "--quiet", "--format", "csv")
        return text.replace(name, "NAME")

    def same(self, command, *arguments):
        self.assertEqual(self.told("one.ini", command, *arguments), self.told("other.ini", command, *arguments))

    def captures(self):
        for name in ("one.ini", "other.ini"):
            self.told(name, "simulate", "-o", name + ".h5", "--set", "run.frames=1")

    def test_light_path_and_every_receiver(self):
        for _ in self.each():
            self.captures()
            with h5py.File(self.folder / "one.ini.h5") as one, h5py.File(self.folder / "other.ini.h5") as other:
                self.assertTrue(numpy.array_equal(one["/adc/samples"][...], other["/adc/samples"][...]))
            told = [self.succeed("inspect", name + ".h5", "--format", "csv") for name in ("one.ini", "other.ini")]
            # Of the scenario that is listed behind the facts, the keys alone differ.
            facts = [[line for line in text.splitlines() if "." not in line.split(",")[0]] for text in told]
            self.assertGreater(len(facts[0]), 20)
            self.assertEqual(*([line for line in of if ".ini.h5" not in line] for of in facts))
            rules = ("cma", "decision-directed"), ("complex", "widely-linear"), ("dispersion", "back-propagation")
            for rule, form, line in itertools.product(*rules):
                settings = [f"dsp.equaliser={rule}", f"dsp.equaliser_form={form}", "dsp.chain=" + CHAIN.format(line=line)]
                options = [part for setting in settings for part in ("--set", setting)]
                told = []
                for name in ("one.ini", "other.ini"):
                    # A receiver that loses lock says the same about it, too.
                    result = self.run_program("receive", name + ".h5", *options, "--quiet", "--format", "csv")
                    told.append((result.returncode, result.stdout))
                with self.subTest(settings):
                    self.assertEqual(*told)
            self.assertEqual(*(self.succeed("receive", name + ".h5", "--cost", "--format", "csv")
                               for name in ("one.ini", "other.ini")))

    def test_studies(self):
        for _ in self.each():
            self.same("budget")
            self.same("qualify")
            self.same("sweep", "--vary", "laser_lo.linewidth_khz=0|100")
            self.same("sweep", "--vary", "laser_lo.linewidth_khz=0", "--measure", "snr_db")
            self.same("limit", "--vary", "laser_lo.linewidth_khz=0:100000", "--criterion", "snr_db=5", "--resolution", "40")
            self.same("outage", "-n", "2")

    def test_data_sets(self):
        for number, _ in enumerate(self.each()):
            sets = [f"{name}-set-{number}" for name in ("one.ini", "other.ini")]
            for name, folder in zip(("one.ini", "other.ini"), sets):
                self.told(name, "dataset", "-n", "1", "-o", folder)
            items = [next((self.folder / folder).rglob("*0.h5")) for folder in sets]
            with h5py.File(items[0]) as one, h5py.File(items[1]) as other:
                self.assertTrue(numpy.array_equal(one["/adc/samples"][...], other["/adc/samples"][...]))


if __name__ == "__main__":
    unittest.main()
