"""Sweeps: the same table for any number of threads, honest columns, a file that labels itself."""
import csv
import io
import json
import re
import unittest

import h5py
import numpy

from program import ProgramTest, attribute_text

LINE = """[signal]
modulation = 16qam
symbols = 4096
[run]
frames = 2
precision = single
[fibre]
spans = 4
"""
COLUMNS = ["ber", "ber_low", "ber_high", "errors", "bits", "q_db", "snr_db", "evm_percent", "ber_theory", "verdict", "ngmi",
           "margin_db", "net_rate_gbps"]


class Tables(ProgramTest):
    def sweep(self, *arguments):
        return self.succeed("sweep", "scenario.ini", "--quiet", "--format", "csv", *arguments)

    def rows(self, *arguments):
        return list(csv.DictReader(io.StringIO(self.sweep(*arguments))))

    def test_same_table_and_file_for_one_and_two_threads(self):
        many = ["--vary", "channel.osnr_db=9:1:13", "--set", "run.frames=6", "--set", "run.target_errors=300"]
        self.assertEqual(self.sweep(*many, "--threads", 1, "-o", "one.h5"), self.sweep(*many, "--threads", 2, "-o", "two.h5"))
        self.assertEqual(self.content("one.h5"), self.content("two.h5"))

    def test_a_point_alone_is_the_point_of_the_grid_when_noise_is_common(self):
        grid = self.rows("--vary", "channel.osnr_db=9|10|11", "--common-noise")
        alone = self.rows("--vary", "channel.osnr_db=11", "--common-noise")
        self.assertEqual(grid[2], alone[0])

    def test_points_have_noise_of_their_own(self):
        alike = ["--vary", "channel.osnr_db=9|9.00000001"]  # but for their streams
        rows = self.rows(*alike)
        self.assertNotEqual(rows[0]["errors"], rows[1]["errors"])
        rows = self.rows(*alike, "--common-noise")
        self.assertEqual(rows[0]["errors"], rows[1]["errors"])

    def test_columns_are_the_varied_keys_then_the_fixed_ones(self):
        text = self.sweep("--vary", "channel.osnr_db=9|11,signal.modulation=qpsk|16qam")
        self.assertEqual(text.splitlines()[0].split(","), ["channel.osnr_db", "signal.modulation"] + COLUMNS)
        places = [tuple(line.split(",")[:2]) for line in text.splitlines()[1:]]
        self.assertEqual(places, [("9", "qpsk"), ("9", "16qam"), ("11", "qpsk"), ("11", "16qam")])

    def test_frames_stop_at_the_target(self):
        one = int(self.rows("--vary", "channel.osnr_db=9", "--set", "run.target_errors=1", "--set", "run.frames=4")[0]["bits"])
        all_four = int(self.rows("--vary", "channel.osnr_db=9", "--set", "run.target_errors=0", "--set", "run.frames=4")[0]["bits"])
        self.assertGreater(all_four, 3 * one)

    def test_theory_stands_only_where_there_is_a_closed_form(self):
        self.assertAlmostEqual(float(self.rows("--vary", "channel.osnr_db=11")[0]["ber_theory"]), 0.01329, places=5)
        spans = ["--set", "fibre.spans=1", "--set", "fibre.steps_per_span=2"]
        self.assertEqual(self.rows("--vary", "channel.osnr_db=11", *spans)[0]["ber_theory"], "")

    def test_symbols_without_bits_have_an_snr_but_no_ber(self):
        row = self.rows("--vary", "signal.modulation=gaussian", "--set", "dsp.phase_recovery=genie", "--set",
                        "dsp.chain=orthonormalise,resample,matched-filter,genie-polarisation,decimate,phase")[0]
        self.assertEqual((row["ber"], row["bits"], row["ber_theory"], row["verdict"]), ("", "0", "", ""))
        self.assertGreater(float(row["snr_db"]), 4)

    def test_any_number_a_frame_gives_can_be_what_is_measured(self):
        frames = ["--vary", "channel.osnr_db=11", "--set", "run.frames=3", "--set", "run.target_errors=1", "--measure"]
        with_bounds = {"snr_db": ("snr_low_db", "snr_high_db", "snr_theory_db"), "gmi_bits": ("gmi_low_bits", "gmi_high_bits", "gmi_theory_bits"),
                       "ngmi": ("ngmi_low", "ngmi_high", "ngmi_theory"), "taps_dgd_ps": ("taps_dgd_low_ps", "taps_dgd_high_ps"),
                       "cycle_slips": ("cycle_slips_low", "cycle_slips_high")}
        for name, bounds in with_bounds.items():
            row = self.rows(*frames, name)[0]
            self.assertEqual(list(row)[:2 + len(bounds)], ["channel.osnr_db", name, *bounds])
            self.assertEqual(sorted(list(row)[2 + len(bounds):] + [name]), sorted(set(COLUMNS) | {name}))
            low, value, high = (float(row[column]) for column in (bounds[0], name, bounds[1]))
            self.assertTrue(low <= value < high, row)
        # One frame tells nothing of the scatter; the receiver's own numbers are those of the frame.
        self.succeed("simulate", "scenario.ini", "--quiet", "-o", "one.h5")
        received = json.loads(self.succeed("receive", "one.h5", "--quiet", "--format", "json"))
        for name in ("gmi_bits", "snr_x_db", "frequency_offset_hz"):
            row = self.rows("--vary", "run.threads=1", "--set", "run.frames=1", "--measure", name)[0]
            self.assertAlmostEqual(float(row[name]) / received[name], 1.0, places=9)
            self.assertEqual(list(row.values())[2:4], ["", ""])
        # A BER of its own stop rule: Q ends where it does, everything else takes all its frames.
        self.assertEqual(3 * int(self.rows(*frames, "q_db")[0]["bits"]), int(self.rows(*frames, "ngmi")[0]["bits"]))
        self.refuse(2, "--measure colour: expected ber, required_osnr, penalty_db or one of q_db, snr_db", "sweep", "scenario.ini",
                    "--vary", "channel.osnr_db=11", "--measure", "colour")

    def test_an_output_that_no_block_gives_is_said(self):
        result = self.run_program("sweep", "scenario.ini", "--vary", "channel.osnr_db=11", "--measure", "iq_skew_x_ps")
        self.assertEqual(result.returncode, 0)
        self.assertIn("no frame gave iq_skew_x_ps", result.stderr)

    def test_json_and_csv_agree(self):
        arguments = ["sweep", "scenario.ini", "--quiet", "--vary", "channel.osnr_db=9|11", "--format"]
        rows = json.loads(self.succeed(*arguments, "json"))
        table = list(csv.DictReader(io.StringIO(self.succeed(*arguments, "csv"))))
        self.assertEqual([row["ber"] for row in rows], [float(row["ber"]) for row in table])

    def test_each_point_can_be_at_its_best_power_which_is_where_theory_has_it(self):
        # The optimum of the incoherent GN model, noise twice the interference, hardly moves with the number of spans
        # (Poggiolini, JLT 30(24) 3857, 2012); the budget holds it in closed form, and its SNR is flat there.
        (self.folder / "line.ini").write_text(LINE)
        keys = ["line.ini", "--quiet", "--vary", "fibre.spans=4|8"]
        best = list(csv.DictReader(io.StringIO(self.succeed(
            "sweep", *keys, "--format", "csv", "--optimise", "transmitter.launch_power_dbm"))))
        for row, spans in zip(best, (4, 8), strict=True):
            power = float(row["optimum_launch_power_dbm"])
            low, high = float(row["optimum_launch_power_low_dbm"]), float(row["optimum_launch_power_high_dbm"])
            self.assertTrue(low < power < high and high - low < 2, row)
            facts = json.loads(self.succeed("budget", "line.ini", "--quiet", "--format", "json", "--set", f"fibre.spans={spans}"))
            text = json.dumps(facts)
            expected = float(re.search(r'"optimum_launch_power_dbm": ?([-0-9.e]+)', text)[1])
            self.assertLess(abs(power - expected), 0.5)

    def test_later_vary_options_add_dimensions(self):
        self.assertEqual(len(self.rows("--vary", "channel.osnr_db=9:1:11", "--vary", "adc.bits=5|8")), 6)


