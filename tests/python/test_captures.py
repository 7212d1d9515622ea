"""Captures in Python: the program's, to the last byte; lanes that are not copied; truth on demand."""
import math
import os
import pathlib
import signal
import threading
import time

import h5py
import numpy as np
import pytest

import cohlink


def test_the_file_is_the_programs_to_the_last_byte(scenario, program, tmp_path):
    (tmp_path / "sc.ini").write_text(scenario.text())
    program("simulate", "sc.ini", "--seed", 3, "-o", "program.h5")
    cohlink.simulate(scenario, seed=3).save(tmp_path / "module.h5")
    assert (tmp_path / "program.h5").read_bytes() == (tmp_path / "module.h5").read_bytes()
    cohlink.Capture.load(tmp_path / "program.h5").save(tmp_path / "again.h5")
    assert (tmp_path / "program.h5").read_bytes() == (tmp_path / "again.h5").read_bytes()


def test_lanes_are_a_view_of_the_captures_own_memory(capture):
    lanes = capture.lanes
    assert lanes.shape == (4, 16384) and lanes.dtype == np.int16
    assert capture.sample_rate_hz == 64e9
    assert np.shares_memory(lanes, capture.lanes)
    assert lanes.__array_interface__["data"] == capture.lanes.__array_interface__["data"]
    assert not lanes.flags.owndata and not lanes.flags.writeable and lanes.flags.c_contiguous
    field = capture.field
    assert field.shape == (2, 16384)
    assert field[1, 5].imag == lanes[3, 5] * capture.ampere_per_code[3]


def test_lanes_outlive_their_capture(scenario):
    lanes = cohlink.simulate(scenario, seed=4).lanes
    again = cohlink.simulate(scenario, seed=4).lanes
    assert np.array_equal(lanes, again)


def test_truth_is_a_mapping_made_on_demand(capture):
    truth = capture.truth
    assert truth.symbols.shape == (2, 8192) and truth.bits.shape == (2, 16384)
    assert truth.symbols is truth["symbols"], "made once"
    assert np.isclose(np.mean(abs(truth.symbols) ** 2), 1.0)
    assert truth.osnr_db == 12.0 and truth.frequency_offset_hz == 200e6
    assert truth.lanes.skew_ps.shape == (4,) and truth.lanes.unit("skew_ps") == "ps"
    assert truth.unit("dgd_ps") == "ps"
    assert "tx_relative_power" not in truth, "lasers without intensity noise"
    with pytest.raises(AttributeError, match="the truth has no 'speed'"):
        truth.speed


def test_truth_is_what_the_file_says(capture, tmp_path):
    capture.save(tmp_path / "c.h5")
    with h5py.File(tmp_path / "c.h5") as file:
        for name, value in capture.truth.items():
            if name == "symbols":
                assert np.array_equal(capture.truth.constellation[capture.truth.symbol_codes], value)
                continue
            stored = file["truth"][name]
            if isinstance(stored, h5py.Group):
                assert set(stored) == set(value)
                for inner in stored:
                    assert np.array_equal(stored[inner][()], value[inner])
                    assert stored[inner].attrs["unit"].decode() == value.unit(inner)
            else:
                assert np.array_equal(stored[()], value), name
        assert set(file["truth"]) == set(capture.truth) - {"symbols"}, "its codes are stored"


@pytest.mark.parametrize("version", [1, 2])
def test_files_of_earlier_versions_are_read(version):
    path = pathlib.Path(__file__).parent.parent / "captures" / f"format-{version}.h5"  # as the programs of then wrote them
    capture = cohlink.Capture.load(path)
    with h5py.File(path) as file:
        assert np.array_equal(file["truth/symbols"][:], capture.truth.symbols)
        assert np.array_equal(file["truth/bits"][:], capture.truth.bits)
        assert np.array_equal(file["adc/samples"][:], capture.lanes)
    assert capture.truth.osnr_db == pytest.approx(12) and capture.truth.dgd_ps == pytest.approx(5)
    # QPSK in white noise, erfc(sqrt(SNR/2))/2 (Proakis, Digital Communications, ch. 4): SNR is OSNR x 12.5/32 GHz.
    low, high = cohlink.Receiver(capture.scenario).run(capture).ber_interval
    assert low < 0.5 * math.erfc(math.sqrt(0.5 * 10**1.2 * 12.5 / 32)) < high


def test_xarray_opens_captures_with_their_axes(capture, tmp_path):
    xarray = pytest.importorskip("xarray")
    pytest.importorskip("h5netcdf")
    capture.save(tmp_path / "c.h5")
    axes, units = {}, {}
    for group in ("adc", "truth", "truth/transmitter", "truth/frontend", "truth/lanes"):
        with xarray.open_dataset(tmp_path / "c.h5", group=group, engine="h5netcdf") as data:
            axes.update({f"{group}/{name}": value.dims for name, value in data.variables.items()})
            units.update({f"{group}/{name}": value.attrs.get("units") for name, value in data.variables.items()})
    assert not [name for name, dims in axes.items() if any(dim.startswith("phony") for dim in dims)]
    assert axes["adc/samples"] == ("lane", "sample") and axes["truth/tx_phase_rad"] == ("symbol",)
    assert axes["truth/jones"] == ("jones_time_s", "jones_frequency_hz", "output_polarisation", "input_polarisation")
    assert axes["truth/frontend/lo_power_w"] == ("lane", "photodiode")
    assert units["truth/dgd_ps"] == "ps" and units["truth/jones_frequency_hz"] == "Hz"


