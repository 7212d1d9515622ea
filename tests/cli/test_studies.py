"""Studies: the same numbers with reuse off, killed and resumed, in parts and under MPI; limit, outage, qualify, budget."""
import configparser
import csv
import io
import json
import os
import re
import shutil
import signal
import subprocess
import time
import unittest
import zlib
import xml.dom.minidom

import h5py
import numpy

from program import ProgramTest, ROOT, attribute_text

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
                     ["--vary", "fibre.spans=1|2", "--vary", "dsp.phase_window=32|64"],
                     [*GRID, "--measure", "gmi_bits"]):
            kept = self.sweep(*grid, "--threads", 2)
            self.assertEqual(kept, self.sweep(*grid, "--threads", 1, "--set", "run.reuse=false"), grid)
            self.assertEqual(kept, self.sweep(*grid, "--threads", 2, "--set", "run.reuse_memory_mb=0"), grid)

    def test_the_file_with_reuse_off_differs_in_its_scenario_alone(self):
        self.sweep(*GRID, "-o", "on.h5")
        self.sweep(*GRID, "--set", "run.reuse=false", "--set", "run.threads=2", "-o", "off.h5")
        with h5py.File(self.folder / "on.h5") as on, h5py.File(self.folder / "off.h5") as off:
            self.assertEqual(dict(on.attrs), dict(off.attrs))
            self.assertEqual(list(on), list(off))
            shown = [{name: repr(numpy.asarray(file[name]).tolist()) for name in file} for file in (on, off)]
            self.assertEqual([name for name in on if shown[0][name] != shown[1][name]], ["scenario"])
            lines = zip(*(file["scenario"].asstr()[()].splitlines() for file in (on, off)))
            self.assertEqual([b for a, b in lines if a != b], ["threads = 2", "reuse = false"])

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

    def test_measured_outputs_go_on_as_well(self):
        self.LONG = [*self.LONG, "--measure", "snr_x_db"]
        self.test_killed_and_resumed_is_uninterrupted_byte_for_byte()

    def test_a_journal_of_another_sweep_is_refused_by_what_differs(self):
        self.interrupted("curve.h5", signal.SIGKILL)
        self.refuse(2, "was left by another run (scenario differs)", "sweep", "line.ini", *self.LONG, "--seed", 7, "-o", "curve.h5")
        self.refuse(2, "was left by another run (points differs)", "sweep", "line.ini", *self.LONG[2:], "-o", "curve.h5")

    def test_a_damaged_record_is_told_and_what_follows_it_computed_again(self):
        whole = self.sweep(*self.LONG, "-o", "whole.h5")
        journal = self.interrupted("again.h5", signal.SIGKILL)
        lines = journal.read_bytes().split(b"\n")[:-1]  # the header, then a record a line
        lines[3] = lines[3][:-1] + bytes([lines[3][-1] ^ 1])  # one bit of the third record
        journal.write_bytes(b"\n".join(lines) + b"\n")
        result = self.run_program("sweep", "line.ini", "--format", "csv", *self.LONG, "-o", "again.h5")
        self.assertIn(f"cohlink: caution: again.h5.journal: the record in line 4 is damaged; it and the {len(lines) - 4} after it are "
                      "computed again, the 2 before it are kept\n", result.stderr)
        self.assertIn("going on from again.h5.journal, 2 results", result.stderr)
        self.assertEqual(result.stdout, whole)
        self.assertEqual(self.content("again.h5"), self.content("whole.h5"))

    QUESTIONS = {
        "limit": ["--vary", "channel.osnr_db=20:5", "--resolution", 1, "--set", "run.frames=200"],
        "outage": ["-n", 200, "--draw", "channel.dgd_ps=maxwell:20", "--criterion", "snr_penalty_db=0.5"],
        "qualify": ["sheet.ini", "--set", "run.frames=200"],
    }

    def test_killed_limits_outages_and_spec_sheets_go_on_to_the_same_answer(self):
        self.write("sheet.ini", "[require.tight]\nset = channel.osnr_db=10.6\nmeasure = ber\nat_most = 2e-2\n"
                   "[require.osnr]\nmeasure = required_osnr_db\nat_most = 11\n")
        for command, question in self.QUESTIONS.items():
            ask = [os.environ["COHLINK"], command, "line.ini", *map(str, question), "--format", "csv", "--threads", "1"]

            def run(output, end=None):
                with subprocess.Popen([*ask, "-o", output], cwd=self.folder, text=True, stdout=subprocess.PIPE,
                                      stderr=subprocess.PIPE) as running:
                    journal = self.folder / (output + ".journal")
                    while end and running.poll() is None and not (journal.exists() and journal.read_bytes().count(b"\n") > 9):
                        time.sleep(0.002)
                    if end:
                        running.send_signal(end)
                    out, err = running.communicate()
                    return running.returncode, out, err

            status, whole, said = run("whole.h5")
            self.assertIn(status, (0, 1), said)
            for how, code in ((signal.SIGKILL, -signal.SIGKILL), (signal.SIGINT, 130), (signal.SIGTERM, 143)):
                self.assertEqual(run("again.h5", how)[0], code, f"{command} was over before it could be ended: make it longer")
                self.assertFalse((self.folder / "again.h5").exists())
                again, out, said = run("again.h5")
                self.assertEqual((again, out), (status, whole), command)
                self.assertIn("going on from again.h5.journal", said)
                self.assertEqual(self.content("again.h5"), self.content("whole.h5"), command)
                self.assertFalse((self.folder / "again.h5.journal").exists())
                (self.folder / "again.h5").unlink()
            (self.folder / "whole.h5").unlink()

    def test_the_journal_stays_until_the_table_is_out(self):
        self.write("sheet.ini", "[require.easy]\nmeasure = ber\nat_most = 0.2\n")
        for command, question in {**self.QUESTIONS, "qualify": ["sheet.ini"], "sweep": GRID[:2]}.items():
            ask = [command, "line.ini", *question, "--set", "run.frames=8", "-o", "out.h5"]
            if command == "outage":
                ask[ask.index("-n") + 1] = 8
            with open("/dev/full", "w", encoding="utf-8") as full:
                result = self.run_program(*ask, stdout=full, stderr=subprocess.PIPE)
            self.assertEqual(result.returncode, 3, result.stderr)
            journal = self.folder / "out.h5.journal"
            counted = journal.read_bytes()
            result = self.run_program(*ask)
            self.assertIn(result.returncode, (0, 1), result.stderr)
            self.assertIn(f"going on from out.h5.journal, {counted.count(bytes([10])) - 1} results", result.stderr)
            self.assertTrue(result.stdout)
            self.assertFalse(journal.exists(), command)

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
        for count, grid in ((3, GRID), (2, ["--vary", "fibre.spans+fibre.span_length_km=1:80|2:40", *GRID[:2]]), (2, [*GRID, "--measure", "cycle_slips"])):
            whole = self.sweep(*grid, "-o", "whole.h5")
            names = self.parts(count, *grid)
            merged = self.succeed("merge", *reversed(names), "--quiet", "--format", "csv", "-o", "merged.h5")
            self.assertEqual(merged, whole)
            self.assertEqual(self.content("merged.h5"), self.content("whole.h5"))

    def test_searches_merge_as_well(self):
        penalty = ["--measure", "penalty_db", "--vary", "channel.dgd_ps=0|10|20", "--set", "run.frames=8"]
        whole = self.sweep(*penalty)
        self.assertEqual(self.succeed("merge", *self.parts(2, *penalty), "--format", "csv", "--quiet"), whole)

    def test_a_penalty_is_against_the_reference_with_all_other_keys_as_in_its_row(self):
        grid = ["--measure", "penalty_db", "--vary", "signal.modulation=qpsk|16qam", "--vary",
                "frontend.hybrid_phase_error_deg=0|12", "--set", "run.frames=8", "--set", "fibre.spans=0"]
        own = [*grid, "--reference", "frontend.hybrid_phase_error_deg=0"]
        whole = self.sweep(*own, "-o", "own.h5")
        rows = list(csv.DictReader(io.StringIO(whole)))
        for row in rows:
            upright, = (other for other in rows if other["signal.modulation"] == row["signal.modulation"]
                        and other["frontend.hybrid_phase_error_deg"] == "0")
            self.assertEqual(row["reference"], f"signal.modulation={row['signal.modulation']}, frontend.hybrid_phase_error_deg=0")
            self.assertEqual(row["reference_osnr_db"], upright["required_osnr_db"])
            self.assertAlmostEqual(float(row["penalty_db"]), float(row["required_osnr_db"]) - float(upright["required_osnr_db"]))
        self.assertEqual([rows[0]["penalty_db"], rows[2]["penalty_db"]], ["0", "0"])
        self.assertEqual(self.sweep(*own, "--threads", 2), whole)
        self.assertEqual(self.succeed("merge", *self.parts(3, *own), "--format", "csv", "--quiet", "-o", "merged.h5"), whole)
        self.assertEqual(self.content("merged.h5"), self.content("own.h5"))
        with h5py.File(self.folder / "own.h5") as file:
            self.assertEqual(attribute_text(file, "reference"),
                             "frontend.hybrid_phase_error_deg=0; as at the point itself: signal.modulation")
            self.assertEqual(file["reference_osnr_db"].shape, (2, 2))
        self.succeed("report", "own.h5", "-o", "page.html")
        self.assertIn("as at the point itself: signal.modulation", (self.folder / "page.html").read_text(encoding="utf-8"))

        # Without --reference all are against the first point: 16QAM needs 16.79 - 10.33 dB more than QPSK at 2e-2 by theory
        # (Cho and Yoon, IEEE Trans. Commun. 50(7) 1074, 2002); lasers, converter and short frames change that by tenths.
        rows = list(csv.DictReader(io.StringIO(self.sweep(*grid))))
        self.assertEqual({row["reference"] for row in rows}, {"signal.modulation=qpsk, frontend.hybrid_phase_error_deg=0"})
        self.assertAlmostEqual(float(rows[2]["penalty_db"]), 6.46, delta=0.6)

    def test_parts_that_do_not_fit_are_named(self):
        one, two = self.parts(2, *GRID)
        self.refuse(2, "missing 2/2", "merge", one)
        shutil.copy(self.folder / one, self.folder / "copy.h5")
        self.refuse(2, "copy.h5: is part 1, as is part1.h5", "merge", one, "copy.h5", two)
        self.sweep(*GRID, "--seed", 5, "--part", "2/2", "-o", "other.h5")
        self.refuse(2, "other.h5: is not of the same study as part1.h5 (scenario differs)", "merge", one, "other.h5")
        self.sweep(*GRID, "-o", "curve.h5")
        self.refuse(2, "curve.h5: is not a part of a sweep", "merge", one, "curve.h5")

    def test_parts_that_were_rounded_differently_are_told(self):
        one, two = self.parts(2, *GRID)
        with h5py.File(self.folder / two, "r+") as file:
            text = file["arithmetic"].asstr()[()]
            del file["arithmetic"]
            file["arithmetic"] = text.replace("vector loops: ", "vector loops: other ")
        content = (self.folder / two).read_bytes()  # as another machine would have sealed it
        seal = f"\ncohlink seal 1 {len(content):016x} {zlib.crc32(content):08x}\n"
        (self.folder / two).write_bytes(content + seal.encode())
        merged = self.run_program("merge", one, two, "--quiet", "--format", "csv")
        self.assertEqual(merged.returncode, 0)
        self.assertEqual(merged.stderr.count("round differently (vector loops)"), 1, merged.stderr)

    def test_a_part_is_k_of_n(self):
        for text in ("0/2", "3/2", "1", "a/b", "1/0"):
            self.refuse(2, f"--part {text}: expected k/n", "sweep", "line.ini", *GRID, "--part", text, "-o", "p.h5")
        self.refuse(2, "--part needs -o FILE", "sweep", "line.ini", *GRID, "--part", "1/2")


