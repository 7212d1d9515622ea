"""Folders of labelled captures, to train on."""
from __future__ import annotations

import os
import pathlib
from typing import Any, Dict, Iterator, List, Optional, Sequence, Tuple, Union

import numpy as np

from . import _core
from .captures import Capture
from .errors import ScenarioError
from .progress import Progress, listener
from .scenarios import Scenario
from .studies import Table, Vary, _assignments


class Item:
    """One capture of a data set and its labels; the file is read when something of it is first asked for.

    lanes     (4, n) int16
    capture   the Capture; out of a stack its truth is the symbols alone
    """

    def __init__(self, path: pathlib.Path, labels: Dict[str, Any], scenario: Optional[pathlib.Path] = None):
        self.path, self.labels = path, labels
        self._scenario = scenario
        self._capture: Optional[Capture] = None

    @property
    def lanes(self) -> np.ndarray:
        """The samples alone, (4, n) int16: of a stack nothing else is read."""
        return _rows_of(self.path, [self.labels["row"]])[0] if "row" in self.labels else self.capture.lanes

    @property
    def capture(self) -> Capture:
        """The capture, with its truth."""
        if self._capture is None:
            self._capture = self._stacked() if "row" in self.labels else Capture.load(self.path)
        return self._capture

    def _stacked(self) -> Capture:
        row = self.labels["row"]
        with _h5py().File(self.path, "r") as stack:
            modulation = stack["truth/modulation"][row].decode()
            symbols = stack["truth/constellation"][modulation][:][
                stack["truth/symbol_codes"][row][:, :stack["truth/symbols_of_item"][row]]]
            rate, scale = float(stack["adc/sample_rate_hz"][row]), stack["adc/ampere_per_code"][row]
        drawn = {key: value for key, value in self.labels.items() if "." in key}
        scenario = Scenario(self._scenario).set(drawn)
        return Capture(self.lanes, rate, ampere_per_code=scale, scenario=scenario, symbols=symbols)

    def __repr__(self) -> str:
        return f"Item({self.path.name}, {self.labels})"


