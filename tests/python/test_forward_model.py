"""The truth is complete: codes made from it alone agree with the capture's to better than 35 dB, whatever the impairment.

Simulator and model share the equations of the capture format's page and no line of code. What may differ is what the
page says: straight lines between Jones matrices (-60 dB) and between laser phases, and codes that round the other way.
"""
import os
import subprocess
import sys
import tempfile
import unittest

from forward_model import agreement_db

BAR_DB = 35.0

BASE = """signal.symbols=2048
run.fft_planning=estimated
amplifier.ase=false
fibre.nonlinear_coefficient_per_w_km=0
"""

# One impairment a line; those that only show beside another have it with them.
SINGLE = {
    "none": "",
    "NRZ": "signal.pulse=nrz",
    "16QAM, roll-off": "signal.modulation=16qam signal.roll_off=0.3",
    "pilots": "signal.pilot_spacing=8",
    "frame": "signal.frame=free signal.pilot_spacing=8 signal.preamble_symbols=40 signal.modulation=16qam",
    "lasers": "transmitter.laser_linewidth_khz=500 laser_lo.linewidth_khz=500 laser_lo.frequency_offset_mhz=700",
    "laser drift, dither, flicker": "transmitter.laser_drift_mhz_per_ms=5000 laser_lo.dither_mhz=50 "
        "laser_lo.dither_rate_khz=500 laser_lo.flicker_hz2_per_hz=1e6",
    "intensity noise": "transmitter.laser_rin_db_per_hz=-135 transmitter.laser_rin_bandwidth_ghz=2 "
        "laser_lo.rin_db_per_hz=-135 laser_lo.rin_bandwidth_ghz=2 frontend.cmrr_db=20",
    "transmit converter's bits": "transmitter.dac_bits=5",
    "transmit converter's hold": "transmitter.dac_sample_rate_gsa=50.01 transmitter.dac_bits=6",
    "transmit bandwidth, pre-emphasis": "transmitter.dac_sample_rate_gsa=64 transmitter.dac_bandwidth_ghz=14 "
        "transmitter.preemphasis_db=6",
    "driver": "transmitter.driver_saturation_v=2",
    "modulator": "transmitter.modulator=iq transmitter.modulator_v_pi_v=3",
    "predistortion": "transmitter.modulator=iq transmitter.predistortion=arcsine transmitter.modulator_v_pi_v=2",
    "bias and extinction": "transmitter.modulator=iq transmitter.modulator_bias_error_i_deg=8 "
        "transmitter.modulator_bias_error_q_deg=-5 transmitter.modulator_extinction_db=22 "
        "transmitter.modulator_outer_extinction_db=25",
    "bias control": "transmitter.modulator=iq transmitter.modulator_extinction_db=22 "
        "transmitter.bias_control=automatic transmitter.modulator_bias_error_i_deg=2",
    "transmit lanes": "transmitter.iq_gain_imbalance_db=1 transmitter.iq_phase_error_deg=5 transmitter.iq_skew_ps=3 "
        "transmitter.xy_skew_ps=9 transmitter.xy_power_imbalance_db=1.5",
    "dispersion and slope": "fibre.spans=20 fibre.dispersion_slope_ps_per_nm2_km=0.3",
    "DGD": "channel.dgd_ps=60",
    "PDL": "channel.pdl_db=6 channel.polarisation_rotation_deg=35",
    "PMD with PDL": "fibre.spans=10 fibre.pmd_ps_per_sqrt_km=1 amplifier.pdl_db=1",
    "turned polarisation": "channel.polarisation_rotation_deg=35 channel.polarisation_retardance_deg=70",
    "rotation in time": "channel.polarisation_rotation_krad_per_s=20000 channel.dgd_ps=20",
    "wander and burst": "channel.polarisation_wander_krad_per_s=10000 channel.polarisation_burst_krad_per_s=50000 "
        "channel.polarisation_burst_us=0.1",
    "receiver's filter": "channel.filter_bandwidth_ghz=28 channel.filter_edge_ghz=5",
    "sites' filters": "fibre.spans=12 fibre.filter_bandwidth_ghz=34 fibre.filter_edge_ghz=8",
    "splitter": "frontend.pbs_extinction_db=15 frontend.pbs_angle_deg=10 frontend.lo_split_imbalance_db=1",
    "hybrid": "frontend.hybrid_phase_error_deg=6 frontend.hybrid_phase_error_y_deg=-4 frontend.splitter_imbalance_db=1 "
        "frontend.combiner_imbalance_db=0.7 frontend.coupler_phase_error_deg=5 frontend.cmrr_db=25",
    "self-beat": "frontend.cmrr_db=12 frontend.cmrr_y_db=20 laser_lo.power_dbm=3 frontend.received_power_dbm=0",
    "P/N skew": "frontend.pn_skew_ps=2 frontend.pn_skew_y_ps=-1",
    "electrical band": "frontend.bandwidth_ghz=20 frontend.bandwidth_order=3 frontend.low_cutoff_khz=10000",
    "receiver's saturation": "frontend.output_saturation_mv=250",
    "receiver's skews": "frontend.iq_skew_ps=4 frontend.xy_skew_ps=-7 adc.skew_yq_ps=2",
    "clock": "adc.clock_offset_ppm=80 adc.clock_phase_samples=0.4",
    "clock's jitter": "adc.sine_jitter_fs=800 adc.sine_jitter_rate_mhz=20",
    "converter's lanes": "adc.gain_spread_db=1 adc.offset_spread_percent=3",
    "few bits": "adc.bits=5",
    "clipping": "adc.loading_db=-4",
    "interleaving": "adc.interleave=4 adc.interleave_gain_percent=3 adc.interleave_offset_percent=2 "
        "adc.interleave_skew_fs=1500",
    "exchanged and inverted lanes": "adc.inputs=YI,-XI,XQ,YQ adc.skew_yq_ps=2 adc.gain_spread_db=1 frontend.iq_skew_ps=3",
    "dead and stuck lanes": "adc.inputs=XI,open,high,-YQ adc.offset_spread_percent=3",
    "a lane's own bandwidth": "frontend.bandwidth_ghz=25 frontend.bandwidth_xq_ghz=6 frontend.bandwidth_yi_ghz=9 "
        "adc.inputs=XQ,XI,YI,YQ",
    "rate": "adc.sample_rate_gsa=80",
    "beside the middle": "channel.count=4 channel.under_test=1 channel.spacing_ghz=75 fibre.spans=5 "
        "channel.power_offsets_db=0,-40,-40,-40",
}

