"""Every format through every command, and the same light written two ways through every command that reads a line."""
import csv
import io
import json
import unittest

from program import ProgramTest

FORMATS = {"8qam": 3, "64qam": 6}  # bits a symbol of one polarisation
# SNR for a BER near 1e-2 is some 11 dB of 8QAM and 18 dB of 64QAM, 32 GBd in 12.5 GHz adds 4 dB.
OSNR = {"8qam": 17, "64qam": 26}

# Small enough for every search below; the threshold is that of the code, 2e-2.
FORMAT_SCENARIO = """[signal]
symbols = 8192
modulation = {modulation}
[run]
samples_per_symbol = 2
fft_planning = estimated
frames = 4
[fec]
code = ofec
[channel]
osnr_db = {osnr}
[require.errors]
measure = ber
at_most = 2e-2
source = a test's own
"""


class Formats(ProgramTest):
    """8QAM and 64QAM are rows of the table of constellations: no command may know QPSK and 16QAM alone."""

    def each(self):
        for modulation, bits in FORMATS.items():
            self.write("format.ini", FORMAT_SCENARIO.format(modulation=modulation, osnr=OSNR[modulation]))
            yield modulation, bits

    def facts(self, *arguments):
        return json.loads(self.succeed(*arguments, "--quiet", "--format", "json"))

    def test_keys_name_them(self):
        listed = self.succeed("keys", "signal.modulation")
        for modulation in FORMATS:
            self.assertIn(modulation, listed)

    def test_simulate_inspect_and_receive(self):
        for modulation, bits in self.each():
            made = self.facts("simulate", "format.ini", "-o", "c.h5", "--set", "run.frames=1")
            self.assertEqual(made["symbols"], 8192)
            self.assertIn(modulation, self.succeed("inspect", "c.h5"))
            result = self.facts("receive", "c.h5", "-o", "r.h5")
            # Bits of two polarisations, less the ends that filters spoil.
            self.assertGreater(result["bits"], 0.8 * 2 * bits * 8192)
            self.assertLess(result["bits"], 2 * bits * 8192)
            self.assertLess(result["ber"], 5e-2)
            self.assertIn(modulation, self.succeed("inspect", "r.h5"))

    def test_tables_of_the_receiver(self):
        for _, _ in self.each():
            self.succeed("simulate", "format.ini", "-o", "c.h5", "--quiet", "--set", "run.frames=1")
            cost = list(csv.DictReader(io.StringIO(self.succeed("receive", "c.h5", "--cost", "--quiet", "--format", "csv"))))
            chain = {row["block"]: float(row["multiplications_per_bit"]) for row in cost}
            self.assertTrue(all(chain[block] > 0 for block in ("matched-filter", "equaliser", "phase")), chain)
            self.assertIn("phase", self.succeed("receive", "c.h5", "--knock-out", "--quiet"))

    def test_studies(self):
        for modulation, _ in self.each():
            curve = list(csv.DictReader(io.StringIO(self.succeed(
                "sweep", "format.ini", "--quiet", "--format", "csv", "--vary",
                f"channel.osnr_db={OSNR[modulation] - 2}|{OSNR[modulation]}", "--set", "fibre.spans=0"))))
            self.assertGreater(float(curve[0]["ber"]), float(curve[1]["ber"]))
            # Known data, ideal receiver: no fewer errors than in theory but for chance.
            self.assertGreater(float(curve[0]["ber_high"]), float(curve[0]["ber_theory"]))
            limit = self.facts("limit", "format.ini", "--vary", f"channel.osnr_db={OSNR[modulation] - 9}:{OSNR[modulation] + 3}",
                               "--criterion", "ber=3e-2", "--resolution", "20")
            self.assertIn("limit", json.dumps(limit))
            self.succeed("outage", "format.ini", "-n", 2, "--draw", "channel.dgd_ps=maxwell:2", "--quiet")
            self.succeed("qualify", "format.ini", "--quiet")
            self.assertIn("OSNR", self.succeed("budget", "format.ini", "--set", "fibre.spans=2", "--quiet"))

    def test_data_sets(self):
        for modulation, _ in self.each():
            self.succeed("dataset", "format.ini", "-n", 2, "-o", f"set-{modulation}", "--draw", "channel.dgd_ps=uniform:0:5",
                         "--quiet")


if __name__ == "__main__":
    unittest.main()
