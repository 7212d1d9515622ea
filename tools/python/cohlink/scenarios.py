"""Scenarios: a value for every key of the table that the program's `keys` prints."""
from __future__ import annotations

import os
from typing import Any, Dict, Iterator, List, Mapping, NamedTuple, Union

from . import _core
from .errors import ScenarioError

Source = Union[str, "os.PathLike[str]", Mapping[str, Any], "Scenario"]


class Key(NamedTuple):
    """What the table says of a scenario key. `source`: where its default or range comes from."""
    name: str
    type: str
    unit: str
    default: str
    legal: str
    help: str
    source: str


def keys(pattern: str = "") -> List[Key]:
    """The scenario keys whose name or meaning contains `pattern` (any case), with unit, default, range and source.

    >>> cohlink.keys("linewidth")[0].unit
    'kHz'
    """
    table = (Key(**row) for row in _core.key_table())
    return [key for key in table if pattern.lower() in key.name or pattern.lower() in key.help.lower()]


def _text(value: Any) -> str:
    """A value as a scenario file would spell it; None leaves a key absent."""
    if value is None:
        return ""
    if isinstance(value, (bool,)) or type(value).__name__ == "bool_":
        return "true" if value else "false"
    if isinstance(value, (list, tuple)):
        return ", ".join(_text(item) for item in value)
    if isinstance(value, str):
        return value
    if hasattr(value, "item"):  # NumPy scalars
        return _text(value.item())
    text = repr(value)
    return text[:-2] if text.endswith(".0") else text


class Scenario(_core.Scenario):
    """Values for every scenario key.

    Built from sources that layer left to right: the name of an INI file, INI text (with a line break or a bracket in
    it), a mapping `{"section.key": value}` or `{"section": {"key": value}}`, another scenario. Without any, every key
    has its default: ideal hardware.

    >>> sc = cohlink.Scenario("scenarios/back-to-back.ini", {"channel.osnr_db": 12})
    >>> sc["channel.osnr_db"], sc["signal.modulation"]
    (12.0, 'qpsk')

    Reads like a mapping of key to value in the key's type (float, int, bool, str, list; None: absent);
    `cohlink.keys()` has units and ranges. Raises ScenarioError for a value that a key does not accept.
    """

    def __init__(self, *sources: Source):
        super().__init__()
        for source in sources:
            self._layer(source)

    def _layer(self, source: Source) -> None:
        if isinstance(source, _core.Scenario):
            self._assign(source)
        elif isinstance(source, Mapping):
            for name, value in source.items():
                if isinstance(value, Mapping):
                    for key, inner in value.items():
                        self.set(f"{name}.{key}", inner)
                else:
                    self.set(name, value)
        elif isinstance(source, str) and ("\n" in source or source.lstrip().startswith("[")):
            self._read_text(source, "text")
        else:
            self._read_file(os.fspath(source))

    def set(self, key: Union[str, Mapping[str, Any]], value: Any = None) -> "Scenario":
        """Sets a key ("channel.osnr_db", 18), an assignment as the program's --set takes it ("channel.osnr_db=18"), or
        all of a mapping, and returns the scenario itself. None as the value leaves a key absent."""
        if isinstance(key, Mapping):
            self._layer(key)
        elif "=" in key and value is None:
            name, text = key.split("=", 1)
            self._set(name.strip(), text.strip())
        else:
            self._set(key, _text(value))
        return self

    def copy(self) -> "Scenario":
        """An independent copy."""
        return Scenario(self)

    __copy__ = copy

    def __deepcopy__(self, memo: Dict[int, Any]) -> "Scenario":
        return self.copy()

    def __reduce__(self):
        return Scenario, (self.text(),)

    def text(self) -> str:
        """INI text of every key; reading it back gives the same scenario. What captures store."""
        return self._resolved()

    def is_given(self, key: str) -> bool:
        """Whether the key was given a value here, rather than having its default."""
        return self._is_given(key)

    def keys(self) -> List[str]:
        """Names of all keys, "section.key"."""
        return [row["name"] for row in _core.key_table()]

    def given(self) -> Dict[str, Any]:
        """The keys that were given, with their values."""
        return {key: self[key] for key in self.keys() if self._is_given(key)}

    def __getitem__(self, key: str) -> Any:
        try:
            return self._value(key)
        except KeyError:
            near = _core.nearest_key(key)
            reason = "unknown key" + (f"; did you mean {near}?" if near else "")
            raise UnknownKey(f"{key}: {reason}", key=key, reason=reason) from None

    def __setitem__(self, key: str, value: Any) -> None:
        self.set(key, value)

    def __iter__(self) -> Iterator[str]:
        return iter(self.keys())

    def __len__(self) -> int:
        return len(self.keys())

    def __contains__(self, key: object) -> bool:
        return key in self.keys()

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Scenario) and self.text() == other.text()

    __hash__ = None  # type: ignore[assignment]

    def __repr__(self) -> str:
        return f"Scenario({self.given()!r})"


class UnknownKey(ScenarioError, KeyError):
    """A key that the table does not have."""

    def __str__(self) -> str:
        return str(self.args[0])
