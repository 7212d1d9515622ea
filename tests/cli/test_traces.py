"""Recordings made elsewhere: any format a [trace] section describes, any length, and what is wrong with them."""
import json
import resource
import unittest

import h5py
import numpy

from program import ProgramTest, attribute_text, sent_symbols

TRACE = """[run]
fft_planning = estimated
[dsp]
dispersion_ps_per_nm = 4000
[trace]
sample_rate_gsa = 80
"""
SETTINGS = ["--set", "adc.sample_rate_gsa=80", "--set", "channel.extra_dispersion_ps_per_nm=4000", "--set", "channel.osnr_db=13",
            "--set", "channel.polarisation_rotation_deg=35", "--set", "channel.polarisation_retardance_deg=70"]

# Bare samples do not say each lane's scale, which gain control had half a percent apart: what is left of it once the lanes are
# orthonormal, and how third-order dispersion goes with the told 4000 ps/nm, moves received symbols by 1.1e-3 rms (measured by
# stages). Of 63,680 decisions at 0.03 an amplitude round the threshold one is another, on average; more than 5 once in a
# thousand times.
MOST_OTHER_DECISIONS = 5


class TraceTest(ProgramTest):
    SYMBOLS = 16384

    def setUp(self):
        super().setUp()
        self.succeed("simulate", "scenario.ini", *SETTINGS, "--set", f"signal.symbols={self.SYMBOLS}", "-o", "capture.h5", "--quiet")
        with h5py.File(self.folder / "capture.h5") as file:
            self.lanes = file["adc/samples"][:]
        self.write("trace.ini", TRACE)

    def store(self, array, name="trace.bin"):
        (self.folder / name).write_bytes(numpy.ascontiguousarray(array).tobytes())

    def trace(self, settings):
        return [word for setting in settings for word in ("--set", "trace." + setting)]

    def receive(self, *settings, status=0, extra=()):
        result = self.run_program("receive", "trace.ini", "--format", "json", *self.trace(settings), *extra)
        self.assertEqual(result.returncode, status, result.stderr)
        return json.loads(result.stdout), result.stderr


