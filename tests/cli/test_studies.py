"""Studies: the same numbers with reuse off, killed and resumed, in parts and under MPI; limit, outage, qualify, budget."""
import csv
import io
import os
import pathlib
import shutil
import signal
import subprocess
import time
import unittest

import h5py

from program import ProgramTest

LINE = """[signal]
symbols = 2048
[run]
samples_per_symbol = 4
fft_planning = estimated
frames = 5
target_errors = 200
[fibre]
spans = 2
steps_per_span = 3
[transmitter]
laser_linewidth_khz = 50
[channel]
osnr_db = 11
[laser_lo]
linewidth_khz = 50
"""
GRID = ["--vary", "channel.osnr_db=8|10|12", "--vary", "dsp.test_phases=8|16"]


class SweepTest(ProgramTest):
    def setUp(self):
        super().setUp()
        self.write("line.ini", LINE)

    def sweep(self, *arguments):
        return self.succeed("sweep", "line.ini", "--quiet", "--format", "csv", *arguments)


class Reuse(SweepTest):
    def test_the_table_is_the_same_with_reuse_off_for_keys_of_every_stage(self):
        for grid in (GRID, ["--vary", "laser_lo.linewidth_khz=50|200", "--vary", "channel.dgd_ps=0|10"],
                     ["--vary", "transmitter.launch_power_dbm=0|6", "--vary", "adc.bits=5|8"],
                     ["--vary", "fibre.spans=1|2", "--vary", "dsp.phase_window=32|64"]):
            kept = self.sweep(*grid, "--threads", 2)
            self.assertEqual(kept, self.sweep(*grid, "--threads", 1, "--set", "run.reuse=false"), grid)
            self.assertEqual(kept, self.sweep(*grid, "--threads", 2, "--set", "run.reuse_memory_mb=0"), grid)

    def test_points_that_differ_in_the_receiver_alone_see_the_same_captures(self):
        rows = list(csv.DictReader(io.StringIO(self.sweep("--vary", "run.threads=1|2"))))
        self.assertEqual(rows[0]["errors"], rows[1]["errors"])

    def test_a_search_for_the_required_osnr_finds_the_same_with_reuse_off(self):
        osnr = ["--measure", "required_osnr", "--vary", "adc.bits=5|8", "--set", "fec.threshold_ber=2e-2", "--set",
                "run.frames=8"]
        self.assertEqual(self.sweep(*osnr), self.sweep(*osnr, "--set", "run.reuse=false"))


class Resume(SweepTest):
    # About a second of work in frames of some milliseconds.
    LONG = [*GRID, "--set", "run.target_errors=0", "--set", "run.frames=60"]

    def start(self, output):
        return subprocess.Popen([os.environ["COHLINK"], "sweep", "line.ini", "--quiet", "--format", "csv", "--threads", "1",
                                 *self.LONG, "-o", output], cwd=self.folder, stdout=subprocess.PIPE, stderr=subprocess.PIPE)

    def interrupted(self, output, how):
        """Starts a sweep and ends it once a few frames are in its journal."""
        journal = self.folder / (output + ".journal")
        run = self.start(output)
        self.addCleanup(run.stdout.close)
        self.addCleanup(run.stderr.close)
        while run.poll() is None and not (journal.exists() and journal.read_bytes().count(b"\n") > 5):
            time.sleep(0.002)
        run.send_signal(how)
        run.wait()
        self.assertNotEqual(run.returncode, 0, "the sweep was over before it could be ended: make it longer")
        self.assertFalse((self.folder / output).exists())
        return journal

    def test_killed_and_resumed_is_uninterrupted_byte_for_byte(self):
        whole = self.sweep(*self.LONG, "-o", "whole.h5")
        for how in (signal.SIGKILL, signal.SIGINT):
            journal = self.interrupted("again.h5", how)
            with journal.open("ab") as file:
                file.write(b"torn line without an e")
            result = self.run_program("sweep", "line.ini", "--format", "csv", *self.LONG, "-o", "again.h5")
            self.assertEqual(result.returncode, 0, result.stderr)
            self.assertIn("going on from again.h5.journal", result.stderr)
            self.assertEqual(result.stdout, whole)
            self.assertEqual(self.content("again.h5"), self.content("whole.h5"))
            self.assertFalse(journal.exists(), "a finished sweep leaves no journal")
            (self.folder / "again.h5").unlink()

    def test_a_journal_of_another_sweep_is_refused_by_what_differs(self):
        self.interrupted("curve.h5", signal.SIGKILL)
        self.refuse(2, "was left by another run (scenario differs)", "sweep", "line.ini", *self.LONG, "--seed", 7, "-o", "curve.h5")
        self.refuse(2, "was left by another run (--vary differs)", "sweep", "line.ini", *self.LONG[2:], "-o", "curve.h5")

    def test_what_the_sweep_did_not_depend_on_may_change(self):
        self.interrupted("curve.h5", signal.SIGKILL)
        self.succeed("sweep", "line.ini", "--quiet", *self.LONG, "--threads", 2, "--set", "run.reuse=false", "-o", "curve.h5")


