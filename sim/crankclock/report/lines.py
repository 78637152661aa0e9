"""Lines of text that keep to 80 columns, and how reports speak of rules and their tools."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

from crankclock.rules import Subject

WIDTH = 80


def wrapped(text: str, indent: str = "  ", first: str = "") -> str:
    """Text over as many lines as it takes; the first begins with `first`, the others with `indent`."""
    return textwrap.fill(text, WIDTH, initial_indent=first, subsequent_indent=indent, break_on_hyphens=False)


def cut(text: str, room: int) -> str:
    """Text that fits a column, with an ellipsis where it had to be cut."""
    return text if len(text) <= room else f"{text[: room - 1]}…"


def named(rule: str, subject: Subject) -> str:
    """A rule and its tool, such as "cut-speed tap m4"."""
    return rule if subject is None else f"{rule} {subject.replace(':', ' ', 1)}"


def listed(words: Sequence[str], join: str = "and") -> str:
    """Words in a row: "a, b and c"."""
    if len(words) < 2:
        return "".join(words)
    return f"{', '.join(words[:-1])} {join} {words[-1]}"