class Formats(TraceTest):
    def test_every_format_gives_the_same_numbers(self):
        with h5py.File(self.folder / "capture.h5", "r+") as file:
            del file["truth"]
        expected = json.loads(self.succeed("receive", "capture.h5", "--format", "json"))["snr_db"]
        lanes = self.lanes
        self.store(lanes.T.astype("<i2"), "i.bin")
        self.store(numpy.concatenate([[0, 0], lanes.astype(">i2").ravel()]).astype(">i2"), "l.bin")
        self.store(lanes.T.astype("i1"), "b.bin")
        self.store(lanes.T.astype("<f4") * 1e-3, "f.bin")
        for lane, values in zip(("xi", "xq", "yi", "yq"), lanes):
            self.store(values.astype("<i2"), f"{lane}.bin")
        text = "time of day, four lanes\n# volts\n" + "".join("%g, %g, %g, %g\n" % tuple(row) for row in lanes.T * 1e-3)
        self.write("t.csv", text)
        with h5py.File(self.folder / "m.h5", "w") as file:
            file["wide"] = lanes
            file["tall"] = lanes.T
            pair = numpy.dtype([("real", "f8"), ("imag", "f8")])  # as MATLAB 7.3 stores complex numbers
            for name, i, q in (("x", lanes[0], lanes[1]), ("y", lanes[2], lanes[3])):
                data = numpy.empty(i.size, pair)
                data["real"], data["imag"] = i * 1e-3, q * 1e-3
                file[name] = data
        for settings in (["file=i.bin"], ["file=l.bin", "layout=lanes", "byte_order=big", "skip_bytes=4"],
                         ["file=b.bin", "format=int8"], ["file=f.bin", "format=float32"], ["file=t.csv", "format=csv"],
                         ["lane_files=xi.bin,xq.bin,yi.bin,yq.bin"],
                         ["file=m.h5", "format=hdf5", "datasets=/wide"], ["file=m.h5", "format=hdf5", "datasets=/tall"],
                         ["file=m.h5", "format=hdf5", "datasets=/x,/y"]):
            facts, stderr = self.receive(*settings)
            # The capture's own scale of each lane is not told here; scaling to 16 bits quantises 80 dB down.
            self.assertAlmostEqual(facts["snr_db"], expected, delta=1e-3, msg=settings)
            self.assertEqual(stderr, "")

    def test_known_symbols_give_the_ber_of_the_capture(self):
        self.store(self.lanes.T.astype("<i2"))
        expected = json.loads(self.succeed("receive", "capture.h5", "--format", "json"))
        facts, _ = self.receive("file=trace.bin", "symbols_file=capture.h5")
        self.assertEqual(facts["bits"], expected["bits"])
        for name in ("snr_db", "gmi_bits"):
            self.assertAlmostEqual(facts[name], expected[name], delta=1e-3 * expected[name])
        self.assertAlmostEqual(facts["errors"], expected["errors"], delta=MOST_OTHER_DECISIONS)

    def test_received_symbols_are_no_truth(self):
        self.store(self.lanes.T.astype("<i2"))
        self.succeed("receive", "capture.h5", "-o", "result.h5", "--quiet")
        with h5py.File(self.folder / "capture.h5") as file:
            sent = sent_symbols(file)
        noisy = sent + 0.1 * numpy.random.default_rng(1).standard_normal(sent.shape)
        missing = sent.copy()
        missing[0, 7] = numpy.nan
        for name, symbols in (("noisy.h5", noisy), ("missing.h5", missing)):
            with h5py.File(self.folder / name, "w") as file:
                file["symbols"] = symbols
        for name, message in (("result.h5", "is a receiver's result"), ("noisy.h5", "must hold points of qpsk"),
                              ("missing.h5", "must hold points of qpsk")):
            result = self.run_program("receive", "trace.ini", *self.trace(["file=trace.bin", f"symbols_file={name}"]))
            self.assertEqual(result.returncode, 2, result.stderr)
            self.assertIn(message, result.stderr)

    def test_known_symbols_of_any_scale(self):
        self.store(self.lanes.T.astype("<i2"))
        with h5py.File(self.folder / "capture.h5") as file, h5py.File(self.folder / "scaled.h5", "w") as scaled:
            scaled["symbols"] = 3 * sent_symbols(file)
        expected, _ = self.receive("file=trace.bin", "symbols_file=capture.h5")
        facts, _ = self.receive("file=trace.bin", "symbols_file=scaled.h5")
        self.assertEqual(facts, expected)

    def test_a_recording_lies_beside_its_description(self):
        (self.folder / "lab").mkdir()
        self.write("lab/trace.ini", TRACE + "file = trace.bin\n")
        self.store(self.lanes.T.astype("<i2"), "lab/trace.bin")
        self.assertIn("SNR", self.succeed("receive", "lab/trace.ini"))
        self.assertIn("dispersion", self.succeed("receive", "lab/trace.ini", "--cost"))
        self.assertIn("(nothing)", self.succeed("receive", "lab/trace.ini", "--knock-out"))


class Messages(TraceTest):
    def test_what_a_description_lacks_is_said_of_its_file(self):
        self.store(self.lanes.T.astype("<i2"))
        self.write("rate.ini", "[trace]\nfile = trace.bin\n")
        self.refuse(2, "rate.ini: trace.sample_rate_gsa: must be given", "receive", "rate.ini")
        self.write("data.ini", "[trace]\nfile = trace.bin\nformat = hdf5\nsample_rate_gsa = 80\n")
        self.refuse(2, "data.ini: trace.datasets: must be given", "receive", "data.ini")

    def test_a_scenario_that_names_no_recording_is_told_so(self):
        self.refuse(2, "scenario.ini: a scenario without a recording", "receive", "scenario.ini")


