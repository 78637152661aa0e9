"""A thread asked for by text, with what is to be reckoned for it: text to the handbook's figures."""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar

from crankclock.errors import InputError, Problem
from crankclock.handbook.holes import HoleError
from crankclock.handbook.thread_figures import (
    KINDS,
    Kind,
    ThreadFigures,
    drill_for,
    flange,
    leaves,
    tap_holes,
    tap_speeds,
)
from crankclock.handbook.threads import ThreadError, parse
from crankclock.units import UnitError, read

Found = TypeVar("Found")


def thread_figures(
    designation: str,
    kind: Kind | None = None,
    percent: float | None = None,
    hole: str | None = None,
    length: str | None = None,
    thickness: str | None = None,
) -> ThreadFigures:
    """Gather the figures of a thread.

    Parameters
    ----------
    designation : str
        As the trade writes it, such as "M5x0.8" or "10-32".
    kind : {"cut", "form"}, optional
        Of tap; both by default.
    percent : float, optional
        Percent of thread wanted.
    hole, length, thickness : str, optional
        Tap hole at hand, length of full thread wanted, strip thickness: lengths with their unit.

    Returns
    -------
    ThreadFigures

    Raises
    ------
    InputError
        With every problem found.
    """
    problems: list[Problem] = []
    thread = _tried(problems, "THREAD", designation, "a thread of the tables", lambda: parse(designation))
    sizes = [
        _length(problems, option, text)
        for option, text in (("--hole", hole), ("--length", length), ("--thickness", thickness))
    ]
    if thread is None:
        raise InputError(problems)
    at_hand, wanted, strip = sizes
    kinds = KINDS if kind is None else (kind,)
    shown = "" if percent is None else f"{percent:g}"
    holes = _tried(problems, "--percent", shown, "a percent that can be had", lambda: tap_holes(thread, kinds, percent))
    left = None
    if at_hand is not None:
        left = _tried(problems, "--hole", hole, "a hole that suits", lambda: leaves(thread, kinds, at_hand))
    if problems or holes is None:
        raise InputError(problems)
    inner = holes[0].diameter if at_hand is None else at_hand
    extruded = _tried(
        problems, "--thickness", thickness, "a strip to extrude", lambda: flange(thread, inner, wanted, strip)
    )
    if problems:
        raise InputError(problems)
    speeds = tap_speeds(thread, kinds)
    return ThreadFigures(thread, holes, drill_for(thread, kinds), at_hand, left or (), extruded, speeds)


def _tried(
    problems: list[Problem], option: str, given: str | None, expected: str, reckon: Callable[[], Found]
) -> Found | None:
    """Reckon, or note why it cannot be."""
    try:
        return reckon()
    except (ThreadError, HoleError) as wrong:
        problems.append(Problem(option, _quoted(given), f"{expected}: {wrong}"))
        return None


def _length(problems: list[Problem], option: str, text: str | None) -> float | None:
    """Read a length above 0 [m], without a tolerance."""
    if text is None:
        return None
    try:
        found = read(text, "length")
    except UnitError as wrong:
        problems.append(Problem(option, "", f"a length with its unit: {wrong}"))
        return None
    if found.value <= 0.0 or found.tolerance is not None:
        problems.append(Problem(option, _quoted(text), "a length above 0, without a tolerance"))
        return None
    return found.value


def _quoted(text: str | None) -> str:
    shown = "".join(sign if sign.isprintable() else "?" for sign in text or "")
    return f'"{shown if len(shown) <= 60 else shown[:57] + "..."}"'
