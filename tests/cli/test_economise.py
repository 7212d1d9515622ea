"""economise: what it prints, keeps, refuses; resumed to the same answer, which the receiver then has."""
import json
import unittest

import h5py

from program import ProgramTest, attribute_text

SMALL = """[signal]
symbols = 8192
[run]
samples_per_symbol = 2
fft_planning = estimated
[channel]
osnr_db = 14
"""
ASK = ["economise", "small.ini", "--quiet", "--format", "json", "--only-cut", "--cut", "dsp.test_phases=12|6", "--cut", "adc.bits=6|5|4"]


class Economise(ProgramTest):
    def setUp(self):
        super().setUp()
        self.write("small.ini", SMALL)

    def test_the_answer_is_a_receiver_that_can_be_had(self):
        found = json.loads(self.succeed(*ASK, "-o", "economy.h5"))
        self.assertTrue(found["complete"])
        self.assertEqual(len(found["cuts"]), 5)
        self.assertLessEqual(found["fresh_penalty_high_db"], 0.5)
        self.assertLess(found["pj_per_bit"], found["own_pj_per_bit"])
        front = found["front"]
        self.assertEqual(front[0]["cut"], "nothing")
        self.assertEqual([row["chosen"] for row in front].count(True), 1)
        energy = [row["pj_per_bit"] for row in front]
        self.assertEqual(energy, sorted(energy, reverse=True))
        # What `receive --cost` says of the receiver it names.
        settings = found["settings"].split()
        self.succeed("simulate", "small.ini", "--quiet", "-o", "capture.h5", *settings)
        cost = json.loads(self.succeed("receive", "capture.h5", "--quiet", "--cost", "--format", "json"))[-1]
        self.assertAlmostEqual(cost["multiplications_per_bit"] + cost["additions_per_bit"], found["operations_per_bit"], places=6)
        with h5py.File(self.folder / "economy.h5") as file:
            self.assertEqual(attribute_text(file, "kind"), "cohlink economise")
            self.assertEqual(len(file["front/pj_per_bit"]), len(front))
        self.assertFalse((self.folder / "economy.h5.journal").exists())
        self.succeed("report", "economy.h5", "-o", "page.html", "--quiet")
        self.assertIn("<summary>all receivers that were tried</summary>", (self.folder / "page.html").read_text(encoding="utf-8"))
        self.assertEqual(found, json.loads(self.succeed(*ASK, "--threads", 1, "--set", "run.reuse=false")))

    def test_refusals(self):
        self.refuse(2, "economise needs a scenario file", "economise")
        self.refuse(2, "--penalty 0: expected dB, above 0", "economise", "small.ini", "--penalty", "0")
        self.refuse(2, "--keep clocks: is not among what can be cut", "economise", "small.ini", "--keep", "clocks")
        self.refuse(2, "is no setting of the receiver that could be cut", "economise", "small.ini", "--cut", "fibre.spans=2|1")
        self.refuse(2, "--only-cut needs --cut", "economise", "small.ini", "--only-cut")
        self.refuse(2, "carries no bits", "economise", "small.ini", "--set", "signal.modulation=gaussian")
        self.refuse(2, "its receiver costs nothing", "economise", "small.ini", "--set", "cost.energy_per_multiplication_pj=0", "--set",
                    "cost.energy_per_addition_pj=0", "--set", "cost.energy_per_conversion_step_pj=0")


if __name__ == "__main__":
    unittest.main()