class Metadata(TraceTest):
    """Recordings that say of themselves what they are: members, data types and endings are those of SigMF 1.0."""

    def setUp(self):
        super().setUp()
        self.succeed("simulate", "capture.h5", "-o", "rec.sigmf-meta", "--quiet")
        self.meta = json.loads((self.folder / "rec.sigmf-meta").read_text(encoding="utf-8"))
        self.write("signal.ini", TRACE.split("[trace]")[0])

    def described(self, **members):
        self.meta["global"].update({name.replace("__", ":"): value for name, value in members.items()})
        self.write("rec.sigmf-meta", json.dumps(self.meta))

    def found(self, *more):
        return json.loads(self.succeed("receive", "rec.sigmf-meta", "signal.ini", "--format", "json", *more))

    def test_a_recording_is_written_as_the_format_asks_and_received_as_the_capture(self):
        part = self.meta["global"]
        self.assertEqual((part["core:datatype"], part["core:num_channels"], part["core:sample_rate"]), ("ci16_le", 2, 80e9))
        self.assertEqual((self.meta["captures"], self.meta["annotations"]), ([{"core:sample_start": 0}], []))
        self.assertEqual([(e["name"], e["optional"]) for e in part["core:extensions"]], [("cohlink", True)])
        self.assertAlmostEqual(part["cohlink:optical_carrier_hz"], 299792458 / 1550e-9, delta=1)
        samples = numpy.fromfile(self.folder / "rec.sigmf-data", "<i2")
        numpy.testing.assert_array_equal(samples.reshape(-1, 4).T, self.lanes)
        with h5py.File(self.folder / "capture.h5") as file:
            numpy.testing.assert_array_equal(part["cohlink:ampere_per_code"], file["adc/samples"].attrs["ampere_per_code"])
        expected = json.loads(self.succeed("receive", "capture.h5", "--format", "json"))
        # Told of the same path, dispersion of all orders: the same symbols.
        facts = self.found("--set", "trace.symbols_file=capture.h5", *SETTINGS)
        for name in ("errors", "bits", "snr_db"):
            self.assertEqual(facts[name], expected[name])

    def test_every_data_type_and_one_channel_are_read(self):
        expected = self.found()["snr_db"]
        for kind, dtype in (("ci16_be", ">i2"), ("ci8", "i1"), ("cf32_le", "<f4"), ("cf32_be", ">f4")):
            self.described(core__datatype=kind)
            self.store(self.lanes.T.astype(dtype), "rec.sigmf-data")
            self.assertAlmostEqual(self.found()["snr_db"], expected, delta=1e-3, msg=kind)
        self.described(core__datatype="ci16_le", core__num_channels=1)
        self.meta["captures"][0]["core:header_bytes"] = 4
        self.described()
        self.store(numpy.concatenate([[7, 7], self.lanes[:2].T.astype("<i2").ravel()]).astype("<i2"), "rec.sigmf-data")
        facts = self.run_program("receive", "rec.sigmf-meta", "signal.ini", "--format", "json")
        self.assertEqual(json.loads(facts.stdout)["polarisations"], 1)

    def test_what_is_wrong_with_metadata_is_said_in_one_line(self):
        def refused(message, change=None, text=None, *more):
            meta = json.loads(json.dumps(self.meta))
            if change:
                change(meta)
            self.write("rec.sigmf-meta", text or json.dumps(meta))
            self.refuse(2, message, "receive", "rec.sigmf-meta", "signal.ini", *more)

        part = lambda **members: lambda meta: meta["global"].update({k.replace("__", ":"): v for k, v in members.items()})
        segment = lambda **members: lambda meta: meta["captures"][0].update({k.replace("__", ":"): v for k, v in members.items()})
        refused("rec.sigmf-meta:3: is no JSON from here on", text='{\n"global": {\n,}\n}')
        refused("rec.sigmf-meta: holds a number that is too large", text='{"global": 1e999}')
        refused("rec.sigmf-meta: must be a JSON object", text="[]")
        refused("rec.sigmf-meta: global: is missing", lambda meta: meta.pop("global"))
        refused("core:datatype: is missing", lambda meta: meta["global"].pop("core:datatype"))
        refused("core:datatype: is ri16_le; read are ci8", part(core__datatype="ri16_le"))
        refused("core:sample_rate: must be a number", part(core__sample_rate="fast"))
        refused("core:sample_rate: must be between 1e6 and 1e12 Hz", part(core__sample_rate=-1))
        refused("core:num_channels: must be 2, the polarisations X and Y, or 1", part(core__num_channels=3))
        refused("core:dataset: is not read", part(core__dataset="../other.bin"))
        refused("captures: has 2 segments", lambda meta: meta["captures"].append({"core:sample_start": 9}))
        refused("captures: must be a list", lambda meta: meta.update(captures=1))
        refused("core:sample_start: must be 0", segment(core__sample_start=9))
        refused("core:header_bytes: must be a whole number", segment(core__header_bytes=-8))
        refused("cohlink:ampere_per_code: must hold 4 numbers", part(cohlink__ampere_per_code=[1]))
        refused("bytes are not 3 of header and whole instants", segment(core__header_bytes=3))
        refused("is not what the metadata say", None, None, "--set", "trace.sample_rate_gsa=64")
        refused("trace.byte_order: 'big' does not go with SigMF metadata", None, None, "--set", "trace.byte_order=big")
        self.refuse(2, "is also an input of this command", "simulate", "scenario.ini", "--set", "signal.pattern=file", "--set",
                    "signal.pattern_file=rec.sigmf-data", "-o", "rec.sigmf-meta")
        (self.folder / "rec.sigmf-data").unlink()
        refused("its samples are missing: no file rec.sigmf-data")


