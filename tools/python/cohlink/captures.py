"""Captures: what a four-lane receiver front end recorded, with what is true about it."""
from __future__ import annotations

import os
from typing import Any, Dict, Iterator, Mapping, Optional, Sequence, Tuple, Union

import numpy as np

from . import _core
from .errors import warn
from .progress import Progress, listener
from .scenarios import Scenario


class Truth(Mapping[str, Any]):
    """What really happened: a mapping, each value made when it is first asked for, and the same as attributes.

    Names and meaning are those below /truth of a capture file (docs/capture-format.md), among them
    `symbols` ((2, m) complex128, unit mean power), `symbol_codes` (their numbers in `constellation`, uint8), `bits` ((2, m x bits a symbol) uint8), `tx_phase_rad`, `lo_phase_rad`
    ((m,) rad), `osnr_db`, `dispersion_ps_per_nm`, `dgd_ps`, `frequency_offset_hz`, `jones`; `transmitter`, `frontend` and
    `lanes` are mappings of the same kind. `unit(name)` gives the unit ("1": a plain ratio).
    """

    def __init__(self, values: Mapping[str, Any], units: Mapping[str, str]):
        self._values, self._units = values, units

    def unit(self, name: str) -> str:
        """Of a value, "" where the name says it all."""
        return self._units[name]

    def __getitem__(self, name: str) -> Any:
        return self._values[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self._values)

    def __len__(self) -> int:
        return len(self._values)

    def __getattr__(self, name: str) -> Any:
        if name.startswith("_"):
            raise AttributeError(name)
        try:
            return self._values[name]
        except KeyError:
            raise AttributeError(f"the truth has no {name!r}; it has {', '.join(self)}") from None

    def __dir__(self):
        return [*super().__dir__(), *self]

    def __repr__(self) -> str:
        return f"Truth({', '.join(self)})"


class _Lazy(Mapping[str, Any]):
    """The values of a core capture's truth, kept once made; what is absent is no key."""

    def __init__(self, core: _core.Capture):
        self._core = core
        self._made: Dict[str, Any] = {}

    def __getitem__(self, name: str) -> Any:
        if name not in self._made:
            value = self._core.truth_value(name)
            if value is None:
                raise KeyError(name)
            if isinstance(value, dict):
                value = Truth({k: v for k, (v, _) in value.items()}, {k: u for k, (_, u) in value.items()})
            elif isinstance(value, np.ndarray):
                value.setflags(write=False)
            self._made[name] = value
        return self._made[name]

    def __iter__(self) -> Iterator[str]:
        return (name for name in _core.truth_units() if name in self)

    def __len__(self) -> int:
        return sum(1 for _ in self)


