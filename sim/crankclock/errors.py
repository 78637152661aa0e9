"""The one family of errors that the command line maps to an exit status.

CrankclockError
├── InputError        the input is wrong; carries every problem found       (exit 2)
└── UnfinishedError   the work could not be finished: disk full, no access  (exit 3)
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True)
class Problem:
    """One thing wrong with the input.

    Attributes
    ----------
    where : str
        Full path of the key as the file writes it, or the file's name.
    given : str
        What stands there; empty where nothing does.
    expected : str
        What should.
    """

    where: str
    given: str
    expected: str

    def __str__(self) -> str:
        given = f" given {self.given};" if self.given else ""
        return f"{self.where}:{given} expected {self.expected}"


class CrankclockError(Exception):
    """Anything the program refuses or cannot finish, told for the person who can mend it."""


class InputError(CrankclockError):
    """The input is wrong; `problems` lists all that is."""

    def __init__(self, problems: Sequence[Problem], source: str = "") -> None:
        self.problems = tuple(problems)
        self.source = source
        count = len(self.problems)
        head = f"{source or 'input'}: {count} problem{'s' if count != 1 else ''}"
        super().__init__("\n".join([head, *(f"  {problem}" for problem in self.problems)]))


class UnfinishedError(CrankclockError):
    """The input is right but the work could not be finished."""