class PartsOfFrames(SweepTest):
    SHEET = ("[require.osnr]\nmeasure = required_osnr\nat_most = 13\n"
             "[require.snr]\nset = channel.osnr_db = 14\nmeasure = snr_db\nat_least = 5\n")

    def test_parts_of_outage_and_qualify_make_the_whole(self):
        self.write("sheet.ini", self.SHEET)
        for ask in (["outage", "line.ini", "-n", "7", "--draw", "channel.dgd_ps=maxwell:20", "--criterion", "snr_penalty_db=3"],
                    ["qualify", "line.ini", "sheet.ini"]):
            whole = self.run_program(*ask, "--quiet", "-o", "whole.h5")
            for k in (3, 1, 2):
                said = self.run_program(*ask, "--part", f"{k}/3", "-o", f"part-{k}.h5")
                self.assertEqual((said.returncode, said.stdout), (0, ""), said.stderr)
                self.assertIn(f"part {k} of 3; 'cohlink merge'", said.stderr)
            merged = self.run_program("merge", "--quiet", "part-2.h5", "part-3.h5", "part-1.h5", "-o", "merged.h5")
            self.assertEqual((merged.returncode, merged.stdout), (whole.returncode, whole.stdout), merged.stderr)
            self.assertEqual(self.content("merged.h5"), self.content("whole.h5"))
            self.refuse(2, "merge: missing 2/3", "merge", "part-1.h5", "part-3.h5", "-o", "m.h5")
        self.succeed("qualify", "line.ini", "sheet.ini", "--quiet", "--part", "1/1", "-o", "one.h5")  # a part, as of a sweep
        self.assertEqual(self.run_program("merge", "one.h5", "-o", "merged.h5").returncode, whole.returncode)
        self.assertEqual(self.content("merged.h5"), self.content("whole.h5"))
        self.refuse(2, "--part needs -o FILE", "qualify", "line.ini", "sheet.ini", "--part", "1/2")
        self.refuse(2, "--part 3/2: expected k/n", "outage", "line.ini", "--part", "3/2", "-o", "p.h5")


@unittest.skipUnless(os.environ.get("COHLINK_MPIRUN"), "built without MPI")
class Ranks(SweepTest):
    def mpi(self, ranks, *arguments):
        command = [os.environ["COHLINK_MPIRUN"], "--oversubscribe", "--bind-to", "none", "-n", str(ranks),
                   os.environ["COHLINK"], *arguments]
        environment = dict(os.environ, OMPI_ALLOW_RUN_AS_ROOT="1", OMPI_ALLOW_RUN_AS_ROOT_CONFIRM="1")
        return subprocess.run(command, cwd=self.folder, env=environment, text=True, capture_output=True, check=False,
                              stdin=subprocess.DEVNULL, timeout=120)

    def test_two_and_three_ranks_give_the_table_and_file_of_one_thread(self):
        for number, grid in enumerate((GRID, ["--vary", "adc.bits=4|6|8", "--set", "fibre.spans=0"],
                                       [*GRID, "--measure", "gmi_bits"])):
            alone = self.sweep(*grid, "--threads", 1, "-o", "alone.h5")
            for ranks in (2, 3):
                result = self.mpi(ranks, "sweep", "line.ini", "--quiet", "--format", "csv", *grid, "-o", "ranks.h5")
                self.assertEqual(result.returncode, 0, result.stderr)
                self.assertEqual(result.stdout, alone, (number, ranks))
                self.assertEqual(self.content("ranks.h5"), self.content("alone.h5"))

    def test_searches_are_handed_out_to_ranks(self):
        for measure in ("required_osnr", "penalty_db"):
            grid = ["--measure", measure, "--vary", "channel.dgd_ps=0|10|20", "--set", "run.frames=8"]
            alone = self.sweep(*grid, "--threads", 1, "-o", "alone.h5")
            self.assertEqual(self.sweep(*grid, "--threads", 2), alone)
            result = self.mpi(2, "sweep", "line.ini", "--quiet", "--format", "csv", *grid, "-o", "ranks.h5")
            self.assertEqual((result.returncode, result.stdout), (0, alone), result.stderr)
            self.assertEqual(self.content("ranks.h5"), self.content("alone.h5"))
        result = self.mpi(2, "sweep", "line.ini", "--quiet", *grid, "--reference", "channel.dgd_ps=-1")
        self.assertEqual((result.returncode, result.stderr.count("out of range")), (2, 1), result.stderr)

    def test_studies_that_search_have_their_frames_from_all_ranks(self):
        (self.folder / "sheet.ini").write_text("[require.osnr]\nmeasure = required_osnr\nat_most = 13\n"
                                               "[require.snr]\nset = channel.osnr_db = 14\nmeasure = snr_db\nat_least = 5\n")
        for ask in (["outage", "line.ini", "-n", "7", "--draw", "channel.dgd_ps=maxwell:20", "--criterion", "snr_penalty_db=3"],
                    ["limit", "line.ini", "--vary", "channel.dgd_ps=0:400", "--resolution", "25"],
                    ["qualify", "line.ini", "sheet.ini"]):
            ask = [*ask, "--quiet", "--format", "csv"]
            alone = self.run_program(*ask, "--threads", "1", "-o", "alone.h5")
            result = self.mpi(3, *ask, "-o", "ranks.h5")
            self.assertEqual((result.returncode, result.stdout), (alone.returncode, alone.stdout), result.stderr)
            self.assertIn(alone.returncode, (0, 1), alone.stderr)
            self.assertEqual(self.content("ranks.h5"), self.content("alone.h5"))

    def test_a_data_set_is_made_by_all_ranks(self):
        ask = ["dataset", "line.ini", "-n", "7", "--draw", "channel.osnr_db=10:20", "--quiet"]
        self.succeed(*ask, "-o", "alone")
        result = self.mpi(3, *ask, "-o", "ranks")
        self.assertEqual(result.returncode, 0, result.stderr)
        self.assertIn("made now  7\n", result.stdout)
        for path in (self.folder / "alone").iterdir():
            self.assertEqual(self.content(f"ranks/{path.name}"), self.content(f"alone/{path.name}"), path.name)
        result = self.mpi(2, *ask, "-o", "ranks", "--part", "1/2")
        self.assertEqual((result.returncode, result.stderr.count("not under mpirun")), (2, 1), result.stderr)

    def test_bad_input_and_failures_end_all_ranks_with_one_message(self):
        result = self.mpi(2, "sweep", "line.ini", "--vary", "adc.bits=99")
        self.assertEqual((result.returncode, result.stderr.count("out of range")), (2, 1), result.stderr)
        result = self.mpi(2, "sweep", "line.ini", "--vary", "dsp.equaliser_taps=15|16")
        self.assertEqual((result.returncode, result.stderr.count("must be odd")), (2, 1), result.stderr)

    def test_other_commands_run_once(self):
        result = self.mpi(2, "keys", "adc.bits")
        self.assertEqual((result.returncode, result.stdout.count("[adc]")), (0, 1), result.stderr)
        self.assertEqual(self.mpi(2, "sweep", "--help").stdout.count("usage:"), 1)

    def test_other_commands_fail_once(self):
        for arguments in (["merge", "missing.h5"], ["swep"], ["limit", "line.ini", "--vary", "channel.osnr_bd=9:8"], []):
            result = self.mpi(2, *arguments)
            self.assertEqual((result.returncode, result.stderr.count("cohlink: ")), (2, 1), result.stderr)


