"""What one reading says of slide, strip and tools in one turn."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from crankclock.cycle.course import Course
from crankclock.cycle.passes import PilotPass, Span, TapPass
from crankclock.parts.numbers import Floats


@dataclass(frozen=True)
class Motion:
    """What the slide does to strip and tools.

    Attributes
    ----------
    course : Course
        Where slide, strip and stripper are at any moment.
    touching : Span
        From the stripper's first touch to the strip back at its feed height.
    clamped : Span
        From first to last force on the die face.
    held : Span
        From when to when the strip lies on the die face about BDC; when rigid, as `clamped`.
    settled : float or array, shape (n,)
        Dial angle [rad] from which the strip stays at its feed height; it may lie past the turn. nan: never.
    """

    course: Course
    touching: Span
    clamped: Span
    held: Span
    settled: Floats
    pilots: Mapping[str, PilotPass]
    punches: Mapping[str, Span]
    taps: Mapping[str, TapPass]
