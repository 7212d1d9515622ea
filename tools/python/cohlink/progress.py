"""A bar for terminals and notebooks."""
from __future__ import annotations

import contextlib
import sys
import time
from typing import Callable, Iterator, Optional, Union

Progress = Union[None, bool, Callable[[float], object]]


class Bar:
    """Redraws itself in place a few times a second: `Bar("sweep")(0.5)`."""

    def __init__(self, what: str, stream=None, cells: int = 28):
        self.what, self.stream, self.cells = what, stream or sys.stderr, cells
        self.start = self.last = time.monotonic()
        self.drawn = False

    def __call__(self, share: float) -> None:
        now = time.monotonic()
        if now - self.last < 0.15:
            return
        self.last = now
        full = int(share * self.cells)
        text = f"\r  {'#' * full}{'.' * (self.cells - full)}  {self.what}"
        if share > 0.01:
            text += f", about {(now - self.start) * (1 - share) / share:.0f} s left "
        self.stream.write(text)
        self.stream.flush()
        self.drawn = True

    def close(self) -> None:
        """Takes the bar off the screen."""
        if self.drawn:
            self.stream.write("\r" + " " * 79 + "\r")
            self.stream.flush()


@contextlib.contextmanager
def listener(progress: Progress, what: str) -> Iterator[Optional[Callable[[float], object]]]:
    """What the core calls with the share done: nothing, the user's own function, or a bar (True)."""
    if progress is True:
        bar = Bar(what)
        try:
            yield bar
        finally:
            bar.close()
    else:
        yield progress or None