class Dataset(ProgramTest):
    DRAWS = ["--draw", "channel.osnr_db=10:20", "--draw", "adc.bits=4:8", "--draw", "laser_lo.linewidth_khz=log:1:1000",
             "--draw", "signal.modulation=choice:qpsk|16qam"]

    def make(self, count, folder, *more):
        return self.succeed("dataset", "scenario.ini", "--quiet", "-n", count, "-o", folder, *(more or self.DRAWS))

    def tree(self, folder):
        return {path.name: path.read_bytes() for path in (self.folder / folder).iterdir()}

    def labels(self, folder):
        return list(csv.DictReader(io.StringIO((self.folder / folder / "labels.csv").read_text(encoding="utf-8"))))

    def test_items_are_labelled_within_their_laws(self):
        self.make(12, "set")
        rows = self.labels("set")
        self.assertEqual([row["file"] for row in rows], [f"item-{i:06}.h5" for i in range(12)])
        self.assertEqual(len({row["seed"] for row in rows}), 12)
        self.assertEqual({row["signal.modulation"] for row in rows}, {"qpsk", "16qam"})
        for row in rows:
            self.assertTrue(10 <= float(row["channel.osnr_db"]) <= 20)
            self.assertIn(row["adc.bits"], {"4", "5", "6", "7", "8"})
            self.assertTrue(1 <= float(row["laser_lo.linewidth_khz"]) <= 1000)
            self.assertAlmostEqual(float(row["osnr_db"]), float(row["channel.osnr_db"]), places=9)
            with h5py.File(self.folder / "set" / row["file"]) as item:
                self.assertIn(f"osnr_db = {row['channel.osnr_db']}", item["scenario"].asstr()[()])
        with h5py.File(self.folder / "set" / "index.h5") as index:
            self.assertEqual(index["labels/file"].asstr()[3], "item-000003.h5")
            self.assertEqual(index["labels/adc.bits"][3], float(rows[3]["adc.bits"]))

    def test_splits_and_size_are_told(self):
        result = self.run_program("dataset", "scenario.ini", "-n", 8, "-o", "set", "--split", "train:0.75,test:0.25", *self.DRAWS)
        self.assertEqual(result.returncode, 0, result.stderr)
        self.assertRegex(result.stderr, r"about [0-9.]+ MB in all, [0-9.]+ MB an item; about .* to go")
        rows = self.labels("set")
        self.assertLessEqual({row["split"] for row in rows}, {"train", "test"})
        seals = [self.content(f"set/{row['file']}")[-9:-1].decode() for row in rows]
        self.assertEqual([row["crc32"] for row in rows], seals)
        self.refuse(2, "another scenario, seed or draws", "dataset", "scenario.ini", "-n", 8, "-o", "set", *self.DRAWS)
        self.refuse(2, "add up to 0.8", "dataset", "scenario.ini", "-n", 8, "-o", "other", "--split", "a:0.5,b:0.3")
        self.refuse(2, "NAME:SHARE", "dataset", "scenario.ini", "-n", 8, "-o", "other", "--split", "half")

    def test_an_item_is_made_again_from_its_file_alone(self):
        self.make(3, "set")
        self.succeed("simulate", "set/item-000002.h5", "--quiet", "-o", "again.h5")
        self.assertEqual(self.content("again.h5"), self.content("set/item-000002.h5"))

    def test_a_set_is_completed_and_extended_to_what_one_run_makes(self):
        self.make(6, "whole")
        self.make(4, "grown")
        (self.folder / "grown" / "item-000001.h5").unlink()
        (self.folder / "grown" / "item-000002.h5").write_bytes(b"")  # as a loss of power leaves it
        (self.folder / "grown" / "labels.csv").unlink()
        self.make(6, "grown")
        self.assertEqual(self.tree("whole"), self.tree("grown"))

    def test_a_killed_set_is_completed_to_the_same(self):
        self.make(40, "whole")
        run = subprocess.Popen([os.environ["COHLINK"], "dataset", "scenario.ini", "--quiet", "-n", "40", "-o", "killed",
                                "--threads", "1", *self.DRAWS], cwd=self.folder, stdout=subprocess.DEVNULL)
        while run.poll() is None and not (self.folder / "killed" / "item-000003.h5").exists():
            time.sleep(0.001)
        run.kill()
        run.wait()
        rows = {row["item"]: row for row in self.labels("whole")}
        landed = self.labels("killed")
        self.assertGreater(len(landed), 0)
        for row in landed:
            self.assertEqual(row, rows[row["item"]], "the labels grow with the items, each row as at the end")
            self.assertTrue((self.folder / "killed" / row["file"]).exists())
        self.make(40, "killed")
        left = self.tree("killed")
        for name in set(left) - set(self.tree("whole")):
            self.assertFalse(name.startswith("item-0") and name.endswith(".h5"), name)
        whole = self.tree("whole")
        self.assertEqual({name: left[name] for name in whole}, whole)

    def test_any_item_is_made_again_from_what_the_folder_says_of_itself(self):
        self.make(5, "set", *self.DRAWS, "--split", "a:0.5,b:0.5")
        (self.folder / "manifest").mkdir()
        self.write("manifest/dataset.ini", (self.folder / "set/dataset.ini").read_text(encoding="utf-8"))
        self.succeed("dataset", "manifest", "--item", 3, "-o", "again.h5")
        self.assertEqual(self.content("again.h5"), self.content("set/item-000003.h5"))
        self.succeed("dataset", "manifest", "--quiet", "-n", 5, "-o", "again")
        self.assertEqual(self.tree("again"), self.tree("set"))
        self.refuse(2, "--set: a data set's folder in the place of the scenario says all of it", "dataset", "set", "-n", 5, "-o", "x",
                    "--set", "adc.bits=4")
        self.refuse(2, "is no folder of a data set", "dataset", ".", "-n", 5, "-o", "x")

    def test_parts_in_one_folder_or_several_are_joined_to_what_one_run_makes(self):
        self.make(5, "whole")
        for part in ("1/2", "2/2"):
            self.make(5, "shared", *self.DRAWS, "--part", part)
            self.make(5, f"part-{part[0]}", *self.DRAWS, "--part", part)
        self.assertEqual([row["item"] for row in csv.DictReader(io.StringIO(self.content("shared/labels-1-of-2.csv").decode()))],
                         ["0", "2", "4"])
        self.make(5, "shared")
        self.succeed("merge", "part-1", "part-2", "-o", "joined", "--quiet")
        whole, shared = self.tree("whole"), self.tree("shared")
        self.assertEqual(self.tree("joined"), whole)
        self.assertEqual({name: shared[name] for name in whole}, whole)
        self.refuse(2, "item-000001.h5: is in none of these folders", "merge", "part-1", "-o", "x")
        self.make(5, "other", *self.DRAWS, "--seed", 9)
        self.refuse(2, "other: holds a data set of another scenario, seed or draws than part-1", "merge", "part-1", "other", "-o", "x")
        self.refuse(2, "holds something else", "merge", "part-1", "part-2", "-o", ".")

    def test_stacks_hold_what_the_files_hold_in_arrays_of_equal_length(self):
        draws = ["--draw", "signal.symbols=choice:2048|4096", "--draw", "signal.modulation=choice:qpsk|16qam"]
        self.make(5, "files", *draws)
        self.make(5, "shards", *draws, "--form", "shards:2")
        self.make(5, "cropped", *draws, "--form", "stacked", "--crop")
        rows, files = self.labels("shards"), self.labels("files")
        self.assertEqual([(row["file"], row["row"]) for row in rows],
                         [(f"shard-0000{i // 2}.h5", str(i % 2)) for i in range(5)])
        for row, single in zip(rows, files):
            self.assertEqual({k: v for k, v in row.items() if k not in ("file", "row", "crc32")},
                             {k: v for k, v in single.items() if k not in ("file", "crc32")})
            with h5py.File(self.folder / "shards" / row["file"]) as stack, h5py.File(self.folder / "files" / single["file"]) as item:
                at, lanes, codes = int(row["row"]), item["adc/samples"][:], item["truth/symbol_codes"][:]
                stored = stack["adc/samples"][at]
                self.assertEqual(stack["adc/samples_of_item"][at], lanes.shape[1])
                numpy.testing.assert_array_equal(stored[:, :lanes.shape[1]], lanes)
                self.assertFalse(stored[:, lanes.shape[1]:].any(), "filled up with zeros")
                numpy.testing.assert_array_equal(stack["truth/symbol_codes"][at, :, :codes.shape[1]], codes)
                modulation = stack["truth/modulation"][at].decode()
                numpy.testing.assert_array_equal(stack["truth/constellation"][modulation][:], item["truth/constellation"][:])
                self.assertEqual([scale[0].name for scale in stack["adc/samples"].dims], ["/item", "/lane", "/sample"])
        with h5py.File(self.folder / "cropped/stack.h5") as stack:
            self.assertEqual(stack["adc/samples"].shape, (5, 4, 4096))
        before = self.tree("shards")
        (self.folder / "shards/shard-00001.h5").unlink()
        self.make(5, "shards", *draws, "--form", "shards:2")
        self.assertEqual(self.tree("shards"), before)
        damaged = bytearray(self.content("shards/shard-00000.h5"))
        damaged[5000] ^= 1
        (self.folder / "shards/shard-00000.h5").write_bytes(damaged)
        self.refuse(2, "shard-00000.h5: damaged", "dataset", "scenario.ini", "--quiet", "-n", 5, "-o", "shards", *draws, "--form", "shards:2")
        self.refuse(2, "expected files, shards, shards:ITEMS or stacked", "dataset", "scenario.ini", "-n", 5, "-o", "x", "--form", "zip")
        self.refuse(2, "--crop: goes with", "dataset", "scenario.ini", "-n", 5, "-o", "x", "--crop")

    def test_items_are_measured_by_our_receiver(self):
        self.make(3, "set", "--draw", "channel.osnr_db=9:15", "--measure")
        for row in self.labels("set"):
            alone = json.loads(self.succeed("receive", f"set/{row['file']}", "--format", "json"))
            self.assertEqual(row["received_lock"], "1")
            self.assertAlmostEqual(float(row["received_snr_db"]), alone["snr_db"], places=9)
            self.assertAlmostEqual(float(row["received_ber"]), alone["ber"], places=12)

    def test_normal_draws_go_together(self):
        draws = ["--draw", "channel.osnr_db=normal:20:2", "--draw", "laser_lo.linewidth_khz=normal:500:50",
                 "--draw", "laser_lo.frequency_offset_mhz=normal:0:100"]
        pairs = ["--correlate", "channel.osnr_db,laser_lo.linewidth_khz=-0.8"]
        self.make(120, "set", "--set", "signal.symbols=1024", *draws, *pairs)
        drawn = numpy.array([[float(row[key]) for key in ("channel.osnr_db", "laser_lo.linewidth_khz", "laser_lo.frequency_offset_mhz")]
                             for row in self.labels("set")])
        found = numpy.corrcoef(drawn.T)
        # Fisher: atanh of the coefficient of n pairs is normal with deviation 1/sqrt(n - 3); five of them.
        for a, b, rho in ((0, 1, -0.8), (0, 2, 0.0), (1, 2, 0.0)):
            self.assertAlmostEqual(numpy.arctanh(found[a, b]), numpy.arctanh(rho), delta=5 / numpy.sqrt(117))
        numpy.testing.assert_allclose(drawn.std(axis=0), [2, 50, 100], rtol=5 / numpy.sqrt(2 * 120))

        def refused(message, *correlate):
            self.refuse(2, message, "dataset", "scenario.ini", "-n", 2, "-o", "x", *draws, *correlate)

        refused("adc.bits is not drawn", "--correlate", "channel.osnr_db,adc.bits=0.5")
        refused("lies between -1 and 1", "--correlate", "channel.osnr_db,laser_lo.linewidth_khz=1.5")
        refused("these two are given twice", *pairs, *pairs)
        refused("no variables can have these coefficients together", *pairs, "--correlate",
                "channel.osnr_db,laser_lo.frequency_offset_mhz=0.9", "--correlate",
                "laser_lo.linewidth_khz,laser_lo.frequency_offset_mhz=0.9")
        refused("only normal laws correlate", "--draw", "adc.bits=4:8", "--correlate", "adc.bits,channel.osnr_db=0.1")

    def test_bright_light_of_any_item_is_cautioned(self):
        line = ["dataset", "scenario.ini", "-n", 6, "--set", "fibre.spans=1", "--set", "fibre.steps_per_span=1"]
        dark = self.run_program(*line, "-o", "dark", "--draw", "transmitter.launch_power_dbm=0:1")
        self.assertNotIn("hazard", dark.stderr)
        bright = self.run_program(*line, "-o", "bright", "--quiet", "--draw", "transmitter.launch_power_dbm=0:14")
        self.assertEqual(bright.returncode, 0, bright.stderr)
        self.assertIn("above hazard level 1 ", bright.stderr)

    def test_normal_draws_are_truncated_to_the_legal_range(self):
        self.make(40, "set", "--set", "signal.symbols=1024", "--draw", "channel.dgd_ps=normal:0:10")
        drawn = [float(row["channel.dgd_ps"]) for row in self.labels("set")]
        self.assertGreaterEqual(min(drawn), 0)
        # A normal law cut in half: mean 10 sqrt(2/pi) = 7.98, deviation 6.03, of 40 items 0.95; five deviations.
        self.assertAlmostEqual(numpy.mean(drawn), 7.98, delta=4.8)
        self.refuse(2, "almost all of it lies outside the key's range", "dataset", "scenario.ini", "-n", 2, "-o", "none", "--draw",
                    "channel.dgd_ps=normal:-50:10")

    def test_draws_may_stand_in_the_scenario_and_be_overridden(self):
        self.write("draws.ini", "[draw]\nchannel.osnr_db = uniform:10:11\nadc.bits = 5:6\n")
        self.succeed("dataset", "scenario.ini", "draws.ini", "--quiet", "-n", 3, "-o", "set", "--draw", "adc.bits=8:8")
        self.assertEqual({row["adc.bits"] for row in self.labels("set")}, {"8"})

    def test_bad_draws_and_foreign_folders_are_refused_before_any_work(self):
        def refused(message, *draw):
            self.refuse(2, message, "dataset", "scenario.ini", "-n", 2, "-o", "set", *draw)

        refused("between 2 and 16", "--draw", "adc.bits=5:20")
        refused("the ends are in the wrong order", "--draw", "channel.osnr_db=20:10")
        refused("holds no number", "--draw", "signal.modulation=1:2")
        refused("'8psk' is not a choice", "--draw", "signal.modulation=choice:qpsk|8psk")
        refused("settings of the run are not drawn", "--draw", "run.seed=1:9")
        refused("did you mean channel.osnr_db?", "--draw", "channel.osnr=1:9")
        refused("drawn for item-00000", "--draw", "adc.sample_rate_gsa=1:2")
        twice = ["--draw", "channel.osnr_db=1:2", "--draw", "adc.bits=5:6", "--draw", "channel.osnr_db=3:4"]
        refused("--draw channel.osnr_db: drawn twice", *twice)
        self.refuse(2, "--draw channel.osnr_db: drawn twice", "outage", "scenario.ini", "-n", 2, *twice)
        self.write("bad.ini", "[draw]\nchannel.osnr = 1:2\n")
        self.refuse(2, "bad.ini:2: draw.channel.osnr: unknown key; did you mean channel.osnr_db?", "dataset", "scenario.ini",
                    "bad.ini", "-n", 2, "-o", "set")
        self.make(2, "set")
        self.refuse(2, "holds 2 items, whose labels a smaller set would lose; ask for at least 2", "dataset",
                    "scenario.ini", "-n", 1, "-o", "set", *self.DRAWS)
        self.refuse(2, "holds a data set of another scenario, seed or draws", "dataset", "scenario.ini", "-n", 2, "-o", "set",
                    "--seed", 9, *self.DRAWS)
        (self.folder / "taken").mkdir()
        self.write("taken/notes.txt", "mine")
        self.refuse(2, "holds something else", "dataset", "scenario.ini", "-n", 2, "-o", "taken")


