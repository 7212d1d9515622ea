"""Whatever is wrong with the input gives one clear line, exit status 2 or 3, and no half file."""
import os
import subprocess
import tempfile
import unittest

import h5py
import numpy

from program import SCENARIO, ProgramTest, sent_symbols


class Scenarios(ProgramTest):
    def simulate(self, status, message, *extra):
        self.refuse(status, message, "simulate", "scenario.ini", *extra, "-o", "capture.h5")

    def test_unknown_key_names_file_line_and_nearest_key(self):
        self.write("scenario.ini", "[fibre]\nspans = 1\ndisperson_ps_per_nm_km = 16\n")
        self.simulate(2, "scenario.ini:3: fibre.disperson_ps_per_nm_km: unknown key; did you mean "
                         "fibre.dispersion_ps_per_nm_km?")

    def test_wrong_type(self):
        self.write("scenario.ini", "[fibre]\nspans = many\n")
        self.simulate(2, "scenario.ini:2: fibre.spans: 'many'")

    def test_out_of_range_tells_the_range(self):
        self.write("scenario.ini", "[signal]\nroll_off = 2\n")
        self.simulate(2, "between 0.01 and 1")

    def test_choice_tells_the_choices(self):
        self.simulate(2, "qpsk, 16qam", "--set", "signal.modulation=8psk")

    def test_key_given_twice_in_one_file(self):
        self.write("scenario.ini", "[fibre]\nspans = 1\nspans = 2\n")
        self.simulate(2, "scenario.ini:3: fibre.spans")

    def test_override_without_value(self):
        self.simulate(2, "section.key=value", "--set", "fibre.spans")

    def test_missing_scenario(self):
        self.refuse(2, "nowhere.ini", "simulate", "nowhere.ini", "-o", "capture.h5")

    def test_values_that_do_not_fit_together(self):
        self.simulate(2, "pattern", "--set", "signal.pattern=file")