class OnePolarisation(TraceTest):
    def test_two_lanes_give_what_the_four_say_of_x(self):
        settings = [s for s in SETTINGS if "polarisation" not in s and s != "--set"]
        self.succeed("simulate", "scenario.ini", *(w for s in settings for w in ("--set", s)), "--set", "channel.osnr_db=10.5",
                     "--set", "signal.symbols=32768", "-o", "one.h5", "--quiet")
        four = json.loads(self.succeed("receive", "one.h5", "--format", "json"))
        with h5py.File(self.folder / "one.h5") as file:
            lanes, sent = file["adc/samples"][:2], sent_symbols(file)
        with h5py.File(self.folder / "sent.h5", "w") as file:
            file["symbols"] = sent[:1]
        self.store(lanes.T.astype("<i2"), "one.bin")
        blind, stderr = self.receive("file=one.bin", "lanes=XI,XQ")
        self.assertEqual(stderr, "")
        self.assertEqual(blind["polarisations"], 1)
        known, _ = self.receive("file=one.bin", "lanes=XI,XQ", "symbols_file=sent.h5")
        either, _ = self.receive("file=one.bin", "lanes=XI,XQ", "symbols_file=one.h5")
        self.assertEqual(known["errors"], either["errors"])
        self.assertLess(2 * known["bits"], four["bits"] + 1000)
        # The same noise, another equaliser start: four standard deviations of a count.
        expected = four["ber_x"] * known["bits"]
        self.assertLess(abs(known["errors"] - expected), 4 * expected ** 0.5)
        self.assertAlmostEqual(known["snr_db"], four["snr_x_db"], delta=0.1)
        for name in ("ber_x", "ber_y", "snr_y_db", "taps_dgd_ps"):
            self.assertNotIn(name, known)
        pieces, _ = self.receive("file=one.bin", "lanes=XI,XQ", "symbols_file=sent.h5", "piece_symbols=16384")
        self.assertAlmostEqual(pieces["snr_db"], known["snr_db"], delta=0.1)

    def test_swapped_lanes_of_one_polarisation_are_named(self):
        self.succeed("simulate", "scenario.ini", "--set", "adc.sample_rate_gsa=80", "--set", "channel.extra_dispersion_ps_per_nm=4000",
                     "--set", "channel.osnr_db=13", "--set", "signal.symbols=16384", "-o", "one.h5", "--quiet")
        with h5py.File(self.folder / "one.h5") as file:
            self.store(file["adc/samples"][:2][::-1].T.astype("<i2"), "swapped.bin")
        _, stderr = self.receive("file=swapped.bin", "lanes=XI,XQ")
        self.assertIn("lanes XI and XQ are swapped, or one of them is inverted", stderr)

    def test_a_mixture_of_two_polarisations_never_looks_good(self):
        """One row cannot be parted: the other polarisation stays as noise, here twice as weak as the signal."""
        self.store(self.lanes[:2].T.astype("<i2"), "mixed.bin")
        for known in ([], ["symbols_file=capture.h5"]):
            result = self.run_program("receive", "trace.ini", "--format", "json", *self.trace(["file=mixed.bin", "lanes=XI,XQ"] + known))
            self.assertIn(result.returncode, (0, 3), result.stderr)
            facts = json.loads(result.stdout)
            if facts.get("verdict") != "no lock":
                self.assertLess(facts["snr_db"], 7.0)
                self.assertNotEqual(facts.get("verdict"), "pass")