class Questions(ProgramTest):
    """limit, outage, qualify, budget: what they print, keep and return."""

    def facts(self, *arguments):
        return dict(csv.reader(io.StringIO(self.succeed(*arguments, "--quiet", "--format", "csv"))))

    def test_limit_brackets_and_a_point_without_errors_is_a_bound(self):
        reach = ["limit", "scenario.ini", "--vary", "channel.osnr_db=30:5", "--resolution", 10, "--set", "run.frames=8"]
        facts = self.facts(*reach, "-o", "limit.h5")
        self.assertTrue(float(facts["fails_at"]) < float(facts["limit"]) < float(facts["holds_at"]))
        rows = list(csv.DictReader(io.StringIO(self.succeed(*reach, "--quiet", "--format", "csv", "--probes"))))
        clean = rows[0]  # 30 dB: no errors
        self.assertEqual((clean["ber"], clean["margin_db"], clean["margin_high_db"]), ("0", "", ""))
        self.assertTrue(0 < float(clean["margin_low_db"]) < 6)
        self.assertEqual(clean["decision"], "holds")
        with h5py.File(self.folder / "limit.h5") as file:
            self.assertEqual(attribute_text(file, "kind"), "cohlink limit")
            self.assertEqual(len(file["probes/ber"]), len(rows))
            self.assertAlmostEqual(file["facts"].attrs["limit"], float(facts["limit"]))
            for name in ("channel.osnr_db", "margin_db"):
                self.assertEqual([attribute_text(file["probes"][name], word) for word in ("unit", "units")], ["dB", "dB"])

    def test_limit_says_in_fields_and_status_whether_it_was_found(self):
        # QPSK at 32 GBd needs 10.33 dB for 2e-2 (Proakis, Digital Communications, ch. 4; 12.5 GHz): 30 and 15 dB hold, 2 and
        # 5 dB fail, and one short frame decides neither at 10.5.
        def ask(vary, *more):
            result = self.run_program("limit", "scenario.ini", "--quiet", "--vary", vary, "--format", "json", "-o", "limit.h5", *more)
            facts = json.loads(result.stdout)
            with h5py.File(self.folder / "limit.h5") as file:
                kept = dict(zip(file["facts/name"].asstr()[:], file["facts/text"].asstr()[:]))
                self.assertEqual(kept["found"], facts["found"])
                self.assertEqual(numpy.isnan(file["facts"].attrs["limit"]), facts["limit"] is None)
            as_csv = dict(csv.reader(io.StringIO(self.run_program("limit", "scenario.ini", "--quiet", "--vary", vary, "--format",
                                                                  "csv", *more).stdout)))
            self.assertEqual(as_csv["found"], facts["found"])
            self.assertEqual([as_csv[name] == "" for name in ("limit", "low", "high")], [facts["found"] != "found"] * 3)
            return result.returncode, facts

        status, facts = ask("channel.osnr_db=30:5", "--resolution", 10, "--set", "run.frames=8")
        self.assertEqual((status, facts["found"]), (0, "found"))
        self.assertEqual((facts["low"], facts["high"]), (facts["fails_at"], facts["holds_at"]))
        self.assertTrue(facts["low"] <= facts["limit"] <= facts["high"])
        self.assertGreater(facts["frames"], 0)
        for vary, found in (("channel.osnr_db=30:15", "holds throughout"), ("channel.osnr_db=2:5", "fails throughout"),
                            ("channel.osnr_db=30:10.5", "undecided")):
            status, facts = ask(vary)
            self.assertEqual((status, facts["found"]), (1, found))
            self.assertEqual([facts[name] for name in ("limit", "low", "high", "holds_at", "fails_at")], [None] * 5)

    def test_the_worst_outage_is_repeated_by_the_command_printed(self):
        self.write("a scenario.ini", (self.folder / "scenario.ini").read_text(encoding="utf-8"))
        facts = self.facts("outage", "a scenario.ini", "-n", 6, "--draw", "channel.dgd_ps=maxwell:20", "-o", "outage.h5")
        self.assertIn("'a scenario.ini'", facts["repeat"])
        command = facts["repeat"].replace("cohlink ", os.environ["COHLINK"] + " ", 1)
        subprocess.run(["bash", "-c", command + " --quiet"], cwd=self.folder, check=True, capture_output=True)
        received = self.facts("receive", "worst.h5")
        with h5py.File(self.folder / "outage.h5") as file:
            rates = file["realisations/ber"][:]
            self.assertEqual(int(facts["worst_frame"]), numpy.argmax(rates))
            self.assertAlmostEqual(max(rates), float(received["ber"]), places=12)
            self.assertAlmostEqual(file["realisations/snr_db"][numpy.argmax(rates)], float(received["snr_db"]), places=9)

    def test_lost_lock_is_an_outage_whatever_the_criterion(self):
        lost = ["outage", "scenario.ini", "--quiet", "-n", 4, "--set", "channel.osnr_db=-9", "--criterion", "snr_db=-60",
                "--format", "csv"]
        facts = dict(csv.reader(io.StringIO(self.succeed(*lost, "-o", "lost.h5"))))
        self.assertEqual((facts["outages"], facts["frames_without_lock"], facts["outage_probability"]), ("4", "4", "1"))
        for row in csv.DictReader(io.StringIO(self.succeed(*lost, "--each"))):
            self.assertEqual((row["locked"], row["outage"], row["ber"], row["snr_db"], row["snr_penalty_db"]),
                             ("false", "true", "", "", ""))
        self.refuse(3, "loses lock on the reference", *lost[:7], "--criterion", "snr_penalty_db=1")

    def test_lost_lock_fails_a_limit_and_a_requirement_of_snr(self):
        limit = ["limit", "scenario.ini", "--quiet", "--vary", "channel.osnr_db=20:-9", "--criterion", "snr_db=-60",
                 "--resolution", 50, "--format", "csv"]
        facts = dict(csv.reader(io.StringIO(self.succeed(*limit))))
        self.assertEqual(facts["found"], "found")
        self.assertIn("no lock in 1 of 1 frames at ", facts["remark"])
        rows = list(csv.DictReader(io.StringIO(self.succeed(*limit, "--probes"))))
        self.assertEqual([rows[1][name] for name in ("margin_db", "margin_low_db", "margin_high_db", "frames_without_lock", "decision")],
                         ["", "", "", "1", "fails"])
        self.write("sheet.ini", "[require.snr]\nmeasure = snr_db\nat_least = -60\n[require.evm]\nmeasure = evm_percent\n"
                   "at_most = 150\n")
        lost = self.run_program("qualify", "scenario.ini", "sheet.ini", "--quiet", "--set", "channel.osnr_db=-9", "--format", "csv")
        self.assertEqual(lost.returncode, 1, lost.stderr)
        for row in csv.DictReader(io.StringIO(lost.stdout)):
            self.assertEqual([row[name] for name in ("verdict", "value", "low", "high", "margin")], ["fail", "", "", "", ""])
            self.assertTrue(row["remark"].startswith("no lock in 1 of 1 frames"), row)

    def test_frames_that_cannot_resolve_the_bound_are_told_in_every_output(self):
        short = ["outage", "scenario.ini", "--quiet", "-n", 4, "--set", "signal.symbols=2048", "--criterion", "ber=1e-5", "-o",
                 "o.h5", "--format"]
        told = "frames are too short for this criterion"
        for look in ("text", "csv", "json"):
            result = self.run_program(*short, look)
            self.assertIn("caution: " + told, result.stderr)
            self.assertIn(told, result.stdout)
        self.assertAlmostEqual(json.loads(result.stdout)["expected_errors_at_bound"], 0.074, delta=0.01)
        with h5py.File(self.folder / "o.h5") as file:
            self.assertTrue(any(told in text for text in file["facts/text"].asstr()[:]))
            self.assertNotIn("dgd_ps", file["realisations"])
        long_enough = self.run_program(*short[:-5], "--criterion", "ber=2e-2", "--format", "csv")
        self.assertNotIn("too short", long_enough.stdout + long_enough.stderr)

    def test_realisations_show_the_delay_that_their_fibre_had(self):
        line = ["outage", "scenario.ini", "-n", 5, "--set", "fibre.spans=2", "--set", "fibre.steps_per_span=2", "--set",
                "fibre.pmd_ps_per_sqrt_km=1"]
        each = self.succeed(*line, "--quiet", "--format", "csv", "--each", "-o", "o.h5")
        rows = list(csv.DictReader(io.StringIO(each)))
        facts = self.facts(*line)
        repeat = facts["repeat"].replace("cohlink ", os.environ["COHLINK"] + " ", 1)
        subprocess.run(["bash", "-c", repeat + " --quiet"], cwd=self.folder, check=True, capture_output=True)
        worst = int(facts["worst_frame"])
        with h5py.File(self.folder / "worst.h5") as capture, h5py.File(self.folder / "o.h5") as study:
            self.assertAlmostEqual(float(rows[worst]["dgd_ps"]), capture["truth/dgd_ps"][()], places=9)
            self.assertAlmostEqual(study["realisations/dgd_ps"][worst], capture["truth/dgd_ps"][()], places=9)
        self.assertEqual(len({row["dgd_ps"] for row in rows}), 5)

    def test_one_name_means_one_penalty(self):
        self.refuse(2, "write snr_penalty_db=P", "outage", "scenario.ini", "-n", 2, "--draw", "channel.dgd_ps=1:2",
                    "--criterion", "penalty_db=1")
        self.refuse(2, "snr_penalty_db is for outage", "limit", "scenario.ini", "--vary", "channel.dgd_ps=0:50",
                    "--criterion", "snr_penalty_db=1")

    def test_the_osnr_is_not_varied_under_a_search_over_it(self):
        self.refuse(2, "is found by a search over this very key", "sweep", "scenario.ini", "--vary", "channel.osnr_db=9|10",
                    "--measure", "required_osnr")
        self.refuse(2, "is found by a search over this very key", "limit", "scenario.ini", "--vary", "channel.osnr_db=9:20",
                    "--criterion", "penalty_db=1")

    def test_frames_too_short_are_said_before_any_work(self):
        key = "channel.extra_dispersion_ps_per_nm"
        self.write("sheet.ini", f"[require.now]\nmeasure = ber\nat_most = 0.1\n[require.later]\nset = {key}=500000\n"
                   "measure = ber\nat_most = 0.1\n")
        self.refuse(2, "capture too short", "limit", "scenario.ini", "--vary", f"{key}=0:500000")
        self.refuse(2, "capture too short", "qualify", "scenario.ini", "sheet.ini")
        self.refuse(2, f"at {key}=500000: capture too short", "sweep", "scenario.ini", "--vary", f"{key}=0|500000")
        self.refuse(2, "capture too short", "outage", "scenario.ini", "-n", 2, "--draw", f"{key}=choice:500000", )
        self.write("sheet.ini", "[require.osnr]\nmeasure = required_osnr_db\nat_most = 12\n")
        self.refuse(2, "which require.osnr.measure needs", "qualify", "scenario.ini", "sheet.ini", "--set", "fec.code=none")

    def test_studies_tell_what_was_asked_and_json_holds_what_text_shows(self):
        limit = json.loads(self.succeed("limit", "scenario.ini", "--quiet", "--vary", "channel.osnr_db=20:5", "--format", "json"))
        self.assertEqual((limit["from"], limit["to"], limit["resolution_percent"]), (20, 5, 2))
        self.assertEqual(limit["probes"][0]["channel.osnr_db"], 20)
        outage = json.loads(self.succeed("outage", "scenario.ini", "--quiet", "-n", 3, "--draw", "channel.dgd_ps=maxwell:5",
                                         "--format", "json", "-o", "outage.h5"))
        self.assertEqual((outage["draws"], outage["realisations"]), ("channel.dgd_ps=maxwell:5", 3))
        self.assertEqual([row["quantile"] for row in outage["quantiles"]], [0, 0.01, 0.1, 0.5, 0.9, 0.99, 1])
        with h5py.File(self.folder / "outage.h5") as file:
            self.assertIn("channel.dgd_ps=maxwell:5", list(file["facts/text"].asstr()[:]))
        budget = json.loads(self.succeed("budget", "scenario.ini", "--set", "fibre.spans=3", "--format", "json"))
        self.assertEqual([row["span"] for row in budget["spans"]], [1, 2, 3])
        self.assertIn("loaded noise", [row["source"] for row in budget["noise"]])

    def test_budget_says_when_it_is_compared_with_another_scenario(self):
        self.succeed("sweep", "scenario.ini", "--quiet", "--vary", "channel.osnr_db=9|11", "-o", "curve.h5")
        self.succeed("simulate", "scenario.ini", "--quiet", "-o", "capture.h5")
        self.succeed("receive", "capture.h5", "-o", "result.h5")
        other = ["budget", "scenario.ini", "--set", "adc.bits=4", "--compare"]
        for file in ("capture.h5", "result.h5"):
            self.assertTrue(self.facts(*other, file)["explanation"].startswith("scenarios differ in adc.bits"))
            self.assertEqual(self.facts(*other[:2], "--compare", file)["explanation"].find("scenarios differ"), -1)
        self.assertIn("scenarios differ in adc.bits", self.succeed(*other, "curve.h5"))

    def test_budget_says_what_a_file_is_that_it_cannot_compare_with(self):
        vary = ["--quiet", "--vary", "channel.dgd_ps=0|5"]
        self.succeed("sweep", "scenario.ini", *vary, "--measure", "required_osnr", "-o", "osnr.h5")
        self.succeed("sweep", "scenario.ini", *vary, "--measure", "gmi_bits", "-o", "gmi.h5")
        self.succeed("limit", "scenario.ini", "--quiet", "--vary", "channel.osnr_db=30:5", "--resolution", 50, "-o", "limit.h5")
        self.succeed("budget", "scenario.ini", "--compare", "gmi.h5")
        for file, told in (("osnr.h5", "osnr.h5: a curve of required OSNR; --compare takes one with the SNR"),
                           ("limit.h5", "limit.h5: a file of kind 'cohlink limit'; --compare takes a result")):
            self.refuse(2, told, "budget", "scenario.ini", "--compare", file)

    def test_powers_that_were_written_come_back_as_written(self):
        line = ["budget", ROOT / "scenarios" / "first-light.ini", "--quiet", "--format", "csv"]
        self.assertEqual(dict(csv.reader(io.StringIO(self.succeed(*line))))["launch_power_dbm"], "-3")
        for row in csv.DictReader(io.StringIO(self.succeed(*line, "--spans"))):
            self.assertEqual((row["power_in_dbm"], row["power_out_dbm"]), ("-3", "-26.1"))

    def test_every_channel_of_a_wide_comb_has_its_power_and_osnr(self):
        (self.folder / "loss.csv").write_text("frequency_thz,db_per_km\n192,0.21\n194,0.19\n")
        line = ["budget", ROOT / "scenarios" / "first-light.ini", "--quiet", "--format", "csv", "--channels"]
        for key in ("channel.count=3", "channel.grid_centre_thz=193", "channel.spacing_ghz=500", "fibre.spans=1",
                    "fibre.span_length_km=100", "amplifier.ase=true"):
            line += ["--set", key]
        clear = ["--set", "fibre.attenuation_db_per_km=", "--set", "fibre.loss_curve=file", "--set"]
        rows = list(csv.DictReader(io.StringIO(self.succeed(*line, *clear, "fibre.loss_file=loss.csv"))))
        self.assertEqual([row["frequency_thz"] for row in rows], ["192.5", "193", "193.5"])
        powers = [float(row["power_dbm"]) for row in rows]
        # 0.205, 0.2 and 0.195 dB/km over 100 km, one gain for all.
        self.assertAlmostEqual(powers[1] - powers[0], 0.5, places=3)
        self.assertAlmostEqual(powers[2] - powers[1], 0.5, places=3)
        osnr = [float(row["osnr_db"]) for row in rows]
        self.assertAlmostEqual(osnr[2] - osnr[0], 1.0, places=1)
        self.refuse(2, "--output: has no use with --channels", *line, "-o", "budget.h5")
        (self.folder / "loss.csv").write_text("frequency_thz,db_per_km\n192,0.21\n1550,0.19\n")
        self.refuse(2, "loss.csv:3: a frequency must lie between 179 and 238 THz", *line, *clear, "fibre.loss_file=loss.csv")

    def test_budget_explains_every_point_of_a_curve_in_every_format(self):
        self.succeed("sweep", "scenario.ini", "--quiet", "--vary", "channel.osnr_db=9|11", "-o", "curve.h5")
        agree = "expectation and simulation agree within 0.2 dB"
        # The number of symbols is how long was simulated, not what.
        ask = ["budget", "scenario.ini", "--set", "signal.symbols=8192", "--set", "frontend.bandwidth_ghz=100", "--quiet",
               "--compare", "curve.h5", "--format"]
        self.assertIn("because", self.succeed(*ask, "text"))
        self.assertIn("scenarios differ in frontend.bandwidth_ghz; " + agree, self.succeed(*ask, "text"))
        as_json = json.loads(self.succeed(*ask, "json"))
        as_csv = list(csv.DictReader(io.StringIO(self.succeed(*ask, "csv"))))
        self.assertEqual([row["explanation"] for row in as_json], [row["explanation"] for row in as_csv])
        for row in as_json:
            self.assertLess(abs(row["difference_db"]), 0.2)
            self.assertEqual(row["explanation"], "scenarios differ in frontend.bandwidth_ghz; " + agree)
        same = json.loads(self.succeed(*ask[:4], *ask[6:], "json"))
        self.assertEqual([row["explanation"] for row in same], [agree] * 2)

    def test_budget_says_that_the_receiver_tracks_nonlinear_phase_or_what_it_leaves_out(self):
        self.write("line.ini", "[signal]\nsymbols = 8192\nmodulation = 16qam\n[run]\nfft_planning = estimated\n[fibre]\n"
                   "spans = 10\nsteps_per_span = 10\n[transmitter]\nlaunch_power_dbm = 4\n[amplifier]\nnoise_figure_db = 4\n")
        self.succeed("simulate", "line.ini", "--quiet", "-o", "line.h5")
        facts = self.facts("budget", "line.ini", "--compare", "line.h5")
        self.assertGreater(float(facts["difference_db"]), 0.2)
        self.assertIn("averaged over 64 symbols, follows the slow part of the nonlinear phase noise", facts["explanation"])
        flaws = ["--set", "transmitter.iq_phase_error_deg=20", "--set", "frontend.iq_skew_ps=6", "--set", "adc.gain_spread_db=2"]
        self.succeed("simulate", "scenario.ini", *flaws, "--quiet", "-o", "flaws.h5")
        explanation = self.facts("budget", "scenario.ini", *flaws, "--compare", "flaws.h5")["explanation"]
        left_out = explanation.split("it leaves out ")[1].split(", ")
        for flaw in flaws[1::2]:
            self.assertIn(flaw.split("=")[0], left_out)

    def test_qualify_returns_one_unless_all_pass_and_keeps_its_table(self):
        sheet = "[require.good]\nmeasure = ber\nat_most = 0.1\n[require.bad]\nmeasure = snr_db\nat_least = 30\n"
        self.write("sheet.ini", sheet)
        result = self.run_program("qualify", "scenario.ini", "sheet.ini", "--quiet", "--format", "csv", "-o", "q.h5")
        self.assertEqual(result.returncode, 1, result.stderr)
        verdicts = {row["requirement"]: row["verdict"] for row in csv.DictReader(io.StringIO(result.stdout))}
        self.assertEqual(verdicts, {"good": "pass", "bad": "fail"})
        bad = list(csv.DictReader(io.StringIO(result.stdout)))[1]
        self.assertAlmostEqual(float(bad["value"]) - 30, float(bad["margin"]), places=12)
        with h5py.File(self.folder / "q.h5") as file:
            self.assertEqual(list(file["requirements/verdict"].asstr()[:]), ["pass", "fail"])
            self.assertEqual(file["requirements/value"][1], float(bad["value"]))
        text = self.run_program("qualify", "scenario.ini", "sheet.ini", "--only", "bad", "--quiet").stdout
        self.assertIn(f" {float(bad['value']):.4g} ", text)
        self.succeed("qualify", "scenario.ini", "sheet.ini", "--only", "good", "--quiet")

    def test_qualify_tells_undecided_from_failed_and_says_why_in_every_output(self):
        # Both ends of the DGD hold at 30 dB; 2 frames of this size hold no 1e-6.
        self.write("sheet.ini", "[require.dgd]\nset = channel.osnr_db=30\nvary = channel.dgd_ps=0:10\nmeasure = limit\n"
                   "at_least = 5\n[require.rare]\nmeasure = required_osnr_db\nat_most = 15\n")
        sheet = ["qualify", "scenario.ini", "sheet.ini", "--quiet", "--set", "fec.threshold_ber=1e-6", "--set", "run.frames=2"]
        easy = [*sheet[:4], "--set", "run.frames=4", "--only", "dgd", "--format", "csv"]
        row, = csv.DictReader(io.StringIO(self.succeed(*easy)))
        self.assertEqual((row["verdict"], row["low"], row["margin"], row["margin_unit"]), ("pass", "10", "5", "ps or more"))
        why = "too few errors near the threshold; more frames are needed"
        rare = [*sheet, "--only", "rare"]
        for look in ("text", "csv", "json"):
            result = self.run_program(*rare, "--format", look, "-o", "q.h5")
            self.assertEqual(result.returncode, 1, result.stderr)
            self.assertIn("undecided", result.stdout)
            self.assertIn(why, result.stdout)
        with h5py.File(self.folder / "q.h5") as file:
            self.assertEqual(file["requirements/remark"].asstr()[0], why)
        self.succeed("report", "q.h5", "-o", "page.html", "--quiet")
        page = (self.folder / "page.html").read_text(encoding="utf-8")
        self.assertIn('<span class="undecided">1 undecided</span>', page)
        self.assertIn(why, page)

    def test_openzrplus_sheets_stand_at_the_published_limits(self):
        # OpenZR+ MSA, as transcribed by others: OSNR tolerance [dB], least input power [dBm], dispersion [ps/nm], mean PMD [ps],
        # symbol rate [GBd]. 3.3 times the mean DGD: common practice.
        for mode, osnr, power, dispersion, pmd, rate in (("400g", 24, -12, 20000, 20, 60.138546798), ("200g", 16, -18, 50000, 25, 60.138546798),
                                                         ("100g", 12.5, -18, 100000, 30, 30.069273399)):
            sheet = configparser.ConfigParser(delimiters=("=",), comment_prefixes=(";",), interpolation=None)
            sheet.read(ROOT / "scenarios" / f"spec-openzrplus-{mode}.ini")
            value = lambda row: float(sheet["require." + row]["set"].split("=")[1])
            self.assertEqual(float(sheet["signal"]["symbol_rate_gbd"]), rate)
            self.assertEqual([float(sheet["channel"]["osnr_db"]), float(sheet["require.noise"]["at_most"])], [osnr, osnr])
            self.assertEqual([value("input-power"), value("dispersion")], [power, dispersion])
            self.assertAlmostEqual(value("pmd"), 3.3 * pmd)

    def test_rows_of_the_400zr_sheet_stand_at_the_published_limits(self):
        sheet = configparser.ConfigParser(delimiters=("=",), comment_prefixes=(";",), interpolation=None)
        sheet.read(ROOT / "scenarios" / "spec-400zr.ini")

        def settings(row, *more):
            parts = re.split(r",(?=\s*[a-z_]+\.[a-z0-9_]+\s*=)", sheet["require." + row]["set"])
            return dict(tuple(map(str.strip, part.split("=", 1))) for part in [*parts, *more])

        def truth(row, *more):
            made = {"signal.symbols": "16384", "run.frames": "1", "run.fft_planning": "estimated", **settings(row, *more)}
            self.succeed("simulate", ROOT / "scenarios" / "spec-400zr.ini", "--quiet", "-o", "c.h5",
                         *(word for key, value in made.items() for word in ("--set", f"{key}={value}")))
            return h5py.File(self.folder / "c.h5")

        # OIF-400ZR-01.0 section 13 (from memory): in-band OSNR 34 dB, beside the loaded 26 dB; IQ offset -26 and -20 dB.
        with truth("tx-osnr") as capture:
            self.assertAlmostEqual(1 / (10 ** (-capture["truth/osnr_db"][()] / 10) - 10 ** -2.6), 10 ** 3.4, delta=0.02 * 10 ** 3.4)
        biases = sheet["require.iq-offset"]["vary"].split("=")[1].split("|")
        for bias, offset in zip(biases, (-26, -20)):
            with truth("iq-offset", f"transmitter.modulator_bias_error_i_deg={bias}") as capture:
                self.assertAlmostEqual(numpy.mean(capture["truth/tx_carrier_db"]), offset, delta=0.4)
        # X. Liu, Optical Communications in the 5G Era (2021), Table 7.3: crosstalk -8 and -35 dB, 50 krad/s.
        powers = 10 ** (numpy.array(settings("interchannel-crosstalk")["channel.power_offsets_db"].split(","), float) / 10)
        self.assertAlmostEqual(10 * numpy.log10(powers[0] + powers[2]), -8, delta=0.05)
        self.assertEqual(settings("interferometric-crosstalk")["channel.power_offsets_db"], "0,-35")
        # What these rows try must reach the receiver: a frame long enough, photodiode pairs that let the oscillator through.
        speed = settings("polarisation-speed")
        turned = 50e3 * float(speed["signal.symbols"]) / float(sheet["signal"]["symbol_rate_gbd"]) / 1e9
        self.assertEqual(speed["channel.polarisation_rotation_krad_per_s"], "50")
        self.assertGreater(turned, 0.4)
        with truth("rin") as capture:
            self.assertTrue(all(capture["truth/frontend/cmrr_db"][:] < 13))

    def test_budget_counts_crosstalk_and_has_numbers_without_loss(self):
        lossless = ["budget", "scenario.ini", "--set", "fibre.spans=2", "--set", "fibre.attenuation_db_per_km=0"]
        facts = self.facts(*lossless)
        self.assertGreater(float(facts["snr_nli_closed_incoherent_db"]), 5)
        comb = ["budget", "scenario.ini", "--set", "channel.count=3", "--set", "channel.spacing_ghz=33", "--set",
                "run.samples_per_symbol=4"]
        self.assertGreater(float(self.facts(*comb)["snr_crosstalk_db"]), 5)
        # Powers of interference add: the channel's own and its neighbours' are the whole.
        wdm = self.facts(*comb, "--set", "fibre.spans=2", "--set", "channel.spacing_ghz=50", "--set",
                         "run.samples_per_symbol=8")
        parts = [10 ** (-float(wdm[f"snr_nli_{part}_db"]) / 10) for part in ("self", "neighbours")]
        self.assertAlmostEqual(sum(parts) / 10 ** (-float(wdm["snr_nli_expected_db"]) / 10), 1, places=9)
        self.assertEqual(self.facts("budget", "scenario.ini")["snr_crosstalk_db"], "")

    def test_keys_are_found_by_their_words_in_any_order_and_by_what_the_trade_calls_them(self):
        def found(*words):
            return {row["key"] for row in csv.DictReader(io.StringIO(self.succeed("keys", *words, "--format", "csv")))}
        self.assertEqual(found("linewidth laser"), found("laser", "linewidth"))
        self.assertLessEqual({"transmitter.laser_linewidth_khz", "laser_lo.linewidth_khz"}, found("laser linewidth"))
        self.assertIn("amplifier.noise_figure_db", found("edfa", "nf"))
        self.assertIn("fibre.attenuation_db_per_km", found("fiber loss"))
        self.assertIn("dsp.phase_recovery", found("cpr"))
        self.refuse(2, "no key matches 'laser flux-capacitor'", "keys", "laser", "flux-capacitor")

    def test_qualify_knows_line_and_net_rate(self):
        # 32 GBd x 2 bits x 2 polarisations; oFEC takes 15.3 % over payload (OpenZR+ MSA: 3552 of 4096 bits are payload).
        self.write("rates.ini", "[require.line]\nmeasure = line_rate_gbps\nat_least = 128\n[require.net]\nmeasure = net_rate_gbps\nat_least = 112\n")
        result = self.run_program("qualify", "scenario.ini", "rates.ini", "--quiet", "--format", "csv", "--set", "signal.symbol_rate_gbd=32",
                                  "--set", "signal.modulation=qpsk", "--set", "fec.code=ofec")
        self.assertEqual(result.returncode, 1, result.stderr)
        line, net = csv.DictReader(io.StringIO(result.stdout))
        self.assertEqual((line["verdict"], float(line["value"]), line["margin_unit"]), ("pass", 128, "Gb/s"))
        self.assertEqual(net["verdict"], "fail")
        self.assertAlmostEqual(float(net["value"]), 128 * 3552 / 4096, delta=0.02)

    def test_legal_ranges_are_written_in_full(self):
        text = self.succeed("keys", "transmitter.laser_linewidth_khz")
        self.assertIn("between 0 and 100000 kHz", text)


