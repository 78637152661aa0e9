"""How far long work is, on stderr: a bar with the time left on a terminal, else a line now and then."""

from __future__ import annotations

import sys
import time
from types import TracebackType
from typing import Any

QUIET = 1.0
"""Work shorter than this [s] is not told of."""
EVERY = 5.0
"""Time [s] between lines where there is no terminal."""


class Told:
    """Called with what is worked out, how much of it is done and of how much; a context manager."""

    def __init__(self) -> None:
        self._bar: Any = None
        self._task: Any = None
        self._what, self._begun, self._spoken = "", 0.0, 0.0

    def __enter__(self) -> Told:
        return self

    def __exit__(self, kind: type[BaseException] | None, wrong: BaseException | None, at: TracebackType | None) -> None:
        if self._bar is not None:
            self._bar.stop()

    def __call__(self, what: str, done: int, total: int) -> None:
        now = time.monotonic()
        if what != self._what:
            self._what, self._begun, self._spoken = what, now, now
            if self._bar is not None:
                self._bar.reset(self._task, description=what, total=total)
        if self._bar is not None:
            self._bar.update(self._task, completed=done)
        elif now - self._begun > QUIET:
            if sys.stderr.isatty():
                self._show(what, done, total)
            elif now - self._spoken > EVERY or self._spoken == self._begun:
                self._spoken = now
                left = f", about {(now - self._begun) / done * (total - done):.0f} s left" if done else ""
                print(f"{what}: {done} of {total} parts{left}", file=sys.stderr, flush=True)

    def _show(self, what: str, done: int, total: int) -> None:
        from rich.console import Console
        from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

        columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
        self._bar = Progress(*columns, console=Console(stderr=True), transient=True)
        self._task = self._bar.add_task(what, total=total, completed=done)
        self._bar.start()
