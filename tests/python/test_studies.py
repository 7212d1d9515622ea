"""Studies in Python: the program's tables, to the last digit."""
import csv
import io
import json

import numpy as np
import pytest

import cohlink

from conftest import SMALL


@pytest.fixture
def study(tmp_path):
    sc = cohlink.Scenario(SMALL, {"signal.symbols": 4096, "run.frames": 2})
    (tmp_path / "sc.ini").write_text(sc.text())
    return sc


def same(column, texts):
    """Whether an array holds what the program's CSV says, to the last digit."""
    if column.dtype.kind == "b":
        return ["true" if flag else "false" for flag in column] == texts
    if column.dtype.kind == "U":
        return list(column) == texts
    numbers = np.array([float(text or "nan") for text in texts])
    return np.array_equal(column.astype(float), numbers, equal_nan=True)


def check(table, text):
    head, *rows = csv.reader(io.StringIO(text))
    assert list(table.columns) == head
    for i, name in enumerate(head):
        assert same(table[name], [row[i] for row in rows]), name


def test_sweep_is_the_programs_to_the_last_digit(study, program):
    together = "adc.bits+adc.enob"
    told = program("sweep", "sc.ini", "--vary", f"channel.osnr_db=9:1:11,{together}=4:|8:6", "--format", "csv", "--quiet")
    table = cohlink.sweep(study, {"channel.osnr_db": "9:1:11", together: [(4, None), (8, 6)]})
    check(table, told)
    assert table.axes == ("channel.osnr_db", together) and table.grid == (3, 2)
    assert np.array_equal(table.ber, cohlink.sweep(study, f"channel.osnr_db=9:1:11,{together}=4:|8:6", threads=1).ber)
    assert table.unit("channel.osnr_db") == "dB"


def test_a_grid_as_xarray(study):
    pytest.importorskip("xarray")
    table = cohlink.sweep(study, {"channel.osnr_db": [9, 11], "adc.bits": [4, 8]})
    grid = table.to_xarray()
    assert grid.ber.dims == ("channel.osnr_db", "adc.bits")
    assert list(grid.coords["channel.osnr_db"]) == [9, 11]
    assert float(grid.ber.sel({"channel.osnr_db": 11, "adc.bits": 4})) == table.ber[2]
    assert grid.snr_db.attrs["units"] == "dB"


def test_sweep_file_is_the_programs(study, program, tmp_path):
    program("sweep", "sc.ini", "--vary", "channel.osnr_db=9|10", "-o", "a.h5", "--quiet")
    cohlink.sweep(study, {"channel.osnr_db": [9, 10]}, output=tmp_path / "b.h5")
    assert (tmp_path / "a.h5").read_bytes() == (tmp_path / "b.h5").read_bytes()


def test_required_osnr_and_penalty(study, program):
    told = program("sweep", "sc.ini", "--vary", "adc.bits=4|8", "--measure", "required_osnr", "--format", "csv",
                   "--quiet")
    table = cohlink.required_osnr(study, {"adc.bits": [4, 8]})
    check(table, told)
    single = cohlink.required_osnr(study.copy().set("adc.bits", 4))
    assert single.required_osnr_db == table.required_osnr_db[0]
    with pytest.raises(cohlink.ScenarioError, match="another key"):
        cohlink.required_osnr(study, {"channel.osnr_db": [9, 10]})


def test_limit_is_the_programs(study, program):
    arguments = ["limit", "sc.ini", "--vary", "channel.osnr_db=6:16", "--criterion", "ber=1e-2", "--quiet"]
    told = json.loads(program(*arguments, "--format", "json"))
    found = cohlink.limit(study, "channel.osnr_db", 6, 16, criterion="ber=1e-2")
    assert found.found == "found" and found.low <= found.limit <= found.high
    for name, value in found.items():
        assert told[name] == value, name
    check(found.probes, program(*arguments, "--probes", "--format", "csv"))


def test_outage_is_the_programs(study, program):
    arguments = ["outage", "sc.ini", "-n", 6, "--draw", "channel.dgd_ps=maxwell:15", "--criterion", "ber=5e-3",
                 "--quiet"]
    found = cohlink.outage(study, 6, {"channel.dgd_ps": "maxwell:15"}, criterion="ber=5e-3")
    check(found.realisations, program(*arguments, "--each", "--format", "csv"))
    told = json.loads(program(*arguments, "--format", "json"))
    assert told["outage_probability"] == found.outage_probability


def test_budget_is_the_programs(study, program, tmp_path):
    line = study.copy().set({"fibre.spans": 5, "fibre.span_length_km": 80, "channel.osnr_db": None})
    (tmp_path / "line.ini").write_text(line.text())
    told = json.loads(program("budget", "line.ini", "--format", "json"))
    found = cohlink.budget(line)
    assert found.snr_db == told["snr_db"] and found.optimum_launch_power_dbm == told["optimum_launch_power_dbm"]
    assert len(found.spans) == 5 and found.spans.osnr_db[-1] == told["spans"][-1]["osnr_db"]


