"""What can go wrong, and what should be said beside a result."""
from __future__ import annotations

import warnings
from typing import Iterable, Optional


class Error(Exception):
    """Base of all errors of this package.

    `str(error)` is the one line that the program would print. `file`, `line`, `key` and `reason` are its parts, None
    where there is none.
    """

    def __init__(self, message: str, file: Optional[str] = None, line: Optional[int] = None,
                 key: Optional[str] = None, reason: Optional[str] = None):
        super().__init__(message)
        self.file, self.line, self.key, self.reason = file, line, key, reason


class ScenarioError(Error, ValueError):
    """Something given cannot be used: a scenario, a key, a file, an array."""


class RunError(Error, RuntimeError):
    """Something asked for correctly that could not be carried out: a full disk, a lost lock where one is needed."""


class Caution(UserWarning):
    """A remark about safety, or about trust in a result."""


def warn(cautions: Iterable[str], stacklevel: int = 3) -> None:
    """Issues them where the caller of our caller stands (stacklevel 3)."""
    for text in cautions:
        warnings.warn(text, Caution, stacklevel=stacklevel)
