"""The receiver: whole, as far as a block, or with somebody else's blocks in it; and scoring."""
from __future__ import annotations

from typing import Any, Callable, Dict, List, Optional, Union

import numpy as np

from . import _core
from .captures import Capture
from .errors import ScenarioError
from .scenarios import Scenario

#: What a reception found. `symbols` (2, m) complex64 on the constellation, of which `judged_symbols` from `first` on
#: count. Against the truth (None without it or without lock): `ber`, `ber_interval` (95 %), `errors`, `bits`, `ber_xy`,
#: `q_db`, `slips`, `misplaced_symbols`, `scored_symbols`, `snr_xy_db`, `mi_bits`, `gmi_bits`, `ngmi`, `swapped`,
#: `quarter_turns`, `delay_symbols`. Always: `locked`, `warnings`, `counters`, `snr_db`, `evm_percent`, `coherence`,
#: `frequency_offset_hz`, `clock_offset_ppm`, `dispersion_ps_per_nm`, `iq_skew_ps`, `taps` (2 outputs, 2 inputs, taps),
#: `outputs` (all numbers by the program's names), `stages` (points after every block, if recorded).
Result = _core.Result

#: A reception that stopped behind a block: `symbols` (also `signal`) (2, n) complex64 at `sample_rate_hz`, whole from
#: symbol `first` to `last`; `frequency_offset_hz`, `clock_offset_ppm`, `taps`, `warnings`, `counters` so far.
Interim = _core.Interim

Block = Callable[..., np.ndarray]


class Receiver:
    """The receiver that a scenario's [signal], [dsp] and [fec] sections describe.

    >>> rx = cohlink.Receiver(sc)
    >>> rx.stages
    ['deskew', 'orthonormalise', 'resample', 'frequency (coarse)', ..., 'equaliser', 'frequency (fine)', 'phase']
    >>> rx.run(cap).ber
    """

    def __init__(self, scenario: Scenario):
        self._core = _core.Receiver(Scenario(scenario))

    @property
    def stages(self) -> List[str]:
        """Titles of the blocks in the order of the chain, as `until` and `replace` take them."""
        return self._core.blocks()

    def run(self, capture: Capture, until: Optional[str] = None, *, record: bool = False) -> Union[Result, Interim]:
        """Receives a capture: a Result, or with `until`, the title of a block or "lanes" (before the first), an Interim.

        record   keep points of the signal after every block (Result.stages)

        Other Python threads go on meanwhile. ScenarioError for a capture too short for the chain.
        """
        if until is not None:
            return self._core.until(capture._core, until)
        return self._core.run(capture._core, record)

    def replace(self, block: str, function: Block, *, edge: float = 0.0, context: bool = False) -> "Receiver":
        """Puts a function of yours in the place of a block, and returns the receiver itself.

        function   gets the signal, (2, n) complex64, and returns (2, m), sampled as the block leaves it: for `phase`
                   one sample a symbol in and out, for `equaliser` two in and one out
        edge       symbols that it spoils at each end; they are not judged
        context    also hand it what else is known: an object with symbol_rate_hz, samples_per_symbol, sample_rate_hz
                   (of what must come out), first and last (the whole symbols)
        """
        if not callable(function):
            raise TypeError(f"replace {block!r}: expected a function")
        self._core.replace(block, function, edge, context)
        return self


def score(symbols: Optional[np.ndarray], capture: Capture, skip: int = 0, *, bits: Optional[np.ndarray] = None,
          after: Optional[Interim] = None, scenario: Optional[Scenario] = None) -> Result:
    """Grades symbols or bits that were decided elsewhere against a capture's truth, as the receiver grades its own:
    which polarisation and how late, quarter turns and cycle slips, errors with their exact interval, SNR, GMI.

    symbols    (2, m) complex, one a symbol, at any scale; or (m,): one polarisation alone
    skip       symbols at each end that are not judged (filters' edges, adaptation); at least 256 must be left
    bits       (2, m x bits a symbol) of 0 and 1 instead of symbols; SNR and GMI then mean nothing and are NaN
    after      the Interim that the symbols were made from: its edges are not judged, and an offset of the lanes is
               found as in the chain, so that the result is that of `Receiver.replace` to the last bit
    scenario   what says modulation, coding and pilots; default the capture's own

    ScenarioError where the capture has no truth. A result without lock has ber None and says why in `warnings`.

    >>> r = cohlink.score(my_symbols, cap, skip=300)
    >>> r.ber, r.ber_interval, r.slips
    """
    told = scenario if scenario is not None else capture.scenario
    if told is None:
        raise ScenarioError("score: the capture holds no scenario; give one", reason="no scenario")
    if capture.truth is None:
        raise ScenarioError("score: the capture has no truth to score against", reason="no truth")
    if (symbols is None) == (bits is None):
        raise TypeError("score: give either symbols or bits")
    told = Scenario(told)
    given = symbols if bits is None else _core.map_bits(told, np.asarray(bits))
    result = _core.Receiver(told).judge(capture._core, given, skip, after)
    if bits is not None:
        _core.forget_noise(result)
    return result