class Parts(SweepTest):
    def parts(self, count, *grid):
        names = []
        for k in range(1, count + 1):
            names.append(f"part{k}.h5")
            self.sweep(*grid, "--part", f"{k}/{count}", "-o", names[-1])
        return names

    def test_merged_parts_are_the_whole_byte_for_byte(self):
        for count, grid in ((3, GRID), (2, ["--vary", "fibre.spans=1|2", *GRID[:2]])):
            whole = self.sweep(*grid, "-o", "whole.h5")
            names = self.parts(count, *grid)
            merged = self.succeed("merge", *reversed(names), "--quiet", "--format", "csv", "-o", "merged.h5")
            self.assertEqual(merged, whole)
            self.assertEqual(self.content("merged.h5"), self.content("whole.h5"))

    def test_searches_merge_as_well(self):
        penalty = ["--measure", "penalty_db", "--vary", "channel.dgd_ps=0|10|20", "--set", "run.frames=8"]
        whole = self.sweep(*penalty)
        self.assertEqual(self.succeed("merge", *self.parts(2, *penalty), "--format", "csv", "--quiet"), whole)

    def test_parts_that_do_not_fit_are_named(self):
        one, two = self.parts(2, *GRID)
        self.refuse(2, "missing 2/2", "merge", one)
        shutil.copy(self.folder / one, self.folder / "copy.h5")
        self.refuse(2, "copy.h5: is part 1, as is part1.h5", "merge", one, "copy.h5", two)
        self.sweep(*GRID, "--seed", 5, "--part", "2/2", "-o", "other.h5")
        self.refuse(2, "other.h5: is not of the same sweep as part1.h5 (scenario differs)", "merge", one, "other.h5")
        self.sweep(*GRID, "-o", "curve.h5")
        self.refuse(2, "curve.h5: is not a part of a sweep", "merge", one, "curve.h5")

    def test_a_part_is_k_of_n(self):
        for text in ("0/2", "3/2", "1", "a/b", "1/0"):
            self.refuse(2, f"--part {text}: expected k/n", "sweep", "line.ini", *GRID, "--part", text, "-o", "p.h5")
        self.refuse(2, "--part needs -o FILE", "sweep", "line.ini", *GRID, "--part", "1/2")


@unittest.skipUnless(os.environ.get("COHLINK_MPIRUN"), "built without MPI")
class Ranks(SweepTest):
    def mpi(self, ranks, *arguments):
        command = [os.environ["COHLINK_MPIRUN"], "--oversubscribe", "--bind-to", "none", "-n", str(ranks),
                   os.environ["COHLINK"], *arguments]
        environment = dict(os.environ, OMPI_ALLOW_RUN_AS_ROOT="1", OMPI_ALLOW_RUN_AS_ROOT_CONFIRM="1")
        return subprocess.run(command, cwd=self.folder, env=environment, text=True, capture_output=True, check=False,
                              stdin=subprocess.DEVNULL)

    def test_two_and_three_ranks_give_the_table_and_file_of_one_thread(self):
        for number, grid in enumerate((GRID, ["--vary", "adc.bits=4|6|8", "--set", "fibre.spans=0"])):
            alone = self.sweep(*grid, "--threads", 1, "-o", "alone.h5")
            for ranks in (2, 3):
                result = self.mpi(ranks, "sweep", "line.ini", "--quiet", "--format", "csv", *grid, "-o", "ranks.h5")
                self.assertEqual(result.returncode, 0, result.stderr)
                self.assertEqual(result.stdout, alone, (number, ranks))
                self.assertEqual(self.content("ranks.h5"), self.content("alone.h5"))

    def test_bad_input_and_failures_end_all_ranks_with_one_message(self):
        result = self.mpi(2, "sweep", "line.ini", "--vary", "adc.bits=99")
        self.assertEqual((result.returncode, result.stderr.count("out of range")), (2, 1), result.stderr)
        result = self.mpi(2, "sweep", "line.ini", "--vary", "dsp.equaliser_taps=15|16")
        self.assertEqual((result.returncode, result.stderr.count("must be odd")), (2, 1), result.stderr)

    def test_other_commands_run_once(self):
        result = self.mpi(2, "keys", "adc.bits")
        self.assertEqual((result.returncode, result.stdout.count("[adc]")), (0, 1), result.stderr)


if __name__ == "__main__":
    unittest.main()