class CommandLine(ProgramTest):
    def test_the_description_of_a_recording_is_for_receive_alone(self):
        self.write("scope.ini", "[trace]\nfile = scope.bin\nsample_rate_gsa = 64\n")
        for command in (["simulate", "-o", "c.h5"], ["sweep", "--vary", "adc.bits=5|8"], ["limit", "--vary", "adc.bits=2:8"],
                        ["outage"], ["qualify"], ["dataset", "-n", 2, "-o", "set"], ["budget"]):
            self.refuse(2, "makes this the description of a recording; only receive takes it", command[0],
                        "scenario.ini", "scope.ini", *command[1:])

    def test_options_that_would_be_ignored_are_refused(self):
        self.succeed("simulate", "scenario.ini", "--quiet", "-o", "capture.h5")
        self.refuse(2, "--output: not with --knock-out or --cost", "receive", "capture.h5", "--cost", "-o", "result.h5")
        self.refuse(2, "--cost: not with --knock-out", "receive", "capture.h5", "--cost", "--knock-out")
        self.refuse(2, "--set: merge takes the scenario that its parts were computed from", "merge", "p.h5", "--set", "adc.bits=8")
        self.refuse(2, "--reference: a reference is where a penalty is 0", "sweep", "scenario.ini", "--vary", "adc.bits=5|8",
                    "--reference", "adc.bits=8")
        self.refuse(2, "--seed: inspect shows what a file holds", "inspect", "capture.h5", "--seed", 3)

    def test_unknown_command(self):
        self.refuse(2, "did you mean simulate?", "simulat", "scenario.ini")

    def test_no_command(self):
        self.refuse(2, "see cohlink --help")

    def test_unknown_option(self):
        self.refuse(2, "--sed: unknown option; did you mean --se", "simulate", "scenario.ini", "--sed", "1", "-o", "x.h5")

    def test_numbers_are_refused_under_the_name_they_were_given_by(self):
        self.refuse(2, "-n -2: expected a whole number, 1 or more", "dataset", "scenario.ini", "-n", -2, "-o", "set")
        self.refuse(2, "-n 0: expected a whole number, 1 or more", "dataset", "scenario.ini", "-n0", "-o", "set")
        self.refuse(2, "--items x: expected a whole number, 1 or more", "dataset", "scenario.ini", "--items=x", "-o", "set")
        self.refuse(2, "-n 0: expected a whole number, 1 or more", "outage", "scenario.ini", "-n", 0)
        self.refuse(2, "--realisations many: expected a whole number, 1 or more", "outage", "scenario.ini", "--realisations", "many")
        self.refuse(2, "--frame -1: expected a whole number, 0 or more", "simulate", "scenario.ini", "--frame", -1, "-o", "x.h5")

    def test_a_reference_is_refused_under_its_own_name(self):
        penalty = ["sweep", "scenario.ini", "--vary", "adc.bits=5|8", "--measure", "penalty_db", "--reference"]
        self.refuse(2, "--reference adc.bit: unknown key; did you mean adc.bits?", *penalty, "adc.bit=8")
        self.refuse(2, "--reference adc.bits=x: 'x' is not a number", *penalty, "adc.bits=x")
        self.refuse(2, "--reference adc.bits=5|8: one value a key", *penalty, "adc.bits=5|8")

    def test_an_empty_value_is_not_taken_for_an_option_left_out(self):
        # As a script writes them whose variable is not set: -o "$OUT".
        for command in (["simulate", "scenario.ini"], ["sweep", "scenario.ini", "--vary", "adc.bits=5|8"],
                        ["limit", "scenario.ini", "--vary", "adc.bits=2:8"], ["outage", "scenario.ini"],
                        ["qualify", "scenario.ini"], ["dataset", "scenario.ini", "-n", 2], ["report", "curve.h5"]):
            self.refuse(2, "-o: its value is empty", *command, "-o", "")
            self.refuse(2, "--output: ", *command, "--output=")
        self.refuse(2, "--seed: its value is empty", "budget", "scenario.ini", "--seed", "")
        self.refuse(2, "--reference: its value is empty", "sweep", "scenario.ini", "--vary", "adc.bits=5|8", "--measure",
                    "penalty_db", "--reference", "")

    def test_option_without_value(self):
        self.refuse(2, "--output", "simulate", "scenario.ini", "--output")

    def test_seed_that_is_no_number(self):
        self.refuse(2, "--seed soon", "simulate", "scenario.ini", "--seed", "soon", "-o", "x.h5")

    def test_no_output_asked_for(self):
        self.refuse(2, "-o FILE", "simulate", "scenario.ini")

    def test_folder_of_the_output_is_missing(self):
        self.refuse(2, "the folder nowhere does not exist", "simulate", "scenario.ini", "-o", "nowhere/x.h5")

    def test_output_never_replaces_an_input(self):
        self.refuse(2, "is also an input", "simulate", "scenario.ini", "-o", "./scenario.ini")
        self.succeed("simulate", "scenario.ini", "-o", "capture.h5", "--quiet")
        before = self.content("capture.h5")
        self.refuse(2, "is also an input", "receive", "capture.h5", "-o", "capture.h5")
        self.assertEqual(self.content("capture.h5"), before)

    def test_output_is_a_folder(self):
        os.mkdir(self.folder / "there")
        self.refuse(2, "is a folder", "simulate", "scenario.ini", "-o", "there")

    def test_format_that_does_not_exist(self):
        self.refuse(2, "--format yaml", "keys", "--format", "yaml")

    def test_pattern_that_matches_no_key(self):
        self.refuse(2, "no key matches", "keys", "flux-capacitor")


