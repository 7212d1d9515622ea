"""Captures: repeatable to the last byte, readable without us, receivable without their truth."""
import csv
import io
import json
import shutil
import time
import unittest

import h5py
import numpy

from program import ProgramTest, attribute_text


class Repeatability(ProgramTest):
    def test_same_bytes_for_any_number_of_threads(self):
        for threads in (1, 2):
            self.succeed("simulate", "scenario.ini", "--set", "run.frames=3", "--threads", threads, "-o", f"t{threads}.h5")
        for frame in range(3):
            self.assertEqual(self.content(f"t1-00{frame}.h5"), self.content(f"t2-00{frame}.h5"))
        self.assertNotEqual(self.content("t1-000.h5"), self.content("t1-001.h5"))

    def test_same_bytes_at_another_time(self):
        self.succeed("simulate", "scenario.ini", "-o", "now.h5")
        time.sleep(1.2)  # a time stamp in the file would differ
        self.succeed("simulate", "scenario.ini", "-o", "later.h5")
        self.assertEqual(self.content("now.h5"), self.content("later.h5"))

    def test_same_bytes_from_the_capture_alone(self):
        self.succeed("simulate", "scenario.ini", "--seed", "7", "--set", "run.frames=3", "-o", "made.h5")
        (self.folder / "scenario.ini").unlink()
        self.succeed("simulate", "made-002.h5", "-o", "again.h5")
        self.assertEqual(self.content("made-002.h5"), self.content("again.h5"))

    def test_same_bytes_with_measured_plans_from_wisdom(self):
        measured = ["simulate", "scenario.ini", "--set", "run.fft_planning=measured", "-o"]
        self.succeed(*measured, "first.h5")
        self.succeed(*measured, "second.h5")
        self.assertEqual(self.content("first.h5"), self.content("second.h5"))

    def test_single_frame_is_that_of_the_whole_run(self):
        self.succeed("simulate", "scenario.ini", "--set", "run.frames=3", "-o", "all.h5")
        self.succeed("simulate", "scenario.ini", "--set", "run.frames=3", "--frame", 1, "-o", "one.h5")
        self.assertEqual(self.content("all-001.h5"), self.content("one.h5"))

    def test_seed_changes_the_capture(self):
        self.succeed("simulate", "scenario.ini", "-o", "a.h5")
        self.succeed("simulate", "scenario.ini", "--seed", 2, "-o", "b.h5")
        self.assertNotEqual(self.content("a.h5"), self.content("b.h5"))

    def test_later_files_and_settings_win(self):
        self.write("more.ini", "[channel]\nosnr_db = 20\n[adc]\nbits = 6\n")
        self.succeed("simulate", "scenario.ini", "more.ini", "--set", "adc.bits=5", "-o", "a.h5")
        facts = json.loads(self.succeed("inspect", "a.h5", "--format", "json"))
        self.assertEqual((facts["channel.osnr_db"], facts["adc.bits"]), ("20", "5"))


class Pilots(ProgramTest):
    def test_a_capture_with_pilots_is_received(self):
        # Compilers differ in which argument of a call they take first; this runs under two of them.
        self.succeed("simulate", "scenario.ini", "--set", "signal.pilot_spacing=16", "-o", "p.h5")
        facts = json.loads(self.succeed("receive", "p.h5", "--format", "json"))
        self.assertIn("pilot symbols", facts["used_known_data"])
        self.assertLess(facts["ber"], 2e-2)  # that of 10.33 dB of OSNR in theory, for the 11 of this scenario