class Faults(TraceTest):
    def setUp(self):
        super().setUp()
        self.store(self.lanes.T.astype("<i2"))
        self.good, _ = self.receive("file=trace.bin")

    def test_lanes_in_the_wrong_place_are_named_and_put_right(self):
        for order, inverted, words in (([1, 0, 2, 3], [], "lanes XI and XQ are swapped, or one of them is inverted"),
                                       ([0, 1, 2, 3], [3], "lanes YI and YQ are swapped, or one of them is inverted"),
                                       ([1, 0, 3, 2], [], "I and Q of both polarisations are swapped"),
                                       ([0, 2, 1, 3], [], "lanes XQ and YI have changed places"),
                                       ([0, 3, 2, 1], [0], "lanes XQ and YQ have changed places; lanes")):
            lanes = self.lanes[order].copy()
            lanes[inverted] *= -1
            self.store(lanes.T.astype("<i2"), "wrong.bin")
            facts, stderr = self.receive("file=wrong.bin")
            self.assertIn(words, stderr)
            self.assertAlmostEqual(facts["snr_db"], self.good["snr_db"], delta=0.1)
            self.assertEqual(self.receive("file=wrong.bin", "check_lanes=false", status=3)[0]["verdict"], "no lock")
        # Told so, the receiver has nothing to find.
        self.store(self.lanes[[1, 0, 2, 3]].T.astype("<i2"), "wrong.bin")
        self.assertEqual(self.receive("file=wrong.bin", "lanes=XQ,XI,YI,YQ")[1], "")

    def test_samples_that_are_not_finite_are_counted(self):
        lanes = self.lanes.T.astype("<f4")
        lanes[[7, 900], 2] = numpy.nan, numpy.inf
        self.store(lanes, "nan.bin")
        facts, stderr = self.receive("file=nan.bin", "format=float32")
        self.assertIn("lane YI holds 2 samples that are not finite, the first at 7", stderr)
        self.assertAlmostEqual(facts["snr_db"], self.good["snr_db"], delta=0.05)
        lanes[::50, 2] = numpy.nan
        self.store(lanes, "nan.bin")
        self.refuse(2, "lane YI holds", "receive", "trace.ini", *self.trace(["file=nan.bin", "format=float32"]))

    def test_silent_copied_and_clipped_lanes_are_named(self):
        lanes = self.lanes.copy()
        lanes[3] = 5
        self.store(lanes.T.astype("<i2"), "silent.bin")
        self.refuse(2, "lane YQ is silent", "receive", "trace.ini", *self.trace(["file=silent.bin"]))
        lanes[3] = -self.lanes[0]
        self.store(lanes.T.astype("<i2"), "copy.bin")
        self.refuse(2, "lane YQ is a copy of lane XI, inverted", "receive", "trace.ini", *self.trace(["file=copy.bin"]))
        lanes = numpy.clip(self.lanes, -60, 60)
        self.store(lanes.T.astype("<i2"), "clipped.bin")
        facts, stderr = self.receive("file=clipped.bin")
        self.assertIn("lane XI is clipped", stderr)
        self.assertEqual(facts["adc_clipped_samples"], int(numpy.sum(abs(lanes) == 60)))

    def test_noise_is_no_lock(self):
        noise = numpy.random.default_rng(1).normal(0, 30, (65536, 4)).astype("<i2")
        self.store(noise, "noise.bin")
        facts, stderr = self.receive("file=noise.bin", status=3)
        self.assertEqual(facts["verdict"], "no lock")
        self.assertNotIn("ber", facts)

    def test_bad_descriptions_are_refused_with_the_reason(self):
        refuse = lambda message, *settings: self.refuse(2, message, "receive", "trace.ini", *self.trace(settings))
        refuse("trace.file: 'gone.bin' is no file, neither here nor beside", "file=gone.bin")
        refuse("are not 3 of header and whole instants of 8 bytes", "file=trace.bin", "skip_bytes=3")
        refuse("lacks lane YQ; the receiver needs all four", "file=trace.bin", "lanes=XI,XQ,YI,skip")
        refuse("names lane XI twice", "file=trace.bin", "lanes=XI,-XI,YI,YQ")
        refuse("'ZI' is not a known item", "file=trace.bin", "lanes=ZI,XQ,YI,YQ")
        refuse("has 2 numbers for the 4", "file=trace.bin", "scales=1,2")
        refuse("hdf5 needs the path", "file=capture.h5", "format=hdf5")
        refuse("has no data set /waveform", "file=capture.h5", "format=hdf5", "datasets=/waveform")
        refuse("is beyond the end: trace.bin has", "file=trace.bin", "first_sample=10000000")
        self.write("bad.csv", "1,2,3,4\n1,2,3,4\n1,2,x,4\n")
        refuse("bad.csv:3: 'x' is not a number", "file=bad.csv", "format=csv")
        self.write("bad.csv", "1,2,3,4\n1,2,3\n")
        refuse("bad.csv:2: has 3 columns, not 4", "file=bad.csv", "format=csv")
        self.write("trace.ini", TRACE.replace("sample_rate_gsa", "sample_rate"))
        refuse("trace.ini:6: trace.sample_rate: unknown key; did you mean trace.sample_rate_gsa?", "file=trace.bin")
        self.write("trace.ini", "[trace]\nfile = trace.bin\n")
        refuse("must be given: the file does not say")