class Sweeps(ProgramTest):
    def sweep(self, message, *vary):
        arguments = [word for text in vary for word in ("--vary", text)]
        self.refuse(2, message, "sweep", "scenario.ini", *arguments, "-o", "curve.h5")

    def test_bad_lists_are_refused_before_any_work(self):
        self.sweep("nothing to vary")
        self.sweep("did you mean channel.osnr_db?", "channel.osnr=9:1:12")
        self.sweep("the step is zero", "channel.osnr_db=9:0:12")
        self.sweep("the step leads away", "channel.osnr_db=9:-1:12")
        self.sweep("start:step:end", "channel.osnr_db=9:12")
        self.sweep("is not a number", "channel.osnr_db=9|ten")
        self.sweep("a value is missing", "channel.osnr_db=9||10")
        self.sweep("varied twice", "channel.osnr_db=9|10", "channel.osnr_db=11|12")
        self.sweep("--vary channel.osnr_db=9|9: the value 9 is given twice", "channel.osnr_db=9|9")
        self.sweep("three dimensions", "channel.osnr_db=9|10", "adc.bits=6|8", "run.seed=1|2", "dsp.phase_window=8|16")
        self.sweep("between -10 and 100", "channel.osnr_db=9|200")
        self.sweep("8psk", "signal.modulation=qpsk|8psk")

    def test_a_point_that_does_not_fit_is_named(self):
        self.sweep("at signal.pattern=file: ", "signal.pattern=random|file")