class Dataset:
    """A folder that `cohlink dataset` or `Dataset.make` made: a sequence of Items.

    len(data), data[3] (an Item), iteration; `labels`, a Table with one row an item (drawn keys, seed, OSNR, ...);
    `batches` for NumPy. Has what a map-style data set of a training library needs (len and integer subscripts) and
    imports none.
    """

    def __init__(self, folder: Union[str, "os.PathLike[str]"]):
        self.folder = pathlib.Path(folder)
        self.labels = _read_labels(self.folder / "labels.csv")

    @classmethod
    def make(cls, scenario: Scenario, items: int, folder: Union[str, "os.PathLike[str]"], draw: Optional[Vary] = None,
             *, split: Union[str, Dict[str, float]] = "", form: str = "files", crop: bool = False,
             correlate: Optional[Dict[Tuple[str, str], float]] = None, measure: bool = False,
             repair: bool = False, threads: int = 0, progress: Progress = None) -> "Dataset":
        """Makes what is missing of a data set (`cohlink dataset`) and opens it.

        draw   {"channel.osnr_db": "9:15"}: uniform a:b, log:a:b, normal:mean:deviation, maxwell:mean, choice:v1|v2;
               beside the scenario's own [draw] section
        split  {"train": 0.8, "test": 0.2}: a column of the labels, drawn for each item; see `split`
        form   "files", one an item; "shards" or "shards:500", files of so many; "stacked", one file of all: arrays of
               equal length, filled up with 0 or with `crop` cut (docs/capture-format.md); items of these need h5py
        correlate  {("channel.dgd_ps", "channel.osnr_db"): -0.5}: normal draws that go together
        measure    labels received_snr_db, received_ber, received_lock by our receiver
        repair     makes damaged files again, as a loss of power may leave them; else they are an error

        The same arguments give the same files, byte for byte; a larger `items` adds to them.
        """
        if not isinstance(split, str):
            split = ",".join(f"{name}:{share!r}" for name, share in split.items())
        with listener(progress, "data set") as told:
            pairs = [f"{a},{b}={rho!r}" for (a, b), rho in (correlate or {}).items()]
            wanted = _core.ItemsWanted(items, os.fspath(folder), _assignments(draw), split, form, crop, pairs, measure,
                                       repair)
            _core.make_dataset(Scenario(scenario), wanted, _core.Running(threads, told))
        return cls(folder)

    def split(self, name: str) -> "Dataset":
        """The items of one part of the set: `data.split("train")`."""
        if "split" not in self.labels.columns or name not in self.labels["split"]:
            raise ScenarioError(f"{self.folder}: has no split {name!r}", file=str(self.folder))
        part = type(self).__new__(type(self))
        part.folder, part.labels = self.folder, self.labels[self.labels["split"] == name]
        return part

    def __len__(self) -> int:
        return len(self.labels)

    def __getitem__(self, index: int) -> Item:
        if not -len(self) <= index < len(self):
            raise IndexError(f"item {index} of {len(self)}")
        row = self.labels[index]
        return Item(self.folder / str(row["file"]), {name: row[name].item() for name in self.labels.columns},
                    self.folder / "dataset.ini")

    def __iter__(self) -> Iterator[Item]:
        return (self[i] for i in range(len(self)))

    def batches(self, size: int, labels: Union[str, List[str], Tuple[str, ...]], *, samples: Optional[int] = None,
                shuffle: Optional[int] = None) -> Iterator[Tuple[np.ndarray, np.ndarray]]:
        """Pairs of lanes, (size, 4, samples) int16, and labels, (size,) or (size, number of labels).

        samples   of each lane, the first so many; None: as many as the shortest item of the batch has
        shuffle   a seed for the order; None: as they lie. The last batch may be smaller.
        """
        order = np.arange(len(self))
        if shuffle is not None:
            np.random.default_rng(shuffle).shuffle(order)
        for start in range(0, len(order), size):
            chosen = order[start:start + size]
            lanes = self._lanes(chosen)
            length = min(samples or lanes[0].shape[1], *(lane.shape[1] for lane in lanes))
            if samples is not None and length < samples:
                raise ScenarioError(f"batches: an item has {length} samples, fewer than {samples}")
            rows = self.labels[chosen]
            values = rows[labels] if isinstance(labels, str) else np.stack([rows[name] for name in labels], axis=1)
            yield np.stack([lane[:, :length] for lane in lanes]), np.asarray(values)

    def _lanes(self, chosen: np.ndarray) -> List[np.ndarray]:
        if "row" not in self.labels.columns:
            return [self[int(i)].lanes for i in chosen]
        rows = self.labels[chosen]
        found: Dict[int, np.ndarray] = {}
        for file in set(rows["file"]):  # each stack is opened once
            places = np.flatnonzero(rows["file"] == file)
            found.update(zip(places, _rows_of(self.folder / str(file), rows["row"][places])))
        return [found[place] for place in range(len(rows))]

    def __repr__(self) -> str:
        return f"Dataset({str(self.folder)!r}, {len(self)} items)"


def _h5py():
    try:
        import h5py
    except ImportError:
        raise ScenarioError("stacks of items are read by h5py, which is not installed") from None
    return h5py


def _rows_of(path: pathlib.Path, rows: Sequence[int]) -> List[np.ndarray]:
    """The lanes of these rows of a stack, each as long as its item."""
    order = np.argsort(rows)
    with _h5py().File(path, "r") as stack:
        lengths = stack["adc/samples_of_item"][:]
        read = stack["adc/samples"][np.asarray(rows)[order]]  # h5py asks for ascending rows
    back = np.argsort(order)
    return [read[back[i]][:, :lengths[row]] for i, row in enumerate(rows)]


_TEXTS = ("file", "split", "crc32")  # a check sum may look like a number


def _read_labels(path: pathlib.Path) -> Table:
    """The table of a labels.csv: whole numbers, numbers or texts, by what all of a column are."""
    import csv

    try:
        with open(path, newline="", encoding="utf-8") as file:
            head, *rows = list(csv.reader(file))
    except (OSError, ValueError) as error:
        raise ScenarioError(f"{path}: no labels of a data set: {error}", file=str(path)) from None
    columns = {name: [row[i] for row in rows] for i, name in enumerate(head)}
    return Table._of({name: np.array(texts) if name in _TEXTS else _column(texts) for name, texts in columns.items()})


def _column(texts: List[str]) -> np.ndarray:
    for convert, kind in ((int, np.int64), (lambda text: float(text or "nan"), np.float64)):
        try:
            return np.array([convert(text) for text in texts], kind)
        except ValueError:
            continue
    return np.array(texts)