class CurveFile(ProgramTest):
    def test_data_sets_are_labelled_by_dimension_scales(self):
        together = "signal.modulation+signal.symbol_rate_gbd"
        self.succeed("sweep", "scenario.ini", "--quiet", "--vary", together + "=qpsk:32|16qam:16", "--vary",
                     "channel.osnr_db=9:1:11", "-o", "curve.h5")
        with h5py.File(self.folder / "curve.h5") as file:
            self.assertEqual(file["ber"].shape, (2, 3))
            # 2 polarisations x 2 bits x 32 GBd less oFEC's 15.3 %, and half the symbols of twice the bits.
            numpy.testing.assert_allclose(file["net_rate_gbps"][:], 128 / 1.153, rtol=1e-11)
            self.assertEqual(attribute_text(file["net_rate_gbps"], "unit"), "Gb/s")
            for name in COLUMNS + ["frames"]:
                scales = [dimension[0].name for dimension in file[name].dims]
                self.assertEqual(scales, ["/" + together, "/channel.osnr_db"], name)
            numpy.testing.assert_array_equal(file["channel.osnr_db"][:], [9, 10, 11])
            self.assertEqual(list(file[together].asstr()[:]), ["qpsk:32", "16qam:16"])
            self.assertEqual(attribute_text(file[together], "long_name"), "format, symbol rate")
            self.assertTrue((file["errors"][:] > 0).all())
            # `units` by the CF Conventions 1.10, section 3.1: xarray labels its plots from it.
            for name, unit in (("channel.osnr_db", "dB"), ("snr_db", "dB"), ("evm_percent", "%")):
                self.assertEqual([attribute_text(file[name], word) for word in ("unit", "units")], [unit, unit])
            self.assertNotIn("units", file["ber"].attrs)
            self.assertIn("osnr_db = 11", file["scenario"].asstr()[()])
            self.assertTrue({"kind", "version", "git_hash", "seed"} <= set(file.attrs))
            self.assertTrue((file["frames_without_lock"][:] == 0).all())
            self.assertIn("adc_clipped_samples", file.attrs)
            self.assertEqual(attribute_text(file, "common_noise"), "no")
        self.assertIn("2 x 3", self.succeed("inspect", "curve.h5"))
        self.succeed("report", "curve.h5", "-o", "page.html")
        self.assertIn(together + " = qpsk:32", (self.folder / "page.html").read_text(encoding="utf-8"))

    def test_a_measured_output_is_stored_and_drawn(self):
        self.succeed("sweep", "scenario.ini", "--quiet", "--vary", "channel.osnr_db=9:1:11", "--set", "run.frames=2", "--measure",
                     "ngmi", "-o", "curve.h5", "--set", "fec.threshold_ngmi=0.9")
        with h5py.File(self.folder / "curve.h5") as file:
            self.assertEqual([attribute_text(file, "measure"), file.attrs["threshold_ngmi"]], ["ngmi", 0.9])
            self.assertTrue((file["ngmi_low"][:] < file["ngmi"][:]).all())
            self.assertEqual(file["ngmi_high"].dims[0][0].name, "/channel.osnr_db")
            # 14,000 symbols whose information spreads by less than sqrt(2) bits of 2: four standard errors are 0.024; half a
            # dB that the blind receiver may lose is another 0.03 (QPSK carries 0.12 bit a dB at most here).
            off = file["ngmi"][:] - file["ngmi_theory"][:]
            self.assertTrue((off < 0.024).all() and (off > -0.054).all(), off)
            # A dB of OSNR is one of margin; NGMI's own scatter, 0.005 of 0.06 a dB, makes it uncertain by a tenth.
            self.assertTrue((abs(numpy.diff(file["margin_db"][:]) - 1) < 0.5).all())
        self.succeed("report", "curve.h5", "-o", "page.html")
        page = (self.folder / "page.html").read_text(encoding="utf-8")
        for words in ("normalised GMI over OSNR in 12.5 GHz", "theory, ideal reception", ", theory 0.", "code threshold"):
            self.assertIn(words, page)

    def test_frames_without_lock_are_counted_apart(self):
        self.succeed("sweep", "scenario.ini", "--quiet", "--vary", "channel.osnr_db=-9|11", "--set", "run.frames=3", "--set",
                     "run.target_errors=0", "-o", "curve.h5")
        with h5py.File(self.folder / "curve.h5") as file:
            numpy.testing.assert_array_equal(file["frames"][:], [3, 3])
            numpy.testing.assert_array_equal(file["frames_without_lock"][:], [3, 0])
            self.assertEqual(file["bits"][0], 0)
            self.assertTrue(numpy.isnan(file["ber"][0]))
            self.assertEqual(file["verdict"][0], 3)

    def test_a_file_says_what_penalties_are_against_and_whether_noise_was_common_and_reports_show_it(self):
        both = ["sweep", "scenario.ini", "--quiet", "--vary", "adc.bits=5|8", "-o", "curve.h5"]
        sentence = "All points saw the same random streams"
        # A search counts the same frames at every point, whether that is asked for or not (docs/studies.md).
        for more, measure, common, reference in (
                ([], "ber", "no", None), (["--common-noise"], "ber", "yes", None),
                (["--measure", "required_osnr"], "required_osnr_db", "yes", None),
                (["--measure", "penalty_db"], "penalty_db", "yes", "the first point: adc.bits=5"),
                (["--measure", "penalty_db", "--reference", "adc.bits=8"], "penalty_db", "yes", "adc.bits=8")):
            self.succeed(*both, *more)
            with h5py.File(self.folder / "curve.h5") as file:
                self.assertEqual([attribute_text(file, name) for name in ("common_noise", "reference")], [common, reference])
                self.assertIn(measure, file)
                self.assertEqual(attribute_text(file[measure], "units"), None if measure == "ber" else "dB")
            self.succeed("report", "curve.h5", "-o", "page.html")
            page = (self.folder / "page.html").read_text(encoding="utf-8")
            self.assertEqual(sentence in page, common == "yes", more)
            if reference:
                self.assertIn(f"Penalties are against {reference}.", page)


if __name__ == "__main__":
    unittest.main()