def test_a_name_of_sigmf_metadata_is_saved_as_the_program_writes_it(capture, program, tmp_path):
    capture.save(tmp_path / "c.h5")
    program("simulate", "c.h5", "-o", "program.sigmf-meta", "--quiet")
    capture.save(tmp_path / "module.sigmf-meta")
    for ending in ("meta", "data"):
        assert (tmp_path / f"module.sigmf-{ending}").read_bytes() == (tmp_path / f"program.sigmf-{ending}").read_bytes()
    nameless = cohlink.Capture(capture.lanes, capture.sample_rate_hz)
    with pytest.raises(RuntimeError, match="says its optical carrier"):
        nameless.save(tmp_path / "nameless.sigmf-meta")
    assert not list(tmp_path.glob("nameless*"))


def test_a_recording_with_known_symbols_is_saved_without_a_path(capture, tmp_path):
    made = cohlink.Capture(capture.lanes, capture.sample_rate_hz, scenario=capture.scenario,
                           symbols=capture.truth.symbols)
    made.save(tmp_path / "c.h5")
    with h5py.File(tmp_path / "c.h5", "r+") as file:
        assert "dgd_ps" not in file["truth"], "not known"
        del file["truth/bits"]
    receiver = cohlink.Receiver(capture.scenario)
    assert receiver.run(cohlink.Capture.load(tmp_path / "c.h5")).errors == receiver.run(made).errors


def test_a_capture_repeats_itself_from_what_it_knows(capture):
    seed, frame, point = capture.address
    again = cohlink.simulate(capture.scenario, seed=seed, frame=frame, point=point)
    assert np.array_equal(again.lanes, capture.lanes)


def test_a_capture_made_of_arrays_is_received_as_the_one_it_came_from(capture):
    made = cohlink.Capture(capture.lanes, capture.sample_rate_hz, ampere_per_code=capture.ampere_per_code,
                           scenario=capture.scenario, symbols=capture.truth.symbols)
    receiver = cohlink.Receiver(capture.scenario)
    assert receiver.run(made).errors == receiver.run(capture).errors
    unknown = cohlink.Capture(capture.lanes, capture.sample_rate_hz, scenario=capture.scenario)
    assert unknown.truth is None and receiver.run(unknown).ber is None and receiver.run(unknown).locked


@pytest.mark.parametrize("lanes", [np.zeros((3, 8), np.int16), np.zeros((4, 8)), np.zeros((4, 8), np.int32),
                                   np.zeros(8, np.int16)])
def test_lanes_of_another_kind_are_refused(lanes):
    with pytest.raises(TypeError, match="lanes"):
        cohlink.Capture(lanes, 64e9)


def test_a_damaged_file_is_refused_in_one_line(tmp_path):
    (tmp_path / "x.h5").write_bytes(b"\x89HDF\r\n\x1a\n nonsense")
    with pytest.raises(cohlink.ScenarioError, match="x.h5"):
        cohlink.Capture.load(tmp_path / "x.h5")


def test_progress_is_told_on_the_calling_thread(scenario):
    told = []
    cohlink.simulate(scenario.copy().set({"fibre.spans": 4, "signal.symbols": 16384}),
                     progress=lambda share: told.append((share, threading.get_ident())))
    assert told[-1][0] == 1.0
    assert [share for share, _ in told] == sorted(share for share, _ in told)
    assert {thread for _, thread in told} == {threading.get_ident()}


def test_what_progress_raises_stops_the_work(scenario):
    def refuse(share):
        raise RuntimeError("enough")

    with pytest.raises(RuntimeError, match="enough"):
        cohlink.simulate(scenario.copy().set({"fibre.spans": 100, "signal.symbols": 32768}), progress=refuse)


def test_ctrl_c_stops_a_simulation(scenario):
    long = scenario.copy().set({"fibre.spans": 400, "signal.symbols": 131072})
    killer = threading.Timer(0.3, os.kill, (os.getpid(), signal.SIGINT))
    killer.start()
    with pytest.raises(KeyboardInterrupt):
        cohlink.simulate(long)
    killer.join()


def test_other_threads_go_on_meanwhile(scenario):
    turns, stop = [], threading.Event()

    def tick():
        while not stop.is_set():
            turns.append(None)
            time.sleep(0.001)

    ticker = threading.Thread(target=tick)
    ticker.start()
    before = len(turns)
    cohlink.simulate(scenario.copy().set({"fibre.spans": 4, "signal.symbols": 16384}))
    during = len(turns) - before
    stop.set()
    ticker.join()
    assert during > 3, "a held lock would have let it have one or two"


def test_dangerous_light_is_cautioned(scenario):
    with pytest.warns(cohlink.Caution, match="IEC 60825-2"):
        cohlink.simulate(scenario.copy().set({"fibre.spans": 1, "transmitter.launch_power_dbm": 15}))
