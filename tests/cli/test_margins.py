"""margins: what it prints, keeps, refuses; killed and resumed, under MPI."""
import csv
import io
import json
import os
import signal
import subprocess
import time
import unittest

import h5py

from program import ProgramTest, attribute_text

# The hybrid's error is the weak point: QPSK at 32 GBd needs 10.33 dB for 2e-2 (Proakis, Digital Communications, ch. 4).
WEAK = """[signal]
symbols = 4096
[run]
samples_per_symbol = 2
fft_planning = estimated
frames = 4
[channel]
osnr_db = 12
[laser_lo]
linewidth_khz = 20
[frontend]
responsivity_a_per_w = 1.25
hybrid_phase_error_deg = 12
[adc]
bits = 16
[dsp]
chain = deskew,resample,frequency,dispersion,clock,matched-filter,equaliser,frequency,phase
"""


class Margins(ProgramTest):
    def setUp(self):
        super().setUp()
        self.write("weak.ini", WEAK)

    def test_parts_make_the_whole(self):
        ask = ["margins", "weak.ini", "--quiet", "--format", "json", "--set", "run.frames=1", "--set", "signal.symbols=2048"]
        whole = self.succeed(*ask, "-o", "whole.h5")
        for k in (3, 1, 2):
            self.assertEqual(self.succeed(*ask, "--part", f"{k}/3", "-o", f"part-{k}.h5"), "")
        parts = [f"part-{k}.h5" for k in (2, 1, 3)]
        self.assertEqual(self.succeed("merge", *parts, "--quiet", "--format", "json", "-o", "merged.h5"), whole)
        self.assertEqual(self.content("merged.h5"), self.content("whole.h5"))
        self.refuse(2, "missing 3/3", "merge", *parts[:2])
        self.refuse(2, "is part 1, as is", "merge", "part-1.h5", "part-1.h5", "part-2.h5")
        self.succeed(*ask, "--part", "3/3", "-o", "other.h5", "--seed", 5)
        self.refuse(2, "(scenario differs)", "merge", "part-1.h5", "part-2.h5", "other.h5")

    def test_costs_limits_and_pairs_in_every_output(self):
        text = self.succeed("margins", "weak.ini", "--quiet", "--format", "json", "-o", "margins.h5")
        found = json.loads(text)
        rows = {row["impairment"]: row for row in found["impairments"]}
        self.assertEqual(set(rows), {"channel.osnr_db", "laser_lo.linewidth_khz", "frontend.hybrid_phase_error_deg"})
        self.assertEqual(found["breaks_first"], found["impairments"][0]["impairment"])
        for row in rows.values():
            self.assertLess(row["cost_low_db"], row["cost_db"])
            self.assertLess(row["cost_db"], row["cost_high_db"])
            self.assertEqual(row["state"], "limited")
            self.assertGreater(row["headroom"], 1)
            between = sorted([row["holds_at"], row["fails_at"]])
            self.assertTrue(between[0] <= row["limit"] <= between[1], row)
        # Without the noise that was loaded almost everything is gained; the laser costs little.
        self.assertGreater(rows["channel.osnr_db"]["cost_db"], rows["frontend.hybrid_phase_error_deg"]["cost_db"])
        self.assertLess(abs(rows["laser_lo.linewidth_khz"]["cost_db"]), 0.3)
        self.assertEqual(len(found["pairs"]), 3)

        table = self.succeed("margins", "weak.ini", "--quiet", "--format", "csv")
        self.assertEqual([row["impairment"] for row in csv.DictReader(io.StringIO(table))],
                         [row["impairment"] for row in found["impairments"]])
        pairs = list(csv.DictReader(io.StringIO(self.succeed("margins", "weak.ini", "--quiet", "--format", "csv", "--pairs"))))
        self.assertEqual([(row["first"], row["second"], float(row["interaction_db"])) for row in pairs],
                         [(row["first"], row["second"], row["interaction_db"]) for row in found["pairs"]])
        with h5py.File(self.folder / "margins.h5") as file:
            self.assertEqual(attribute_text(file, "kind"), "cohlink margins")
            self.assertEqual(list(file["impairments/impairment"].asstr()), [row["impairment"] for row in found["impairments"]])
            self.assertEqual(len(file["pairs/first"]), 3)
        self.succeed("report", "margins.h5", "-o", "page.html", "--quiet")
        self.assertIn(found["breaks_first"], (self.folder / "page.html").read_text(encoding="utf-8"))

    def test_threads_and_reuse_change_nothing(self):
        whole = self.succeed("margins", "weak.ini", "--quiet", "--format", "json", "--threads", 1)
        self.assertEqual(whole, self.succeed("margins", "weak.ini", "--quiet", "--format", "json", "--threads", 3))
        self.assertEqual(whole, self.succeed("margins", "weak.ini", "--quiet", "--format", "json", "--set", "run.reuse=false"))

    def test_killed_and_resumed_is_uninterrupted_byte_for_byte(self):
        ask = ["margins", "weak.ini", "--format", "json", "--threads", "1"]
        whole = self.succeed(*ask, "--quiet", "-o", "whole.h5")
        journal = self.folder / "again.h5.journal"
        with subprocess.Popen([os.environ["COHLINK"], *ask, "-o", "again.h5"], cwd=self.folder, stdout=subprocess.DEVNULL,
                              stderr=subprocess.DEVNULL) as run:
            while run.poll() is None and not (journal.exists() and journal.read_bytes().count(b"\n") > 4):
                time.sleep(0.002)
            run.send_signal(signal.SIGKILL)
            run.wait()
            self.assertNotEqual(run.returncode, 0, "over before it could be ended: make it longer")
        self.refuse(2, "again.h5.journal: was left by another run (--criterion differs)", *ask, "--criterion", "ber=1e-2", "-o",
                    "again.h5")
        result = self.run_program(*ask, "-o", "again.h5")
        self.assertEqual((result.returncode, result.stdout), (0, whole), result.stderr)
        self.assertIn("going on from again.h5.journal", result.stderr)
        self.assertEqual(self.content("again.h5"), self.content("whole.h5"))
        self.assertFalse(journal.exists())

    @unittest.skipUnless(os.environ.get("COHLINK_MPIRUN"), "built without MPI")
    def test_two_ranks_find_the_same(self):
        ask = ["margins", "weak.ini", "--quiet", "--format", "json"]
        alone = self.succeed(*ask, "--threads", 1, "-o", "alone.h5")
        command = [os.environ["COHLINK_MPIRUN"], "--oversubscribe", "--bind-to", "none", "-n", "2", os.environ["COHLINK"], *ask]
        environment = dict(os.environ, OMPI_ALLOW_RUN_AS_ROOT="1", OMPI_ALLOW_RUN_AS_ROOT_CONFIRM="1")
        for more, status, out in (([], 0, alone), (["--criterion", "nothing"], 2, ""), (["--quick"], 0, None)):
            result = subprocess.run([*command, *more, "-o", "ranks.h5"], cwd=self.folder, env=environment, text=True,
                                    capture_output=True, check=False, stdin=subprocess.DEVNULL, timeout=300)
            self.assertEqual(result.returncode, status, result.stderr)
            if out is not None:
                self.assertEqual(result.stdout, out)
        self.succeed(*ask, "--threads", 1, "-o", "ranks.h5")
        self.assertEqual(self.content("ranks.h5"), self.content("alone.h5"))

    def test_a_link_that_fails_ends_with_status_1(self):
        result = self.run_program("margins", "weak.ini", "--quiet", "--set", "channel.osnr_db=9", "--format", "json")
        self.assertEqual(result.returncode, 1, result.stderr)
        self.assertIn(json.loads(result.stdout)["impairments"][0]["state"], ("fails now", "fails anyway"))

    def test_quick_answers_by_closed_forms_and_says_so(self):
        found = json.loads(self.succeed("margins", "weak.ini", "--quick", "--format", "json", "-o", "quick.h5"))
        rows = {row["impairment"]: row for row in found["impairments"]}
        # White noise alone: 12 dB may sink to the 10.33 dB of theory.
        self.assertAlmostEqual(rows["channel.osnr_db"]["limit"], 10.33, delta=0.02)
        self.assertEqual(rows["frontend.hybrid_phase_error_deg"]["state"], "not counted")
        self.assertTrue(found["method"].startswith("closed forms of the budget"))
        self.refuse(2, "--pairs: closed forms", "margins", "weak.ini", "--quick", "--pairs")
        self.refuse(2, "has no closed form", "margins", "weak.ini", "--quick", "--criterion", "penalty_db=1")

    def test_bad_input_is_one_line(self):
        self.refuse(2, "margins needs a scenario file", "margins")
        self.refuse(2, "--part needs -o FILE", "margins", "weak.ini", "--part", "1/2")
        self.refuse(2, "--part 3/2: expected k/n", "margins", "weak.ini", "--part", "3/2", "-o", "part.h5")
        self.refuse(2, "--quick: not with --part", "margins", "weak.ini", "--part", "1/2", "-o", "part.h5", "--quick")
        self.refuse(2, "--resolution 0: expected a percentage up to 50", "margins", "weak.ini", "--resolution", "0")
        self.refuse(2, "snr_penalty_db is for outage", "margins", "weak.ini", "--criterion", "snr_penalty_db=1")
        self.refuse(2, "unknown option", "margins", "weak.ini", "--crit", "ber")
        self.write("perfect.ini", "[adc]\nbits = 16\n[frontend]\nresponsivity_a_per_w = 1.25\n")
        self.refuse(2, "the scenario has no impairment; --all asks", "margins", "perfect.ini")


if __name__ == "__main__":
    unittest.main()
