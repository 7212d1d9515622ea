"""Coherent optical links, simulated and received: the libraries behind the program `cohlink`.

>>> import cohlink
>>> sc = cohlink.Scenario("scenarios/first-light.ini").set("channel.osnr_db", 18)
>>> cap = cohlink.simulate(sc, seed=3)                       # cap.lanes: (4, n) int16; cap.truth.symbols: (2, m)
>>> eq = cohlink.Receiver(sc).run(cap, until="equaliser")    # eq.symbols: (2, m) complex64
>>> r = cohlink.score(my_phase_recovery(eq.symbols), cap, skip=300)    # r.ber, r.ber_interval, r.slips
>>> r = cohlink.Receiver(sc).replace("phase", my_phase_recovery).run(cap)

Numbers are those of the program to the last digit. Units stand at the end of names (`_db`, `_hz`, `_ps`); what has no
unit there is a plain number. `help(cohlink.simulate)`, `help(cohlink.Receiver)` and so on say the rest;
`cohlink.keys("linewidth")` explains scenario keys.
"""
from ._core import git_hash as __git_hash__
from ._core import version as __version__
from .captures import Capture, Truth, simulate
from .datasets import Dataset, Item
from .errors import Caution, Error, RunError, ScenarioError
from .reception import Interim, Receiver, Result, score
from .scenarios import Key, Scenario, keys
from .studies import Study, Table, budget, limit, outage, required_osnr, sweep

__all__ = [
    "Capture", "Caution", "Dataset", "Error", "Interim", "Item", "Key", "Receiver", "Result", "RunError", "Scenario",
    "ScenarioError", "Study", "Table", "Truth", "budget", "keys", "limit", "outage", "required_osnr", "score",
    "simulate", "sweep",
]