class Capture:
    """ADC codes of four lanes, and the truth where it is known.

    Made by `simulate`, by `Capture.load`, or from arrays:

    lanes            (4, n) int16, XI XQ YI YQ; or (2, n): X alone
    sample_rate_hz   of every lane
    ampere_per_code  photocurrent of one code step in each lane
    scenario         what sets up the receiver, and says how `symbols` are modulated
    symbols          (2, m) complex, sent on X and Y, if known: makes the capture one that can be scored
    """

    def __init__(self, lanes: np.ndarray, sample_rate_hz: float, *,
                 ampere_per_code: Sequence[float] = (1.0, 1.0, 1.0, 1.0), scenario: Optional[Scenario] = None,
                 symbols: Optional[np.ndarray] = None):
        codes = np.asarray(lanes)
        if codes.dtype.kind not in "iu" or not np.can_cast(codes.dtype, np.int16):
            raise TypeError(f"lanes: expected 8-bit or signed 16-bit integers (ADC codes), not {codes.dtype}")
        self._core = _core.capture_of(np.ascontiguousarray(codes, np.int16), float(sample_rate_hz),
                                      list(map(float, ampere_per_code)), scenario, symbols)
        self._truth: Optional[Truth] = None

    @classmethod
    def _of(cls, core: _core.Capture) -> "Capture":
        capture = cls.__new__(cls)
        capture._core, capture._truth = core, None
        return capture

    @classmethod
    def load(cls, path: Union[str, "os.PathLike[str]"]) -> "Capture":
        """Reads a capture file (HDF5, docs/capture-format.md); ScenarioError for anything else, or a damaged one."""
        return cls._of(_core.load(os.fspath(path)))

    def save(self, path: Union[str, "os.PathLike[str]"]) -> None:
        """Writes the capture file: of a simulated capture the same bytes as `cohlink simulate` writes.

        A name that ends in .sigmf-meta: a SigMF recording, its samples beside it in .sigmf-data, without the truth.
        It says the optical carrier, which the capture's scenario must tell (RunError else).
        """
        self._core.save(os.fspath(path))

    @property
    def lanes(self) -> np.ndarray:
        """(4, n) int16: lanes XI XQ YI YQ (X alone: (2, n)). A read-only view of the capture's own memory."""
        return self._core.lanes

    @property
    def field(self) -> np.ndarray:
        """(2, n) complex128 in ampere: XI + i XQ and YI + i YQ, each lane at its scale. A new array."""
        current = self.lanes * self.ampere_per_code[:len(self.lanes), None]
        return current[0::2] + 1j * current[1::2]

    @property
    def sample_rate_hz(self) -> float:
        """Samples a second of every lane."""
        return self._core.sample_rate_hz

    @property
    def ampere_per_code(self) -> np.ndarray:
        """(4,) photocurrent of one code step [A]."""
        return self._core.ampere_per_code

    @property
    def truth(self) -> Optional[Truth]:
        """What really happened; None where it is not known."""
        if self._truth is None and self._core.has_truth:
            self._truth = Truth(_Lazy(self._core), _core.truth_units())
        return self._truth

    @property
    def scenario(self) -> Optional[Scenario]:
        """The scenario that made it, as a new object; None where none is stored."""
        text = self._core.scenario_text
        return Scenario(text) if text else None

    @property
    def counters(self) -> Dict[str, int]:
        """Events of the simulation: adc_clipped_samples, ..."""
        return self._core.counters

    @property
    def address(self) -> Tuple[int, int, int]:
        """Seed, frame and point of its random streams."""
        return self._core.seed, self._core.frame, self._core.point

    def __len__(self) -> int:
        return self.lanes.shape[1]

    def __repr__(self) -> str:
        count, samples = self.lanes.shape
        truth = "with truth" if self._core.has_truth else "without truth"
        return f"Capture({count} lanes x {samples} samples at {self.sample_rate_hz / 1e9:g} GSa/s, {truth})"


def simulate(scenario: Scenario, seed: Optional[int] = None, *, frame: int = 0, point: int = 0,
             progress: Progress = None) -> Capture:
    """Simulates one frame of a link: bits to ADC codes, with everything that is true about it.

    scenario   a Scenario, or whatever one is made from (file, text, mapping)
    seed       of all random streams (run.seed); None: as the scenario has it
    frame      which frame of the seed: other data and noise, the same hardware
    point      which point of a study; 0 in a capture by itself
    progress   True: a bar; or a function that is called with the share done, 0 to 1

    The same arguments give the same capture to the last byte, and the one that `cohlink simulate` writes. Other Python
    threads go on meanwhile; Ctrl-C stops it (after some 10 ms at 65,536 symbols, 2 s at a million). ScenarioError for values that do not fit
    together; warns (Caution) of dangerous light and of keys that nothing reads.

    >>> cap = cohlink.simulate({"channel.osnr_db": 15}, seed=3)
    >>> cap.lanes.shape, cap.truth.symbols.shape
    ((4, 131072), (2, 65536))
    """
    given = Scenario(scenario)
    if seed is not None:
        given.set("run.seed", seed)
    with listener(progress, "simulate") as told:
        core, cautions = _core.simulate(given, frame, point, told)
    warn(cautions)
    return Capture._of(core)
