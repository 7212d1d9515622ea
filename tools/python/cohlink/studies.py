"""Studies: sweeps, limits, outages, required OSNR, budgets. Their tables are NumPy record arrays."""
from __future__ import annotations

import os
from typing import Any, Dict, Iterable, Iterator, List, Mapping, Optional, Sequence, Tuple, Union

import numpy as np

from . import _core
from .errors import warn
from .progress import Progress, listener
from .scenarios import Scenario, _text

Vary = Union[str, Mapping[str, Union[str, Iterable[Any]]]]


class Table(np.recarray):
    """A NumPy record array, one row a point; columns as the program's CSV names them: `table["channel.osnr_db"]`,
    `table.ber`. NaN or "" stands for what does not exist. `axes` are the varied keys, `grid` their lengths."""

    axes: Tuple[str, ...] = ()
    grid: Tuple[int, ...] = ()

    @classmethod
    def _of(cls, columns: Mapping[str, np.ndarray], axes: Sequence[str] = (), grid: Sequence[int] = ()) -> "Table":
        table = np.rec.fromarrays(list(columns.values()), names=list(columns)).view(cls)
        table.axes, table.grid = tuple(axes), tuple(grid)
        return table

    def __array_finalize__(self, other: Any) -> None:
        super().__array_finalize__(other)
        # A part of a table is no grid any more.
        if getattr(other, "shape", None) == self.shape:
            self.axes, self.grid = getattr(other, "axes", ()), getattr(other, "grid", ())

    @property
    def columns(self) -> Tuple[str, ...]:
        """Names of the columns, in order."""
        return self.dtype.names or ()

    @staticmethod
    def unit(column: str) -> str:
        """Of a column: "dB", "km", ...; "" without one."""
        return _core.unit_of(column)

    def to_xarray(self):
        """The same as an xarray Dataset over its axes, with units; needs the package xarray."""
        import xarray

        axes, grid = (self.axes, self.grid) if self.axes else (("row",), (len(self),))
        coordinates = {}
        for number, axis in enumerate(self.axes):
            first = tuple(slice(None) if other == number else 0 for other in range(len(grid)))
            coordinates[axis] = (axis, np.asarray(self[axis]).reshape(grid)[first], {"units": self.unit(axis)})
        data = {name: (axes, np.asarray(self[name]).reshape(grid), {"units": self.unit(name)})
                for name in self.columns if name not in self.axes}
        return xarray.Dataset(data, coordinates)


class Study(Mapping[str, Any]):
    """What a study found: facts by name, also as attributes, and its tables by name in `tables` and as attributes."""

    def __init__(self, facts: Mapping[str, Any], tables: Mapping[str, Table]):
        self.facts, self.tables = dict(facts), dict(tables)

    def __getitem__(self, name: str) -> Any:
        return self.facts[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self.facts)

    def __len__(self) -> int:
        return len(self.facts)

    def __getattr__(self, name: str) -> Any:
        for place in ("tables", "facts"):
            values = self.__dict__.get(place, {})
            if name in values:
                return values[name]
        raise AttributeError(f"the study has no {name!r}; it has {', '.join([*self.tables, *self.facts])}"
                             if "facts" in self.__dict__ else name)

    def __repr__(self) -> str:
        return "Study(" + ", ".join(f"{name}={value!r}" for name, value in self.facts.items()) + ")"


def _study(found: Dict[str, Any]) -> Study:
    warn(found["cautions"], stacklevel=4)
    return Study(found["facts"], {name: Table._of(columns) for name, columns in found["tables"].items()})


def _value(key: str, value: Any) -> str:
    """One value of what is varied; of keys that move together ("a+b") one for each, parted by colons."""
    if "+" in key and isinstance(value, (tuple, list)):
        return ":".join("" if part is None else _text(part) for part in value)
    return _text(value)


def _assignments(what: Optional[Vary]) -> List[str]:
    """"KEY=values" as the program takes them, from text or from {key: values}."""
    if what is None:
        return []
    if isinstance(what, str):
        return [what]
    texts = []
    for key, values in what.items():
        if isinstance(values, str):
            texts.append(f"{key}={values}")
        else:
            texts.append(f"{key}=" + "|".join(_value(key, value) for value in values))
    return texts


