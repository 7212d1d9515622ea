"""Pictures: both draw from the files alone, and the same data give the same SVG."""
import csv
import io
import re
import subprocess
import sys
import unittest

import h5py
import numpy

from program import ProgramTest, ROOT, attribute_text

try:
    import matplotlib  # noqa: F401
    LACKING = ""
except ImportError:
    LACKING = "this Python has no matplotlib"


@unittest.skipIf(LACKING, LACKING)
class Pictures(ProgramTest):
    def draw(self, script, *arguments):
        return subprocess.run([sys.executable, "-B", ROOT / "tools" / "plots" / script, *arguments], cwd=self.folder,
                              capture_output=True, text=True, check=False)

    def drawn_twice_alike(self, script, *arguments):
        for stem in ("a", "b"):
            result = self.draw(script, *arguments, "-o", stem)
            self.assertEqual(result.returncode, 0, result.stderr)
            self.assertTrue(self.content(f"{stem}.png").startswith(b"\x89PNG"))
        self.assertEqual(self.content("a.svg"), self.content("b.svg"))

    def test_curve(self):
        self.succeed("sweep", "scenario.ini", "--quiet", "--vary", "signal.modulation=qpsk|16qam", "--vary",
                     "channel.osnr_db=9:1:13", "-o", "curve.h5")
        self.drawn_twice_alike("ber_curve.py", "curve.h5")

    def test_net_rate(self):
        """A closed form's reach stands where its margin ends, and the waveform beside its own format's curve."""
        self.write("line.ini", "[signal]\nsymbols = 4096\n[run]\nframes = 2\nprecision = single\n[fibre]\nspans = 4\nsteps_per_span = 2\n")
        formats = "signal.modulation+signal.entropy_bits=qpsk:|64qam:|64qam:4|64qam:5"
        table = self.succeed("budget", "line.ini", "--quiet", "--vary", formats, "--vary", "fibre.spans=4|8|16|64", "--optimise",
                             "transmitter.launch_power_dbm", "--format", "csv", "-o", "budget.h5")
        # 64QAM at 32 GBd: 384 Gb/s on the line, and never more of them by an ideal code than there are.
        rates = [row["achievable_rate_gbps"] for row in csv.DictReader(io.StringIO(table)) if row[formats.split("=")[0]] == "64qam:"]
        self.assertEqual(sorted(rates, key=float, reverse=True), rates)
        self.assertLess(float(rates[0]), 384.000001)
        self.succeed("sweep", "line.ini", "--quiet", "--vary", "fibre.spans=4", "--measure", "achievable_rate_gbps", "-o", "waves.h5")
        result = self.draw("net_rate.py", "budget.h5", "waves.h5", "-o", "a")
        self.assertEqual(result.returncode, 0, result.stderr)
        for word in ("QPSK", "64QAM", "64QAM, shaped", "upper envelope", "320 km"):
            self.assertIn(word, self.words("a.svg"))
        self.refuse(2, "a budget has one optimum", "budget", "line.ini", "--vary", "fibre.spans=4|8", "--optimise", "fibre.spans")

    def test_margins(self):
        self.succeed("margins", "scenario.ini", "--quick", "--quiet", "-o", "margins.h5")
        self.drawn_twice_alike("margins.py", "margins.h5")
        words = self.words("a.svg")
        for name in ("channel.osnr_db", "adc.bits", "laser_lo.linewidth_khz", "not counted"):
            self.assertIn(name, words)

    def test_economise(self):
        self.succeed("economise", "scenario.ini", "--quiet", "--only-cut", "--cut", "dsp.test_phases=8|6", "--cut", "adc.bits=6|5", "-o",
                     "economy.h5", "--set", "channel.osnr_db=14")
        self.drawn_twice_alike("economise.py", "economy.h5")
        words = self.words("a.svg")
        for name in ("dsp.test_phases", "adc.bits", "chosen"):
            self.assertIn(name, words)

    def sweep(self, name, *arguments):
        self.succeed("sweep", "scenario.ini", "--quiet", "--set", "run.frames=2", *arguments, "-o", name)

    def words(self, svg):
        """Texts of a picture, as a viewer shows them (the style keeps them text)."""
        return re.findall(r"<text[^>]*>([^<]*)</text>", self.content(svg).decode())

    def figure(self, name):
        """The picture of a curve file as matplotlib holds it, laid out, and its axes."""
        sys.path.insert(0, str(ROOT / "tools" / "plots"))
        self.addCleanup(sys.path.pop, 0)
        import ber_curve
        with h5py.File(self.folder / name) as curve:
            figure = ber_curve.draw([curve], "Title", ber_curve.detail_of([curve]))
        figure.canvas.draw()
        self.addCleanup(matplotlib.pyplot.close, figure)
        return figure, figure.axes[0]

    def test_whatever_was_measured_is_drawn_with_its_interval(self):
        self.sweep("osnr.h5", "--measure", "required_osnr", "--vary", "channel.dgd_ps=20|0|10")
        self.sweep("penalty.h5", "--measure", "penalty_db", "--vary", "channel.dgd_ps=20|0|10")
        for name, stem, label, shown in (("osnr.h5", "required_osnr", "required OSNR in 12.5 GHz [dB]", "required OSNR in 12.5 GHz"),
                                         ("penalty.h5", "penalty", "penalty in required OSNR [dB]", "penalty in required OSNR")):
            self.drawn_twice_alike("ber_curve.py", name)
            self.assertIn(label, self.words("a.svg"))
            self.succeed("report", name, "-o", "page.html", "--quiet")
            page = (self.folder / "page.html").read_text(encoding="utf-8")
            self.assertIn(f"{shown} over differential group delay; bars: 95 % intervals", page)
            self.assertIn(f">{shown} [dB]</text>", page)
            heads = re.findall(r"<th [^>]*>([^<]*)<", page.replace("<wbr>", ""))
            self.assertEqual([head.strip() for head in heads if head.startswith(stem)][1:3], [f"{stem}_low", f"{stem}_high"])
            _, axes = self.figure(name)
            points, = (container for container in axes.containers)
            low, high = (ends.get_ydata() for ends in points[1])
            with h5py.File(self.folder / name) as file:
                self.assertEqual(attribute_text(file, "measure"), f"{stem}_db")
                for drawn, column in ((points[0].get_ydata(), "db"), (low, "low"), (high, "high")):
                    numpy.testing.assert_allclose(drawn, file[f"{stem}_{column}"][:][[1, 2, 0]], rtol=0, atol=1e-12)
            numpy.testing.assert_array_equal(points[0].get_xdata(), [0, 10, 20])

    def test_a_curve_of_the_snr_says_so_and_stands_beside_its_budget(self):
        self.sweep("snr.h5", "--measure", "snr_db", "--vary", "channel.osnr_db=12|10|14")
        self.succeed("budget", "scenario.ini", "--quiet", "--compare", "snr.h5", "-o", "budget.h5")
        self.drawn_twice_alike("ber_curve.py", "snr.h5", "--budget", "budget.h5")
        words = self.words("a.svg")
        self.assertFalse([word for word in words if "errors counted" in word])
        self.assertTrue({"SNR [dB]", "budget", "budget, plain GN"} <= set(words), words)
        self.assertTrue([word for word in words if word.startswith("points: measured on the symbols of ")
                         and word.endswith("lines: theory of ideal reception")], words)
        self.succeed("report", "budget.h5", "-o", "page.html")
        self.assertIn("SNR simulated and as the budget expects it", (self.folder / "page.html").read_text(encoding="utf-8"))
        result = self.draw("ber_curve.py", "snr.h5", "--budget", "snr.h5", "-o", "x")
        self.assertEqual((result.returncode, result.stderr), (2, "snr.h5: is not a cohlink budget\n"))

    def test_words_of_receiver_pictures_stand_off_the_curves(self):
        self.succeed("simulate", "scenario.ini", "-o", "capture.h5")
        self.succeed("receive", "capture.h5", "-o", "result.h5")
        sys.path.insert(0, str(ROOT / "tools" / "plots"))
        self.addCleanup(sys.path.pop, 0)
        import receiver_blocks
        with h5py.File(self.folder / "result.h5") as result:
            figure = receiver_blocks.draw(result["input"], result["stages"]["07-matched-filter"])
        self.addCleanup(matplotlib.pyplot.close, figure)
        figure.canvas.draw()
        for axes in figure.axes:
            inside = axes.get_window_extent()
            self.assertEqual([text.get_text() for text in axes.texts if text.get_window_extent().overlaps(inside)], [])

    def test_a_quantity_it_never_heard_of_is_drawn_by_what_the_file_says(self):
        self.sweep("curve.h5", "--vary", "channel.osnr_db=9|11|13")
        with h5py.File(self.folder / "curve.h5", "r+") as file:
            self.assertEqual(attribute_text(file, "measure"), "ber")
            for name, values in (("luck_ps_per_nm", [1.0, 2.0, 3.0]), ("luck_low_ps_per_nm", [0.5, 1.5, 2.5]),
                                 ("luck_high_ps_per_nm", [1.5, 2.5, 3.5])):
                file[name] = numpy.array(values)
                file[name].attrs["unit"] = "ps/nm"
            file.attrs["measure"] = "luck_ps_per_nm"
        self.drawn_twice_alike("ber_curve.py", "curve.h5")
        self.assertIn("luck_ps_per_nm [ps/nm]", self.words("a.svg"))
        _, axes = self.figure("curve.h5")
        numpy.testing.assert_array_equal(axes.containers[0][1][1].get_ydata(), [1.5, 2.5, 3.5])
        with h5py.File(self.folder / "curve.h5", "r+") as file:
            del file.attrs["measure"], file["ber"]
        result = self.draw("ber_curve.py", "curve.h5", "-o", "x")
        self.assertEqual((result.returncode, result.stderr.count("\n")), (2, 1), result.stderr)
        self.assertIn("curve.h5: holds no measured quantity; its data sets are ber_high, ", result.stderr)

    def test_numbers_stand_along_x_and_words_name_the_series(self):
        for number, grid in enumerate((["channel.osnr_db=12:2:16", "signal.modulation=qpsk|16qam"],
                                       ["signal.modulation=qpsk|16qam", "channel.osnr_db=12:2:16"])):
            self.sweep("curve.h5", "--vary", grid[0], "--vary", grid[1])
            self.drawn_twice_alike("ber_curve.py", "curve.h5")
            words = self.words("a.svg")
            self.assertTrue({"QPSK", "16QAM", "OSNR in 12.5 GHz [dB]"} <= set(words), (number, words))
            self.assertFalse([word for word in words if "channel.osnr_db" in word])
        self.sweep("words.h5", "--vary", "signal.modulation=qpsk|16qam")
        _, axes = self.figure("words.h5")
        self.assertEqual([tick.get_text() for tick in axes.get_xticklabels()], ["qpsk", "16qam"])
        self.assertTrue(all(line.get_linestyle() == "None" for line in axes.lines[:2]), "nothing lies between two words")
        self.assertNotIn("QPSK", [text.get_text() for text in axes.texts], "the modulation stands along x")

    def test_files_of_unlike_curves_are_not_drawn_together(self):
        self.sweep("ber.h5", "--vary", "adc.bits=5|8")
        self.sweep("penalty.h5", "--measure", "penalty_db", "--vary", "adc.bits=5|8")
        self.sweep("osnr.h5", "--vary", "channel.osnr_db=9|11")
        for other, why in (("penalty.h5", "measures penalty_db, ber.h5 ber"), ("osnr.h5", "varies channel.osnr_db, ber.h5 adc.bits")):
            result = self.draw("ber_curve.py", "ber.h5", other, "-o", "x")
            self.assertEqual((result.returncode, result.stderr), (2, f"{other}: {why}; draw them apart\n"))

    def test_all_labels_are_inside_the_picture(self):
        for grid in (["channel.osnr_db=9|9.5"], ["channel.osnr_db=9|13"], ["channel.osnr_db=11"],
                     ["signal.modulation=qpsk|16qam", "channel.osnr_db=12|14"]):
            self.sweep("few.h5", *(word for axis in grid for word in ("--vary", axis)))
            figure, axes = self.figure("few.h5")
            bottom, top = axes.get_ylim()
            ticks = [text for minor in (False, True) for text in axes.get_yticklabels(minor=minor)
                     if bottom <= text.get_position()[1] <= top]
            shown = [axes.xaxis.label, axes.yaxis.label, *axes.texts, *ticks]
            for text in (text for text in shown if text.get_text()):
                box = text.get_window_extent()
                self.assertTrue(figure.bbox.x0 <= box.x0 and box.x1 <= figure.bbox.x1 and figure.bbox.y0 <= box.y0, (grid, text))

    def test_many_series_are_told_apart_and_their_key_covers_none(self):
        self.sweep("osnr.h5", "--measure", "required_osnr", "--set", "run.frames=1", "--vary", "signal.modulation=qpsk|16qam",
                   "--vary", "signal.symbol_rate_gbd=28|32|40", "--vary", "channel.dgd_ps=0|5")
        figure, axes = self.figure("osnr.h5")
        looks = [(bars[0].get_color(), bars[0].get_marker()) for bars in axes.containers]
        self.assertEqual((len(looks), len(set(looks))), (6, 6), looks)
        key = axes.get_legend().get_window_extent()
        self.assertFalse(key.overlaps(axes.get_window_extent()))
        self.assertTrue(figure.bbox.x0 <= key.x0 and key.x1 <= figure.bbox.x1)

    def test_stages(self):
        self.succeed("simulate", "scenario.ini", "-o", "capture.h5")
        self.succeed("receive", "capture.h5", "-o", "result.h5")
        self.drawn_twice_alike("stages.py", "result.h5")
        below_title = next(text for text in self.words("a.svg") if text.startswith("SNR "))
        self.assertRegex(below_title, r"; +(pass|fail|undecided) against the code's threshold of 0\.02$")

    def test_the_wrong_file_is_refused_in_one_line(self):
        self.succeed("simulate", "scenario.ini", "-o", "capture.h5")
        for script in ("stages.py", "ber_curve.py"):
            result = self.draw(script, "capture.h5", "-o", "x")
            self.assertEqual((result.returncode, result.stderr.count("\n")), (2, 1), result.stderr)


if __name__ == "__main__":
    unittest.main()