def test_dataset_is_the_programs(study, program, tmp_path):
    draw = {"channel.osnr_db": "9:15", "signal.modulation": "choice:qpsk|16qam"}
    program("dataset", "sc.ini", "-n", 3, "-o", "a", "--draw", "channel.osnr_db=9:15", "--draw",
            "signal.modulation=choice:qpsk|16qam", "--quiet")
    data = cohlink.Dataset.make(study, 3, tmp_path / "b", draw)
    for path in sorted((tmp_path / "a").iterdir()):
        assert path.read_bytes() == (tmp_path / "b" / path.name).read_bytes(), path.name
    assert len(data) == len(list(data)) == 3
    item = data[1]
    assert item.capture.scenario["channel.osnr_db"] == item.labels["channel.osnr_db"]
    (lanes, osnr), (rest, _) = data.batches(2, "channel.osnr_db", samples=1000, shuffle=1)
    assert lanes.shape == (2, 4, 1000) and lanes.dtype == np.int16 and osnr.shape == (2,) and len(rest) == 1
    with pytest.raises(IndexError):
        data[3]


def test_stacked_items_are_those_of_files(study, tmp_path):
    draw = {"channel.osnr_db": "9:15", "signal.modulation": "choice:qpsk|16qam"}
    short = study.copy().set("signal.symbols", 2048)
    files = cohlink.Dataset.make(short, 3, tmp_path / "files", draw, measure=True)
    stack = cohlink.Dataset.make(short, 3, tmp_path / "stack", draw, form="shards:2", measure=True)
    assert np.array_equal(files.labels["received_snr_db"], stack.labels["received_snr_db"])
    for one, other in zip(files, stack):
        assert np.array_equal(one.lanes, other.lanes)
        assert np.array_equal(one.capture.truth.symbols, other.capture.truth.symbols)
        assert cohlink.Receiver(other.capture.scenario).run(other.capture).ber == one.labels["received_ber"]
    (lanes, _), = stack.batches(3, "channel.osnr_db", shuffle=1)
    (same, _), = files.batches(3, "channel.osnr_db", shuffle=1)
    assert np.array_equal(lanes, same)


def test_splits_are_drawn_for_each_item_and_stay_when_the_set_grows(study, tmp_path):
    short, shares = study.copy().set("signal.symbols", 2048), {"train": 0.5, "test": 0.5}
    few = cohlink.Dataset.make(short, 6, tmp_path / "a", split=shares)
    more = cohlink.Dataset.make(short, 12, tmp_path / "a", split=shares)
    assert list(more.labels["split"][:6]) == list(few.labels["split"])
    train, test = more.split("train"), more.split("test")
    # Twelve fair draws go one way once in 2048 seeds; this one's do not.
    assert len(train) > 0 and len(test) > 0 and len(train) + len(test) == 12
    assert {item.labels["file"] for item in train}.isdisjoint(item.labels["file"] for item in test)
    with pytest.raises(cohlink.ScenarioError, match="no split 'validation'"):
        more.split("validation")
    with pytest.raises(cohlink.ScenarioError, match="add up to 0.9"):
        cohlink.Dataset.make(study, 2, tmp_path / "b", split="train:0.9")


@pytest.mark.parametrize("ask, said", [
    (lambda sc: cohlink.sweep(sc, "adc.bit=3"), "did you mean adc.bits"),
    (lambda sc: cohlink.sweep(sc, {"adc.bits": [4]}, measure="colour"), "colour"),
    (lambda sc: cohlink.sweep(sc, {"adc.bits": [4]}, reference="adc.bits=8"), "penalty"),
    (lambda sc: cohlink.limit(sc, "channel.osnr", 1, 2), "channel.osnr"),
    (lambda sc: cohlink.outage(sc, 2, {"run.seed": "1:2"}), "not drawn"),
    (lambda sc: cohlink.Dataset.make(sc, 0, "x"), "items"),
    (lambda sc: cohlink.Dataset("no-such-folder"), "labels"),
])
def test_mistakes_are_said_before_any_work(study, ask, said):
    with pytest.raises(cohlink.ScenarioError, match=said):
        ask(study)


def test_what_progress_raises_ends_a_sweep(study):
    def refuse(share):
        raise RuntimeError("enough")

    with pytest.raises(RuntimeError, match="enough"):
        cohlink.sweep(study.copy().set({"run.frames": 1000, "run.target_errors": 100000}),
                      {"channel.osnr_db": [15, 16]}, progress=refuse)