def sweep(scenario: Scenario, vary: Vary, *, measure: str = "ber", reference: str = "", common_noise: bool = False,
          threads: int = 0, output: Union[None, str, "os.PathLike[str]"] = None, progress: Progress = None) -> Table:
    """Measures over a grid of one to three keys: the table that `cohlink sweep` prints, to the last digit.

    vary          {"channel.osnr_db": [9, 10, 11]}, {"channel.osnr_db": "9:1:11"} or "channel.osnr_db=9:1:11"; of keys that move
                  together {"signal.modulation+signal.symbol_rate_gbd": [("qpsk", 124), ("16qam", 62)]}, None for an absent one
    measure       "ber" (with Q, SNR, EVM), "required_osnr", "penalty_db", or any number that a frame gives
    reference     where a penalty is 0: "KEY=value"
    common_noise  the same random streams at every point
    threads       0: as run.threads says, or one a core; the table does not depend on it
    output        also write the curve file here
    progress      True: a bar; or a function of the share done

    Every point runs until run.target_errors errors are counted, at most run.frames frames. Ctrl-C ends it with the
    frame at hand. Table.to_xarray() gives the grid with its axes.
    """
    with listener(progress, "sweep") as told:
        question = _core.SweepQuestion(_assignments(vary), measure, reference, common_noise)
        found = _core.sweep(Scenario(scenario), question, "" if output is None else os.fspath(output),
                            _core.Running(threads, told))
    warn(found["cautions"])
    return Table._of(found["tables"]["sweep"], found["axes"], found["shape"])


def required_osnr(scenario: Scenario, vary: Optional[Vary] = None, *, threads: int = 0,
                  progress: Progress = None) -> Union[Study, Table]:
    """The OSNR [dB in 12.5 GHz] at which the scenario just meets its code's threshold, with its 95 % interval.

    Without `vary` a Study: required_osnr_db, required_osnr_low, required_osnr_high (None where none was found; `remark`
    says why), frames, errors, bits. With it the Table of a sweep (`sweep`'s arguments) of required OSNR.
    """
    if vary is not None:
        return sweep(scenario, vary, measure="required_osnr", threads=threads, progress=progress)
    with listener(progress, "required OSNR") as told:
        return _study(_core.required_osnr(Scenario(scenario), _core.Running(threads, told)))


def limit(scenario: Scenario, key: str, low: float, high: float, *, criterion: str = "fec",
          resolution_percent: float = 2.0, threads: int = 0, progress: Progress = None) -> Study:
    """Where a key crosses a criterion between two values (`cohlink limit`): reach, widest linewidth, largest DGD.

    criterion            "fec" (the verdict's threshold), "ber=1e-3", "ngmi=0.92", "q_db=8.5", "snr_db=12", "penalty_db=1"
    resolution_percent   of the range, where bisecting ends

    A Study: `found` ("found", "holds throughout", ...), `limit`, `low`, `high`, `holds_at`, `fails_at`, `frames`,
    `remark`; the table `probes`, a row a value counted.
    """
    with listener(progress, "limit") as told:
        question = _core.LimitQuestion(key, low, high, criterion, resolution_percent)
        return _study(_core.limit(Scenario(scenario), question, _core.Running(threads, told)))


def outage(scenario: Scenario, realisations: int = 0, draw: Optional[Vary] = None, *, criterion: str = "fec",
           threads: int = 0, progress: Progress = None) -> Study:
    """How often a link fails over random realisations (`cohlink outage`).

    realisations   0: run.frames of the scenario
    draw           {"channel.dgd_ps": "maxwell:20"}: uniform a:b, log:a:b, normal:mean:deviation, maxwell:mean

    A Study: `outage_probability`, `outage_low`, `outage_high` (95 %), `outages`, `worst_frame`, ...; tables `quantiles`
    and `realisations`.
    """
    with listener(progress, "outage") as told:
        return _study(_core.outage(Scenario(scenario), realisations, _assignments(draw), criterion,
                                   _core.Running(threads, told)))


def budget(scenario: Scenario) -> Study:
    """Closed forms in milliseconds (`cohlink budget`): `snr_db`, `osnr_db`, `ber`, `margin_db`,
    `optimum_launch_power_dbm`, ...; tables `noise` and, of a line, `spans`."""
    return _study(_core.budget(Scenario(scenario)))