class Length(TraceTest):
    SYMBOLS = 65536

    def test_pieces_score_every_symbol_once_and_find_what_the_whole_does(self):
        self.store(self.lanes.T.astype("<i2"))
        whole, _ = self.receive("file=trace.bin", "symbols_file=capture.h5")
        parts, _ = self.receive("file=trace.bin", "symbols_file=capture.h5", "piece_symbols=16384", extra=("-o", "result.h5"))
        # Pieces tile: not a bit more than the whole, and at most a symbol a seam less.
        self.assertLessEqual(parts["bits"], whole["bits"] + 4 * parts["pieces"])
        self.assertGreaterEqual(parts["bits"], whole["bits"] - 64 * parts["pieces"])
        # Errors of the same samples, other equaliser starts: within four standard deviations of a count.
        self.assertLess(abs(parts["errors"] - whole["errors"]), 4 * max(whole["errors"], 1) ** 0.5)
        self.assertAlmostEqual(parts["snr_db"], whole["snr_db"], delta=0.1)
        with h5py.File(self.folder / "result.h5") as file:
            self.assertEqual(int(file["pieces/bits"][:].sum()), parts["bits"])
            self.assertTrue(file["pieces/locked"][:].all())

    def test_a_lost_piece_is_counted_and_costs_nothing_else(self):
        good, _ = self.receive("file=" + self.stored(self.lanes), "symbols_file=capture.h5", "piece_symbols=16384")
        lanes = self.lanes.astype(float)
        middle, count = lanes.shape[1] // 2, lanes.shape[1] * 3 // 8
        rng = numpy.random.default_rng(1)
        lanes[:, middle:middle + count] = lanes.std() * rng.standard_normal((4, count))
        facts, _ = self.receive("file=" + self.stored(lanes), "symbols_file=capture.h5", "piece_symbols=16384", status=3,
                                extra=("-o", "result.h5"))
        self.assertEqual(facts["verdict"], f"no lock in {facts['pieces_lost']} of {facts['pieces']} pieces")
        self.assertGreaterEqual(facts["pieces_lost"], 1)
        with h5py.File(self.folder / "result.h5") as file:
            self.assertEqual(attribute_text(file, "verdict"), facts["verdict"])
            locked, bits = file["pieces/locked"][:].astype(bool), file["pieces/bits"][:]
            self.assertEqual(int(bits.sum()), facts["bits"])
            self.assertEqual(file["pieces/delay_symbols"].shape, (facts["pieces"], 2))
            self.assertEqual(int(file["pieces/joined"][:].sum()), facts["pieces_joined"])
            self.assertTrue(locked[0])
            self.assertAlmostEqual(file["pieces/snr_db"][0], good["snr_db"], delta=0.2)
        text = self.run_program("receive", "trace.ini", "--format", "json",
                                *self.trace(["file=trace.bin", "symbols_file=capture.h5", "piece_symbols=16384"])).stdout
        names = [name for name, _ in json.loads(text, object_pairs_hook=list)]
        self.assertEqual(len(names), len(set(names)))

    def stored(self, lanes, name="trace.bin"):
        self.store(numpy.round(lanes).T.astype("<i2"), name)
        return name

    def test_what_a_recording_lacks_is_said_of_its_file(self):
        for settings, words in ((["--set", "dsp.phase_recovery=genie"], "known symbols alone hold none"),
                                (["--set", "trace.samples=500"], "capture too short")):
            self.stored(self.lanes)
            self.refuse(2, words, "receive", "trace.ini", *self.trace(["file=trace.bin", "symbols_file=capture.h5"]), *settings)
            result = self.run_program("receive", "trace.ini", *self.trace(["file=trace.bin", "symbols_file=capture.h5"]), *settings)
            self.assertIn("trace.bin", result.stderr)

    def test_memory_does_not_grow_with_the_recording(self):
        """Four times the samples, the same memory."""
        peaks = []
        for times in (8, 32):
            data = numpy.ascontiguousarray(self.lanes.T.astype("<i2")).tobytes()
            with open(self.folder / "trace.bin", "wb") as file:  # piece by piece: a child starts with our memory
                for _ in range(times):
                    file.write(data)
            before = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss
            self.receive("file=trace.bin", "piece_symbols=65536", "check_lanes=false")
            peaks.append(max(before, resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss))
        self.assertLess(peaks[1], 300 * 1024)
        self.assertLess(peaks[1] - peaks[0], 16 * 1024)


if __name__ == "__main__":
    unittest.main()