class Files(ProgramTest):
    def setUp(self):
        super().setUp()
        self.succeed("simulate", "scenario.ini", "-o", "good.h5", "--quiet")

    def refuse_file(self, name, message):
        self.refuse(2, message, "receive", name, "-o", "result.h5")
        self.refuse(2, name, "inspect", name)
        self.refuse(2, name, "simulate", name, "-o", "again.h5")

    def test_missing_capture(self):
        self.refuse(2, "nowhere.h5: no such file", "receive", "nowhere.h5")

    def test_truncated_capture(self):
        whole = self.content("good.h5")
        for keep in (len(whole) // 2, len(whole) - 100, 600, 100):
            (self.folder / "cut.h5").write_bytes(whole[:keep])
            self.refuse_file("cut.h5", "truncated")

    def test_not_hdf5(self):
        self.write("text.h5", "this is no HDF5 file\n")
        self.refuse(2, "text.h5: not an HDF5 file", "receive", "text.h5")
        self.refuse(2, "text.h5: not an HDF5 file", "inspect", "text.h5")

    def test_capture_of_another_program(self):
        with h5py.File(self.folder / "foreign.h5", "w") as file:
            file["waveform/trace"] = numpy.zeros((4, 100), dtype=numpy.int16)
        self.refuse_file("foreign.h5", "not a cohlink capture")

    def test_capture_of_the_wrong_shape(self):
        with h5py.File(self.folder / "odd.h5", "w") as file:
            file["adc/samples"] = numpy.zeros((3, 100), dtype=numpy.int16)
        self.refuse_file("odd.h5", "[4 lanes, samples]")

    def test_samples_that_are_no_adc_codes(self):
        for kind in ("f4", "f8", "i4", "u2"):
            with h5py.File(self.folder / "other.h5", "w") as file:
                file.create_dataset("adc/samples", data=numpy.ones((4, 4096), kind)).attrs["sample_rate_hz"] = 64e9
            self.refuse(2, "must hold 8-bit or signed 16-bit integers", "receive", "other.h5")

    def test_capture_of_a_newer_format(self):
        self.succeed("simulate", "scenario.ini", "-o", "capture.h5", "--quiet")
        with h5py.File(self.folder / "capture.h5", "r+") as file:
            file.attrs["format"] = 4.0
        self.refuse(2, "newer capture format", "receive", "capture.h5")

    def test_capture_without_a_sample_rate(self):
        with h5py.File(self.folder / "rateless.h5", "w") as file:
            file["adc/samples"] = numpy.zeros((4, 100), dtype=numpy.int16)
        self.refuse_file("rateless.h5", "sample_rate_hz")

    def test_capture_too_short_to_receive(self):
        with h5py.File(self.folder / "short.h5", "w") as file:
            file["adc/samples"] = numpy.ones((4, 10), dtype=numpy.int16)
            file["adc/samples"].attrs["sample_rate_hz"] = 64e9
        self.refuse(2, "short.h5: ", "receive", "short.h5", "--quiet")

    def test_lab_capture_cannot_be_repeated(self):
        with h5py.File(self.folder / "good.h5", "r+") as file:
            del file["scenario"]
        self.refuse(2, "no /scenario", "simulate", "good.h5", "-o", "again.h5")

    def test_scenario_where_a_capture_was_expected(self):
        self.refuse(2, "scenario.ini", "receive", "scenario.ini")

    def test_capture_where_a_scenario_was_expected(self):
        self.refuse(2, "good.h5", "sweep", "good.h5", "--vary", "adc.bits=6|8")


class SpecialFiles(ProgramTest):
    """Pipes, folders and links among inputs and outputs. Pipes in a scratch folder stand for every device."""

    def test_a_scenario_from_a_pipe_is_read_whole(self):
        expected = self.succeed("budget", "scenario.ini", "--set", "channel.osnr_db=17")
        self.write("piped.ini", SCENARIO.replace("osnr_db = 11", "osnr_db = 17"))
        with open(self.folder / "piped.ini", encoding="utf-8") as file:
            piped = subprocess.run(f"cat | {os.environ['COHLINK']} budget /dev/stdin", shell=True, stdin=file, text=True,
                                   cwd=self.folder, capture_output=True, check=True).stdout
        self.assertEqual(piped, expected)
        self.assertNotEqual(piped, self.succeed("budget", "scenario.ini"))

    def test_a_folder_is_no_scenario(self):
        (self.folder / "folder").mkdir()
        self.refuse(2, "folder: is a folder, not a file", "budget", "folder")

    def test_a_device_without_end_is_no_scenario(self):
        self.refuse(2, "/dev/zero: is longer than 4 MiB", "budget", "/dev/zero")

    def test_a_pipe_is_no_output(self):
        os.mkfifo(self.folder / "pipe")
        for command in (["simulate", "scenario.ini"], ["sweep", "scenario.ini", "--vary", "adc.bits=6|8"]):
            self.refuse(2, "pipe: is not a regular file", *command, "-o", "pipe", "--quiet")
        self.assertTrue((self.folder / "pipe").is_fifo())

    def test_a_link_stays_a_link(self):
        (self.folder / "far").mkdir()
        (self.folder / "link.h5").symlink_to("far/capture.h5")
        for seed in (1, 2):  # the first makes the target, the second replaces it
            self.succeed("simulate", "scenario.ini", "--seed", seed, "-o", "link.h5", "--quiet")
            self.succeed("simulate", "scenario.ini", "--seed", seed, "-o", "plain.h5", "--quiet")
            self.assertTrue((self.folder / "link.h5").is_symlink())
            self.assertEqual(self.content("far/capture.h5"), self.content("plain.h5"))


class NamedInputs(ProgramTest):
    """Files that a scenario's keys name are inputs too."""

    def setUp(self):
        super().setUp()
        self.succeed("simulate", "scenario.ini", "-o", "sent.h5", "--quiet")
        with h5py.File(self.folder / "sent.h5") as file:
            file["adc/samples"][:].T.astype("<i2").tofile(self.folder / "scope.bin")
            symbols = sent_symbols(file)
        with h5py.File(self.folder / "pattern.h5", "w") as file:
            file["symbols"] = symbols
        self.write("scope.ini", "[trace]\nfile = scope.bin\nsample_rate_gsa = 64\nsymbols_file = sent.h5\n")

    def test_no_output_replaces_them(self):
        for name in ("scope.bin", "sent.h5"):
            before = self.content(name)
            self.refuse(2, "is also an input", "receive", "scope.ini", "-o", f"./{name}")
            self.assertEqual(self.content(name), before)
        pattern = ["--set", "signal.pattern=file", "--set", "signal.pattern_file=pattern.h5", "-o", "pattern.h5"]
        for command in (["simulate", "scenario.ini"], ["sweep", "scenario.ini", "--vary", "adc.bits=6|8"],
                        ["limit", "scenario.ini", "--vary", "adc.bits=2:8"], ["outage", "scenario.ini"], ["qualify", "scenario.ini"]):
            self.refuse(2, "is also an input", *command, *pattern)

    def test_a_frame_of_many_does_not_replace_the_scenario_it_comes_from(self):
        (self.folder / "scenario.ini").rename(self.folder / "frames-001.h5")
        self.refuse(2, "is also an input", "simulate", "frames-001.h5", "--set", "run.frames=2", "-o", "frames.h5")

    def test_symbols_beside_the_constellation_are_refused(self):
        with h5py.File(self.folder / "pattern.h5", "r+") as file:
            file["symbols"][0, 7] *= 1.05
        self.refuse(2, "pattern.h5: /symbols must hold points of qpsk (signal.modulation); symbol 7 is none", "simulate", "scenario.ini",
                    "--set", "signal.pattern=file", "--set", "signal.pattern_file=pattern.h5", "-o", "x.h5")

    def test_csv_may_begin_with_a_byte_order_mark_and_must_have_lines(self):
        samples = numpy.fromfile(self.folder / "scope.bin", "<i2").reshape(-1, 4)
        text = "".join("%d,%d,%d,%d\n" % tuple(row) for row in samples)
        self.write("plain.csv", text)
        (self.folder / "marked.csv").write_bytes(b"\xef\xbb\xbf" + text.encode())
        csv = ["receive", "scope.ini", "--set", "trace.format=csv", "--quiet", "--set"]
        self.assertEqual(self.succeed(*csv, "trace.file=plain.csv"), self.succeed(*csv, "trace.file=marked.csv"))
        self.write("endless.csv", "1 2 3 4 " * 20000)
        self.refuse(2, "endless.csv:1: is longer than 65535 characters", *csv, "trace.file=endless.csv")


class Contradictions(ProgramTest):
    """What was asked for would not happen."""

    def test_a_capture_is_not_received_as_what_it_is_not(self):
        self.succeed("simulate", "scenario.ini", "--set", "signal.modulation=gaussian", "-o", "c.h5", "--quiet")
        self.refuse(2, "is not what was sent: /truth has symbols of 0 bits, qpsk of 2", "receive", "c.h5", "--set",
                    "signal.modulation=qpsk")

    def test_a_data_set_is_not_labelled_with_what_captures_do_not_show(self):
        for draw in ("dsp.equaliser_taps=choice:7|15", "trace.lanes=choice:XI,XQ|XI,XQ,YI,YQ"):
            self.refuse(2, f"draw {draw.split('=')[0]}: captures do not depend on it", "dataset", "scenario.ini", "-n", 2, "-o", "set",
                        "--draw", draw)

    def test_keys_that_nothing_reads_are_told_of_once(self):
        idle = ["--set", "adc.full_scale_mv=300", "--set", "dsp.phase_recovery=fourth-power", "--set", "dsp.test_phases=16"]
        said = ("cohlink: caution: nothing reads adc.full_scale_mv (needs frontend.gain_control = manual), "
                "dsp.test_phases (needs dsp.phase_recovery = bps) in this scenario\n")
        self.assertEqual(self.run_program("simulate", "scenario.ini", *idle, "-o", "c.h5", "--quiet").stderr, said)
        self.assertEqual(self.run_program("receive", "c.h5", "--quiet").stderr.count(said), 1)
        self.assertEqual(self.run_program("budget", "scenario.ini", *idle, "--quiet").stderr.count(said), 1)
        sheet = self.folder / "sheet.ini"
        sheet.write_text("[require.ber]\nset = dsp.phase_recovery=bps\nmeasure = ber\nat_most = 0.3\n")
        told = self.run_program("qualify", "scenario.ini", "sheet.ini", *idle, "--quiet").stderr
        self.assertEqual(told.count("nothing reads adc.full_scale_mv (needs frontend.gain_control = manual) in this scenario"), 1)
        sweep = ["sweep", "scenario.ini", "--quiet", *idle, "--vary"]
        self.assertEqual(self.run_program(*sweep, "adc.bits=6|8").stderr.count("nothing reads"), 1)
        both = self.run_program(*sweep, "frontend.gain_control=automatic|manual,dsp.phase_recovery=bps|fourth-power").stderr
        self.assertNotIn("nothing reads", both)

    def test_a_repeated_capture_is_one_frame(self):
        self.succeed("simulate", "scenario.ini", "-o", "c.h5", "--quiet")
        self.refuse(2, "run.frames: '3' has no say here", "simulate", "c.h5", "--set", "run.frames=3", "-o", "again.h5")

    def test_work_that_no_memory_holds_is_refused_before_it_begins(self):
        self.refuse(2, "at most 1,000,000 realisations", "outage", "scenario.ini", "-n", 100000000)
        self.succeed("simulate", "scenario.ini", "-o", "c.h5", "--quiet")
        with h5py.File(self.folder / "c.h5", "r+") as file:
            file["adc/samples"].attrs["sample_rate_hz"] = 1e6
        self.refuse(2, "c.h5: 0.001 GSa/s are less than a sample a symbol at 32 GBd", "receive", "c.h5")


class DamagedFiles(ProgramTest):
    """Parts, items and results that were damaged or put together by hand."""

    def flip(self, name, at):
        damaged = bytearray(self.content(name))
        damaged[at] ^= 1
        (self.folder / name).write_bytes(damaged)

    def test_a_damaged_or_changed_part_is_named_by_merge(self):
        for part in (1, 2):
            self.succeed("sweep", "scenario.ini", "--vary", "adc.bits=5|8", "--part", f"{part}/2", "-o", f"p{part}.h5", "--quiet")
        whole = self.content("p2.h5")
        self.flip("p2.h5", 5000)
        self.refuse(2, "p2.h5: damaged", "merge", "p1.h5", "p2.h5", "-o", "curve.h5")
        (self.folder / "p2.h5").write_bytes(whole)
        with h5py.File(self.folder / "p2.h5", "r+") as file:
            file.attrs["parts"] = 3.0
        self.refuse(2, "p2.h5: carries no seal", "merge", "p1.h5", "p2.h5")

    def test_a_damaged_or_copied_item_is_noticed_before_any_work(self):
        make = ["dataset", "scenario.ini", "--draw", "channel.osnr_db=10:12", "-o", "set", "--quiet", "-n"]
        self.succeed(*make, 2)
        whole = self.content("set/item-000001.h5")
        self.flip("set/item-000001.h5", 9000)
        self.refuse(2, "item-000001.h5: damaged", *make, 3)
        (self.folder / "set/item-000001.h5").write_bytes(self.content("set/item-000000.h5"))
        self.refuse(2, "item-000001.h5: is not this item of the data set", *make, 3)
        self.refuse(2, "item-000001.h5: is not this item of the data set", *make, 3, "--repair")  # not damaged
        (self.folder / "set/item-000001.h5").write_bytes(whole[:4096])  # half written
        self.refuse(2, "item-000001.h5: carries no seal", *make, 3)
        self.succeed(*make, 2, "--repair")
        self.assertEqual(self.content("set/item-000001.h5"), whole)
        (self.folder / "set/item-000000.h5").unlink()
        (self.folder / "set/item-000000.h5").mkdir()
        self.refuse(2, "item-000000.h5", *make, 3)
        (self.folder / "set/item-000000.h5").rmdir()
        self.succeed(*make, 3)

    def test_a_report_of_columns_that_do_not_fit_is_refused(self):
        self.succeed("sweep", "scenario.ini", "--vary", "adc.bits=5|8", "-o", "curve.h5", "--quiet")
        self.succeed("outage", "scenario.ini", "-n", 2, "-o", "outage.h5", "--quiet")

        def refused(name, message, edit):
            (self.folder / "changed.h5").write_bytes(self.content(name))
            with h5py.File(self.folder / "changed.h5", "r+") as file:
                edit(file)
            self.refuse(2, f"changed.h5: {message}", "report", "changed.h5", "-o", "page.html")

        def replace(file, name, value):
            kept = {word: file[name].attrs[word] for word in ("look", "type") if word in file[name].attrs}
            del file[name]
            file[name] = value
            file[name].attrs.update(kept)

        refused("curve.h5", "attribute /@axes names no axis", lambda file: file.attrs.modify("axes", numpy.bytes_(b"")))
        refused("curve.h5", "data set /adc.bits holds no value", lambda file: replace(file, "adc.bits", numpy.zeros(0)))
        refused("curve.h5", "/bits does not fit its axes", lambda file: replace(file, "bits", numpy.zeros(3, "u8")))
        refused("curve.h5", "/ber does not fit its axes", lambda file: replace(file, "ber", numpy.zeros(1)))
        refused("curve.h5", "data set /verdict does not hold whole numbers", lambda file: replace(file, "verdict", numpy.zeros(2)))
        refused("outage.h5", "data set /quantiles/snr_db has 2 rows, /quantiles/quantile 7",
                lambda file: replace(file, "quantiles/snr_db", numpy.zeros(2)))
        refused("outage.h5", "the data sets of /facts differ in length",
                lambda file: replace(file, "facts/label", numpy.array([b"x"])))

    def test_control_characters_reach_no_terminal(self):
        self.succeed("simulate", "scenario.ini", "-o", "c.h5", "--quiet")
        with h5py.File(self.folder / "c.h5", "r+") as file:
            file["adc"].attrs["\x1b[31m"] = 1
            file.attrs["version"] = "\x1b[2J"
        shown = self.succeed("inspect", "c.h5")
        self.assertNotIn("\x1b", shown)
        self.assertIn("\\x1b[2J", shown)
        self.refuse(2, "\\x1b[2J", "receive", "no\x1b[2J.h5")


class FullDisk(ProgramTest):
    """No room left: exit status 3, and neither the file nor what was written beside it stays."""

    def setUp(self):
        super().setUp()
        self.succeed("simulate", "scenario.ini", "-o", "good.h5", "--quiet")

    def test_file_size_limit(self):
        for limit in (0, 1000, 20000):
            self.refuse(3, "full.h5", "simulate", "scenario.ini", "-o", "full.h5", file_limit=limit)
            self.refuse(3, "full.h5", "receive", "good.h5", "-o", "full.h5", "--quiet", file_limit=limit)

    def test_a_sweep_keeps_what_it_counted_and_nothing_half_written(self):
        sweep = ["sweep", "scenario.ini", "--vary", "adc.bits=6|8", "-o", "full.h5", "--quiet"]
        self.refuse(3, "full.h5", *sweep, file_limit=0)
        before = self.listing()
        for limit in (1000, 4000):
            result = self.run_program(*sweep, file_limit=limit)
            self.assertEqual((result.returncode, result.stderr.count("\n")), (3, 1), result.stderr)
            self.assertIn("full.h5", result.stderr)
            self.assertEqual(self.listing(), sorted(before + ["full.h5.journal"]))
        whole = self.succeed(*sweep)
        self.assertEqual(self.listing(), sorted(before + ["full.h5"]))
        self.assertEqual(whole, self.succeed("sweep", "scenario.ini", "--vary", "adc.bits=6|8", "--quiet"))

    def test_full_file_system(self):
        with tempfile.TemporaryDirectory(prefix="cohlink-full-") as folder:
            mount = subprocess.run(["mount", "-t", "tmpfs", "-o", "size=64k", "none", folder], capture_output=True, check=False)
            if mount.returncode != 0:
                self.skipTest("no right to mount a small file system")
            try:
                self.refuse(3, "full.h5", "simulate", "scenario.ini", "-o", f"{folder}/full.h5")
                self.assertEqual(os.listdir(folder), [])
            finally:
                subprocess.run(["umount", folder], check=True)

    def test_an_older_file_survives_a_failed_write(self):
        before = self.content("good.h5")
        result = self.run_program("simulate", "scenario.ini", "--seed", "2", "-o", "good.h5", file_limit=20000)
        self.assertEqual(result.returncode, 3)
        self.assertEqual(self.content("good.h5"), before)

    def test_standard_output_is_full(self):
        with open("/dev/full", "w", encoding="utf-8") as full:
            result = self.run_program("keys", stdout=full, stderr=subprocess.PIPE)
        self.assertEqual(result.returncode, 3)
        self.assertIn("standard output", result.stderr)


if __name__ == "__main__":
    unittest.main()