class WrongLanes(ProgramTest):
    """What the converter's inputs are connected to, beside the same capture with each lane in its place."""

    def codes(self, *settings):
        self.succeed("simulate", "scenario.ini", *(word for s in settings for word in ("--set", s)), "-o", "lanes.h5", "--quiet")
        with h5py.File(self.folder / "lanes.h5") as file:
            lanes = file["truth/lanes"]
            return file["adc/samples"][:], {name: lanes[name][()].tolist() for name in lanes}

    def test_inputs_have_the_codes_of_the_lanes_they_are_connected_to(self):
        skews = ["frontend.iq_skew_ps=3", "frontend.xy_skew_ps=10"]
        (xi, xq, yi, yq), right = self.codes(*skews)
        self.assertNotIn("source_lane", right)
        found, truth = self.codes(*skews, "adc.inputs=YI,-XI,XQ,YQ")
        numpy.testing.assert_array_equal(found, [yi, numpy.clip(-xi, -128, 127), xq, yq])
        self.assertEqual((truth["source_lane"], truth["gain"]), ([2, 0, 1, 3], [1, -1, 1, 1]))
        numpy.testing.assert_allclose(truth["skew_ps"], [10, 0, 3, 13])
        found, truth = self.codes("adc.inputs=open,high,low,YQ", "adc.enob=6", "adc.offset_spread_percent=2")
        self.assertLess(abs(found[0].mean() - 128 * truth["offset_of_full_scale"][0]), 0.2)
        self.assertEqual({tuple(set(lane.tolist())) for lane in found[1:3]}, {(127,), (-128,)})
        self.assertEqual(truth["gain"][:3], [0, 0, 0])

    def test_the_receiver_names_them(self):
        mixed = ["--set", "channel.polarisation_rotation_deg=35", "--set", "channel.extra_dispersion_ps_per_nm=4000",
                 "--set", "signal.symbols=16384"]
        for inputs, said in (("XQ,XI,YI,YQ", "lanes XI and XQ are swapped, or one of them is inverted"),
                             ("XI,XQ,YI,-YQ", "lanes YI and YQ are swapped, or one of them is inverted"),
                             ("XI,YI,XQ,YQ", "lanes XQ and YI have changed places"),
                             ("XI,XQ,YI,open", "lane YQ is silent"), ("high,XQ,YI,YQ", "lane XI is silent")):
            self.succeed("simulate", "scenario.ini", *mixed, "--set", f"adc.inputs={inputs}", "-o", "x.sigmf-meta", "--quiet")
            result = self.run_program("receive", "x.sigmf-meta", "scenario.ini", "--set", "dsp.dispersion_ps_per_nm=4000")
            self.assertIn(said, result.stderr)

    def test_what_is_no_wiring_is_refused(self):
        def refused(message, inputs):
            self.refuse(2, message, "simulate", "scenario.ini", "--set", f"adc.inputs={inputs}", "-o", "x.h5")

        refused("must say of 4 inputs what they are connected to", "XI,XQ")
        refused("names lane XI twice", "XI,-XI,YI,YQ")
        refused("'ZI' is not a known item", "ZI,XQ,YI,YQ")

    def test_faults_are_drawn_and_labelled(self):
        self.succeed("dataset", "scenario.ini", "-n", 6, "-o", "set", "--quiet", "--draw", "adc.inputs=choice:XI,XQ,YI,YQ|XQ,XI,YI,YQ",
                     "--draw", "frontend.bandwidth_xi_ghz=log:4:40")
        rows = list(csv.DictReader((self.folder / "set/labels.csv").read_text(encoding="utf-8").splitlines()))
        self.assertEqual({row["adc.inputs"] for row in rows}, {"XI,XQ,YI,YQ", "XQ,XI,YI,YQ"})
        for row in rows:
            with h5py.File(self.folder / "set" / row["file"]) as file:
                self.assertEqual("source_lane" in file["truth/lanes"], row["adc.inputs"].startswith("XQ"))
                own = file["truth/lanes/own_bandwidth_hz"][()]
                at = 1 if row["adc.inputs"].startswith("XQ") else 0
                self.assertAlmostEqual(own[at], 1e9 * float(row["frontend.bandwidth_xi_ghz"]), delta=1.0)
                self.assertEqual(numpy.isinf(own).sum(), 3)


