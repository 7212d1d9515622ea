"""Symbols and bits decided elsewhere, graded as the receiver grades its own."""
import json
import unittest

import h5py
import numpy

from program import ProgramTest

COUNTED = ("ber", "ber_low", "ber_high", "errors", "bits", "q_db", "cycle_slips", "verdict")
MEASURED = ("snr_db", "evm_percent", "gmi_bits")


class Score(ProgramTest):
    def setUp(self):
        super().setUp()
        self.succeed("simulate", "scenario.ini", "-o", "c.h5")
        self.received = json.loads(self.succeed("receive", "c.h5", "-o", "result.h5", "--format", "json"))
        self.skip = self.received["discarded_symbols"] // 2
        with h5py.File(self.folder / "result.h5") as file:
            self.symbols = file["symbols"][:]
        with h5py.File(self.folder / "c.h5") as file:
            self.bits = file["truth/bits"][:]

    def score(self, name, *options):
        return json.loads(self.succeed("score", name, "c.h5", "--skip", self.skip, "--format", "json", *options))

    def test_the_receivers_own_symbols_get_its_own_grade_from_every_kind_of_file(self):
        numpy.save(self.folder / "single.npy", self.symbols)
        numpy.save(self.folder / "double.npy", 3 * self.symbols.astype(complex))
        lanes = numpy.stack([self.symbols[0].real, self.symbols[0].imag, self.symbols[1].real, self.symbols[1].imag], 1)
        numpy.savetxt(self.folder / "a.csv", lanes, fmt="%.9g", delimiter=",", header="XI, XQ, YI, YQ")
        lanes.astype("<f4").tofile(self.folder / "a.raw")
        for name in ("single.npy", "double.npy", "a.csv", "a.raw", "result.h5"):
            graded = self.score(name)
            for fact in COUNTED:
                self.assertEqual(graded[fact], self.received[fact], f"{name}: {fact}")
            for fact in MEASURED:
                # Three times single precision is rounded anew: 1e-7 of each symbol.
                self.assertAlmostEqual(graded[fact], self.received[fact], 5, f"{name}: {fact}")
            self.assertNotIn("used_known_data", graded)

    def test_bits_are_counted_one_for_one(self):
        bits = self.bits.copy()
        bits[0, [2000, 2501, 4002]] ^= 1
        numpy.save(self.folder / "bits.npy", bits)
        numpy.savetxt(self.folder / "bits.csv", bits.T, fmt="%d", delimiter=",")
        bits.T.astype("u1").tofile(self.folder / "bits.raw")
        with h5py.File(self.folder / "bits.h5", "w") as file:
            file["bits"] = bits
        for name in ("bits.npy", "bits.csv", "bits.raw", "bits.h5"):
            graded = self.score(name, "--bits")
            self.assertEqual((graded["errors"], graded["bits"]), (3, bits.size - 8 * self.skip), name)
            self.assertNotIn("snr_db", graded)

    def test_slips_and_swaps_of_the_other_receiver_are_seen(self):
        symbols = self.symbols[::-1].copy()
        symbols[0, 2048:] *= 1j
        numpy.save(self.folder / "slipped.npy", symbols)
        graded = self.score("slipped.npy")
        self.assertEqual(graded["cycle_slips"], self.received["cycle_slips"] + 1)
        self.assertIn("polarisations", self.succeed("score", "slipped.npy", "c.h5"))

    def test_one_polarisation_alone(self):
        numpy.save(self.folder / "x.npy", self.symbols[0])
        graded = self.score("x.npy")
        self.assertIn(graded["ber"], (self.received["ber_x"], self.received["ber_y"]))
        self.assertEqual(graded["bits"], self.received["bits"] // 2)

    def test_no_lock_is_a_run_that_failed(self):
        numpy.save(self.folder / "noise.npy", numpy.random.default_rng(1).normal(size=(2, 4096)) + 0j)
        result = self.run_program("score", "noise.npy", "c.h5")
        self.assertEqual(result.returncode, 3, result.stderr)
        self.assertIn("no lock", result.stderr)

    def test_bad_input_is_said_in_one_line(self):
        numpy.save(self.folder / "real.npy", numpy.ones((2, 4096)))
        numpy.save(self.folder / "three.npy", numpy.ones((3, 4096), complex))
        numpy.save(self.folder / "bad-bits.npy", numpy.full((2, 8192), 2))
        numpy.save(self.folder / "fortran.npy", numpy.asfortranarray(self.symbols))
        numpy.save(self.folder / "good.npy", self.symbols)
        (self.folder / "cut.npy").write_bytes(self.content("good.npy")[:5000])
        self.write("words.csv", "1, 2, 3, 4\n1, 2, three, 4\n")
        self.refuse(2, "complex64", "score", "real.npy", "c.h5")
        self.refuse(2, "(2, n)", "score", "three.npy", "c.h5")
        self.refuse(2, "0 and 1", "score", "bad-bits.npy", "c.h5", "--bits")
        self.refuse(2, "Fortran", "score", "fortran.npy", "c.h5")
        self.refuse(2, "elements", "score", "cut.npy", "c.h5")
        self.refuse(2, "words.csv:2", "score", "words.csv", "c.h5")
        self.refuse(2, "too short", "score", "good.npy", "c.h5", "--skip", 2000)
        self.refuse(2, "a capture", "score", "good.npy")
        self.refuse(2, "missing.npy", "score", "missing.npy", "c.h5")
        with h5py.File(self.folder / "c.h5", "r+") as file:
            del file["truth"]
        self.refuse(2, "no truth", "score", "good.npy", "c.h5")


if __name__ == "__main__":
    unittest.main()