# Each with each: of the optical path, of transmitter and receiver with the path, and all.
PATH = ("PMD with PDL", "rotation in time", "wander and burst", "receiver's filter", "dispersion and slope")
COMBINED = {
    "the path": PATH,
    "PDL, rotation": ("PDL", "rotation in time"),
    "filters, PDL, beside the middle": ("sites' filters", "PDL", "beside the middle"),
    "transmitter and path": PATH + ("bias control", "transmit lanes", "driver", "transmit converter's hold", "lasers"),
    "receiver and path": PATH + ("splitter", "hybrid", "P/N skew", "electrical band", "receiver's saturation",
                                 "receiver's skews", "clock", "clock's jitter", "converter's lanes", "interleaving"),
}
COMBINED["everything"] = tuple(dict.fromkeys(COMBINED["transmitter and path"] + COMBINED["receiver and path"]))


class ForwardModelTest(unittest.TestCase):
    def setUp(self):
        self.scratch = tempfile.TemporaryDirectory(prefix="cohlink-forward-")
        self.addCleanup(self.scratch.cleanup)
        self.scenario = os.path.join(self.scratch.name, "scenario.ini")
        with open(self.scenario, "w", encoding="utf-8") as file:
            file.write("[signal]\nsymbols = 2048\n")

    def agreement(self, settings):
        capture = os.path.join(self.scratch.name, "capture.h5")
        command = [os.environ["COHLINK"], "simulate", self.scenario, "-o", capture, "--quiet"]
        for assignment in BASE.split() + settings.split():
            command += ["--set", assignment]
        done = subprocess.run(command, capture_output=True, text=True, check=False)
        self.assertEqual(done.returncode, 0, done.stderr)
        return agreement_db(capture)

    def check(self, cases):
        for name, settings in cases.items():
            with self.subTest(name):
                agreement = self.agreement(settings)
                print(f"{agreement:6.1f} dB  {name}", file=sys.stderr)
                self.assertGreater(agreement, BAR_DB)

    def test_each_impairment(self):
        self.check(SINGLE)

    def test_combinations(self):
        self.check({name: " ".join(SINGLE[part] for part in parts) for name, parts in COMBINED.items()})


if __name__ == "__main__":
    unittest.main()