class WhatSimulateSays(ProgramTest):
    def test_light_sampled_too_coarsely_for_the_hardware_is_cautioned(self):
        coarse = ["simulate", "scenario.ini", "--set", "transmitter.dac_sample_rate_gsa=64", "-o", "a.h5", "--quiet"]
        result = self.run_program(*coarse)
        self.assertEqual(result.returncode, 0, result.stderr)
        self.assertIn("caution: run.samples_per_symbol = 2 does not hold", result.stderr)
        free = self.run_program(*coarse, "--set", "run.samples_per_symbol=")
        self.assertNotIn("caution", free.stderr)

    def test_clipping_elsewhere_than_in_the_adc_is_told_where_there_is_some(self):
        modulator = ["--set", "transmitter.modulator=iq", "--set", "transmitter.predistortion=arcsine"]
        simulate = ["simulate", "scenario.ini", "-o", "a.h5", *modulator]
        self.assertNotIn("predistortion", self.succeed(*simulate, "--set", "transmitter.driver_gain_db=10"))
        self.assertIn("clipped by predistortion", self.succeed(*simulate, "--set", "transmitter.driver_gain_db=30"))


class ReadingWithoutUs(ProgramTest):
    def test_h5py_sees_lanes_and_truth(self):
        self.succeed("simulate", "scenario.ini", "-o", "capture.h5")
        with h5py.File(self.folder / "capture.h5") as file:
            lanes = file["adc/samples"]
            self.assertEqual((lanes.shape, lanes.dtype), ((4, 8192), numpy.int16))
            self.assertEqual(lanes.attrs["sample_rate_hz"], 64e9)
            codes, points, labels, bits = (file["truth"][name] for name in ("symbol_codes", "constellation", "constellation_bits", "bits"))
            self.assertEqual((codes.shape, codes.dtype), ((2, 4096), numpy.uint8))
            self.assertAlmostEqual(float(numpy.mean(abs(points[:][codes[:]]) ** 2)), 1.0, places=9)
            self.assertEqual(attribute_text(points, "modulation"), "qpsk")
            self.assertEqual(attribute_text(bits, "mapping"), "point")
            numpy.testing.assert_array_equal(bits[:], labels[:][codes[:]].reshape(2, -1))
            for name in ("tx_phase_rad", "lo_phase_rad"):
                self.assertEqual(file["truth"][name].shape, (4096,))
            self.assertAlmostEqual(file["truth/osnr_db"][()], 11.0, places=6)
            for name in ("frequency_offset_hz", "dispersion_ps_per_nm", "dgd_ps", "jones"):
                self.assertIn(name, file["truth"])
            self.assertIn("osnr_db = 11", file["scenario"].asstr()[()])
            self.assertTrue({"version", "git_hash", "seed", "frame", "point"} <= set(file.attrs))