class Report(ProgramTest):
    def test_one_page_holds_tables_curves_and_where_they_come_from(self):
        self.succeed("sweep", "scenario.ini", "--quiet", "--vary", "channel.osnr_db=8|10|12|16", "--vary", "adc.bits=4|8", "-o",
                     "curve.h5")
        self.succeed("limit", "scenario.ini", "--quiet", "--vary", "channel.osnr_db=30:5", "--resolution", 25, "-o", "limit.h5")
        self.succeed("outage", "scenario.ini", "--quiet", "-n", 5, "--draw", "channel.dgd_ps=maxwell:10", "-o", "outage.h5")
        self.succeed("simulate", "scenario.ini", "--quiet", "-o", "capture.h5")
        self.succeed("receive", "capture.h5", "-o", "result.h5")
        self.succeed("report", "curve.h5", "limit.h5", "outage.h5", "result.h5", "-o", "page.html", "--title", "Link <A> & B")
        page = (self.folder / "page.html").read_text(encoding="utf-8")
        self.assertIn("<h1>Link &lt;A&gt; &amp; B</h1>", page)
        for words in ("theory, ideal reception", "code threshold", "How far to trust this page", "seed 1",
                      "at the values probed", "SNR penalty", "recovered symbols, Y", "channel.osnr_db</dt><dd>11 dB"):
            self.assertIn(words, page)
        self.assertNotRegex(page, r"https?:|src=|@import", "the page needs no other file")
        self.assertEqual(page.count("<script"), 1)
        for figure in re.findall(r"<svg.*?</svg>", page, re.DOTALL):
            xml.dom.minidom.parseString(figure)
        figures = re.findall(r"<figcaption>([^<]*)</figcaption>", page)
        for words in ("bit error ratio before FEC over OSNR in 12.5 GHz and bits of the converters", "SNR penalty of the realisations that locked",
                      "taps of the equaliser", "10-phase, Y"):
            self.assertTrue([title for title in figures if title.startswith(words)], words)

    def test_files_without_results_are_refused(self):
        self.succeed("simulate", "scenario.ini", "--quiet", "-o", "capture.h5")
        self.refuse(2, "capture.h5: holds nothing to report (it is a cohlink capture)", "report", "capture.h5", "-o", "page.html")
        self.refuse(2, "report needs -o", "report", "capture.h5")


if __name__ == "__main__":
    unittest.main()