class Receiving(ProgramTest):
    def setUp(self):
        super().setUp()
        self.succeed("simulate", "scenario.ini", "--set", "signal.symbols=16384", "-o", "capture.h5")

    def receive(self, *arguments):
        return json.loads(self.succeed("receive", "capture.h5", "--format", "json", *arguments))

    def test_counts_errors_with_an_interval_and_a_verdict(self):
        facts = self.receive()
        self.assertLessEqual(facts["ber_low"], facts["ber"])
        self.assertLessEqual(facts["ber"], facts["ber_high"])
        self.assertEqual(facts["ber"], facts["errors"] / facts["bits"])
        self.assertEqual(facts["verdict"], "pass")
        self.assertEqual(self.receive("--set", "fec.threshold_ber=1e-4")["verdict"], "fail")
        self.assertEqual(self.receive("--set", f"fec.threshold_ber={facts['ber']}")["verdict"], "undecided")
        self.assertNotIn("verdict", self.receive("--set", "fec.code=none"))

    def test_a_verdict_may_rest_on_information(self):
        facts = self.receive("--set", "fec.threshold_ngmi=0.9")
        self.assertEqual(facts["verdict"], "pass")
        self.assertEqual(facts["threshold_ngmi"], 0.9)
        self.assertNotIn("threshold_ber", facts)
        self.assertNotIn("net_bit_rate_bps", facts)  # of which code?
        # 32 GBd, both polarisations: what an ideal code carries.
        self.assertAlmostEqual(facts["achievable_rate_gbps"], 64 * facts["gmi_bits"], places=6)
        self.assertEqual(self.receive("--set", "fec.threshold_ngmi=0.999")["verdict"], "fail")
        self.assertEqual(self.receive("--set", f"fec.threshold_ngmi={facts['ngmi']}")["verdict"], "undecided")
        self.refuse(2, "two verdicts", "receive", "capture.h5", "--set", "fec.threshold_ngmi=0.9", "--set", "fec.threshold_ber=1e-2")

    def test_decodes_what_it_scored_and_bounds_what_no_error_was_seen_of(self):
        # RS(255,239) of ITU-T G.709 corrects 8 bytes a word. Here 1.3e-2 of bits are wrong: 26 bytes a word in the mean,
        # and 8 or fewer in one of a million.
        decoding = ["--set", "fec.decode=true", "--set", "fec.code=rs-g709"]
        facts = self.receive(*decoding)
        self.assertEqual(facts["post_fec_blocks"], 16)
        self.assertEqual(facts["post_fec_lost_blocks"], 16)
        self.assertEqual(facts["post_fec_iterations"], 1)  # there is but one
        self.assertLess(abs(facts["error_dispersion"] - 1), 0.6)  # white noise: 31 stretches, a standard error of 0.26
        self.assertGreater(facts["post_fec_ber_low"], 0)
        self.assertLess(facts["post_fec_ber_low"], facts["post_fec_ber"])
        self.assertNotIn("post_fec_ber", self.receive("--set", "fec.code=rs-g709"))
        clear = ["--set", "signal.symbols=16384", "--set", "channel.osnr_db=16"]
        self.succeed("simulate", "scenario.ini", *clear, "-o", "capture.h5")
        facts = self.receive(*decoding)
        self.assertEqual(facts["post_fec_ber"], 0)
        self.assertEqual(facts["post_fec_lost_blocks"], 0)
        self.assertGreater(facts["post_fec_ber_high"], 0)

    def test_what_cannot_be_decoded_is_refused_or_said(self):
        decoding = ["receive", "capture.h5", "--quiet", "--set", "fec.decode=true"]
        self.refuse(2, "capture.h5: fec.decode: ofec is decoded 172032 bits or more at a time", *decoding)
        self.refuse(2, "fec.decode", *decoding, "--set", "fec.code=none")
        with h5py.File(self.folder / "capture.h5", "r+") as file:
            del file["truth"]
        self.assertIn("nothing decoded", self.run_program(*decoding).stderr)

    def test_frames_in_a_row_are_decoded_together(self):
        # Rows of RS(255,239) take 32,640 bits, three frames of 4,096 QPSK symbols have 49,152 less their edges.
        decoding = ["--set", "fec.decode=true", "--set", "fec.code=rs-g709", "--set", "fec.frames=3"]
        frames = ["--set", "signal.symbols=4096", "--set", "run.frames=3"]
        self.succeed("simulate", "scenario.ini", *frames, "-o", "part.h5")
        parts = [f"part-00{k}.h5" for k in range(3)]
        receive = ["receive", *parts, "--format", "json", "--quiet"]
        facts = json.loads(self.succeed(*receive, *decoding))
        alone = [json.loads(self.succeed("receive", part, "--format", "json", "--quiet")) for part in parts]
        self.assertEqual(facts["errors"], sum(one["errors"] for one in alone))
        self.assertEqual(facts["bits"], sum(one["bits"] for one in alone))
        self.assertEqual((facts["pieces"], facts["pieces_lost"]), (3, 0))
        for event in ("adc_clipped_samples", "cycle_slips"):
            self.assertEqual(facts[event], sum(one[event] for one in alone))
        self.assertEqual(facts["post_fec_blocks"], 16)
        self.refuse(2, "part-000.h5: fec.decode: rs-g709 is decoded 32640 bits or more at a time", *receive, *decoding[:4])
        self.refuse(2, "look at one capture", *receive, "--cost")
        self.refuse(2, "fec.frames: '3' would join frames of different fibres", "sweep", "scenario.ini", *frames, *decoding,
                    "--vary", "channel.osnr_db=12", "--set", "fibre.spans=1", "--set", "fibre.pmd_ps_per_sqrt_km=0.1",
                    "--set", "fibre.birefringence=redrawn")
        # A study's frame is three of them; what it counts first is what the single frames have.
        sweep = ["sweep", "scenario.ini", *frames[:2], "--set", "run.frames=1", "--vary", "channel.osnr_db=12", "--format", "csv", "--quiet"]
        row, single = (next(csv.DictReader(io.StringIO(self.succeed(*sweep, *more)))) for more in (decoding, []))
        self.assertGreater(int(row["bits"]), 2.9 * int(single["bits"]))
        idle = next(csv.DictReader(io.StringIO(self.succeed(*sweep, "--set", "fec.frames=3"))))
        self.assertEqual(idle, single)  # nothing is decoded
        left = next(csv.DictReader(io.StringIO(self.succeed(*sweep, *decoding, "--measure", "post_fec_ber"))))
        self.assertGreater(float(left["post_fec_ber"]), 0)

    def test_stages_of_the_decoder_are_left_out_in_turn(self):
        self.succeed("simulate", "scenario.ini", "--set", "signal.symbols=49152", "-o", "capture.h5")
        rows = list(csv.DictReader(io.StringIO(self.succeed(
            "receive", "capture.h5", "--knock-out", "--set", "fec.decode=true", "--format", "csv", "--quiet"))))
        left = {row["without"]: float(row["post_fec_ber"]) for row in rows if row["post_fec_ber"]}
        whole = left["(nothing)"]
        stages = {name: ber for name, ber in left.items() if name.startswith("decoder's ")}
        self.assertEqual(len(stages), 4)
        self.assertEqual(whole, 0)  # 1.3e-2 before; the decoder's own tests say what each stage is worth
        self.assertGreater(stages["decoder's reliabilities"], 1e-3)
        self.assertEqual({row["post_fec_blocks"] for row in rows if row["without"].startswith("decoder's ")}, {"42"})
        # Without it nothing is said of decoding.
        self.assertNotIn("post_fec", self.succeed("receive", "capture.h5", "--knock-out", "--format", "csv", "--quiet"))

    def test_works_without_truth(self):
        with_truth = self.receive()
        with h5py.File(self.folder / "capture.h5", "r+") as file:
            del file["truth"]
        facts = self.receive()
        self.assertNotIn("ber", facts)
        self.assertAlmostEqual(facts["snr_db"], with_truth["snr_db"], delta=0.7)

    def test_truth_never_reaches_the_symbols(self):
        self.receive("-o", "known.h5")
        with h5py.File(self.folder / "capture.h5", "r+") as file:
            del file["truth"]
        self.receive("-o", "blind.h5")
        with h5py.File(self.folder / "known.h5") as known, h5py.File(self.folder / "blind.h5") as blind:
            numpy.testing.assert_array_equal(known["symbols"][:], blind["symbols"][:])
            numpy.testing.assert_array_equal(known["equaliser/taps"][:], blind["equaliser/taps"][:])
            for stage in known["stages"]:
                for name in known["stages"][stage]:
                    numpy.testing.assert_array_equal(known["stages"][stage][name][:], blind["stages"][stage][name][:])
            self.assertEqual(attribute_text(known, "used_known_data"), "")

    def test_without_truth_a_lost_lock_is_said_so_too(self):
        with h5py.File(self.folder / "capture.h5", "r+") as file:
            del file["truth"]
        result = self.run_program("receive", "capture.h5", "--format", "json", "--set", "dsp.dispersion_ps_per_nm=100000")
        self.assertEqual(result.returncode, 3)
        self.assertEqual(json.loads(result.stdout)["verdict"], "no lock")
        self.assertIn("on no constellation", result.stderr)

    def test_works_on_a_capture_of_the_lab(self):
        with h5py.File(self.folder / "capture.h5", "r+") as file:
            del file["truth"], file["scenario"]
            for name in list(file.attrs):
                del file.attrs[name]
        # Default keys fit this signal, except for the OSNR, which the receiver does not ask for.
        self.assertGreater(self.receive()["snr_db"], 5)
        self.assertIn("not by cohlink", self.succeed("inspect", "capture.h5"))

    def test_a_receiver_that_finds_nothing_says_so(self):
        result = self.run_program("receive", "capture.h5", "--format", "json", "--set", "dsp.dispersion_ps_per_nm=100000")
        self.assertEqual(result.returncode, 3)
        facts = json.loads(result.stdout)
        self.assertEqual(facts["verdict"], "no lock")
        self.assertNotIn("ber", facts)

    def test_result_holds_stages_symbols_and_numbers(self):
        facts = self.receive("-o", "result.h5")
        with h5py.File(self.folder / "result.h5") as file:
            stages = sorted(file["stages"])
            self.assertEqual(stages[0], "01-deskew")
            self.assertTrue(stages[-1].endswith("-phase"))
            for stage in stages:
                points = file["stages"][stage]["points"]
                self.assertEqual((points.shape[0], points.dtype), (2, numpy.complex64))
            self.assertEqual(file["symbols"].shape[0], 2)
            self.assertEqual(file.attrs["ber"], facts["ber"])
            self.assertIn("[dsp]", file["scenario"].asstr()[()])
        self.assertIn("stages", self.succeed("inspect", "result.h5"))

    def test_result_holds_what_every_block_saw(self):
        self.receive("-o", "result.h5")
        with h5py.File(self.folder / "result.h5") as file:
            for stage in [file["input"], *file["stages"].values()]:
                bins = stage["frequency_hz"].size
                self.assertEqual(stage["spectrum_db"].shape, (2, bins))
                # Welch's average holds the power: its mean over the band is 0 dB by definition.
                self.assertAlmostEqual(float(numpy.mean(10 ** (stage["spectrum_db"][:] / 10))), 1.0, delta=1e-3)
            by_block = {attribute_text(stage["points"], "block"): stage for stage in file["stages"].values()}
            equaliser, phase, clock = by_block["equaliser"], by_block["phase"], by_block["clock"]
            self.assertEqual(clock["timing"].shape, (1, clock["timing_symbol"].size))
            self.assertEqual(equaliser["modulus_error"].shape, (2, equaliser["modulus_error_symbol"].size))
            self.assertEqual(phase["carrier_phase"].shape[0], 2)
            self.assertEqual(attribute_text(phase["carrier_phase"], "unit"), "rad")
            self.assertEqual(file["equaliser/taps"].shape, (2, 2, 15))
            self.assertEqual(file["equaliser/taps"].dtype, numpy.complex64)

    def test_rates_and_the_channel_by_the_taps_stand_beside_the_truth(self):
        facts = self.receive()
        self.assertTrue(0.9 < facts["gmi_bits"] <= facts["mi_bits"] + 1e-9 <= 2.0 + 1e-9)
        self.assertAlmostEqual(facts["ngmi"], facts["gmi_bits"] / 2)
        # 2 x 2 x 32 GBd over 1.153, the overhead of the default code.
        self.assertAlmostEqual(facts["net_bit_rate_bps"], 128e9 / 1.153)
        self.assertNotIn("net_bit_rate_bps", self.receive("--set", "fec.threshold_ber=1e-3"))
        self.assertEqual(self.receive("--set", "fec.overhead_percent=25")["net_bit_rate_bps"], 128e9 / 1.25)
        self.assertIn("DGD by the taps", self.succeed("receive", "capture.h5"))

    def test_knock_out_names_what_each_block_is_worth_and_what_cannot_be_missing(self):
        rows = {row["without"]: row for row in json.loads(self.succeed("receive", "capture.h5", "--format", "json", "--knock-out"))}
        self.assertEqual(rows["(nothing)"]["ber"], self.receive()["ber"])
        self.assertEqual(rows["(nothing)"]["snr_loss_db"], 0)
        self.assertIn("refused: nothing else turns the ADC's rate", rows["resample"]["outcome"])
        self.assertIn("refused: nothing else brings", rows["equaliser"]["outcome"])
        self.assertIn("equaliser, decimate in its place", rows)
        self.assertIn("frequency (coarse)", rows)
        self.assertIn("frequency (fine)", rows)
        # Two lasers of 100 kHz over half a microsecond: without phase recovery the constellation turns.
        self.assertTrue(rows["phase"]["ber"] is None or rows["phase"]["ber"] > 2 * rows["(nothing)"]["ber"])

    def test_same_numbers_from_every_format(self):
        facts = self.receive()
        rows = dict(line.split(",", 1) for line in self.succeed("receive", "capture.h5", "--format", "csv").splitlines())
        self.assertEqual(float(rows["ber"]), facts["ber"])
        self.assertIn("BER", self.succeed("receive", "capture.h5"))

    def test_a_copy_under_another_name_is_the_same_capture(self):
        shutil.copy(self.folder / "capture.h5", self.folder / "other name.h5")
        self.assertEqual(self.succeed("receive", "other name.h5"), self.succeed("receive", "capture.h5"))


class Cautions(ProgramTest):
    def test_strong_light_is_named_on_standard_error(self):
        result = self.run_program("simulate", "scenario.ini", "--set", "transmitter.launch_power_dbm=22", "--set",
                                  "fibre.spans=1", "--set", "fibre.steps_per_span=1", "-o", "x.h5")
        self.assertEqual(result.returncode, 0)
        self.assertIn("hazard level 1M", result.stderr)
        self.assertIn("qualified staff", result.stderr)
        self.assertNotIn("hazard", result.stdout)

    def test_every_command_that_tells_of_a_line_names_strong_light(self):
        bright = ("--set", "amplifier.output_power_dbm=24", "--set", "fibre.spans=1", "--set", "fibre.steps_per_span=1")
        self.succeed("simulate", "scenario.ini", *bright, "-o", "bright.h5")
        (self.folder / "sheet.ini").write_text(
            "[require.ber]\nmeasure = ber\nat_most = 0.3\nset = amplifier.output_power_dbm=24\n")
        for command in (("budget", "scenario.ini", *bright), ("inspect", "bright.h5"),
                        ("qualify", "scenario.ini", "sheet.ini", *bright[2:], "--set", "run.frames=1"),
                        ("outage", "scenario.ini", *bright, "-n", "1"),
                        ("limit", "scenario.ini", *bright[2:], "--vary", "amplifier.output_power_dbm=0:24",
                         "--set", "run.frames=1")):
            result = self.run_program(*command)
            self.assertIn("hazard level 1M", result.stderr, command)

    def test_ordinary_light_is_not(self):
        result = self.run_program("simulate", "scenario.ini", "-o", "x.h5")
        self.assertEqual(result.stderr, "")


if __name__ == "__main__":
    unittest.main()
