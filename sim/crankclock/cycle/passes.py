"""What a reading says of a tool: when it is in the strip, and how a tap goes through its hole."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from crankclock.parts.numbers import Flags, Floats


@dataclass(frozen=True)
class Span:
    """When something is in, once a turn.

    Attributes
    ----------
    start, end : float or array, shape (n,)
        Dial angles [rad]; nan where it does not happen.
    already : bool or array
        True where it is in at TDC and so never enters.
    never : bool or array
        True where it never gets in.
    """

    start: Floats
    end: Floats
    already: Flags
    never: Flags


Pair = Callable[[Floats], tuple[Floats, Floats]]


@dataclass(frozen=True)
class TapPass:
    """A tap's way through the hole; angles [rad] are nan where the event does not happen.

    Attributes
    ----------
    thread : Span
        From first touch to last leave.
    engage, through, full, home, retouch : float or array
        Dial angles [rad].
    depth : float or array
        Greatest depth of the first thread [m]; negative where it stays clear.
    held : Span
        From when to when the strip is held about the deepest point; without a start where it is not.
    held_depth : float or array
        Greatest depth [m] by the rigid reading while the strip is held; minus infinity where it never is.
    clear : float or array
        Least clearance of the point [m] while the strip is not held; infinity where it always is.
    clear_at : float or array
        Dial angle [rad] of that least clearance.
    movement : float or array
        How far [m] the strip moves against what carries the head while the thread is in it; nan where it never is.
    turns : float or array
        Turns from home to reversal.
    peak_speed_in_cut, peak_speed : float or array
        Greatest spindle speed while cutting, and either way [turns/s].
    along : callable
        From dial angles [rad] to the gap between first thread and strip [m] and the turns from home.
    deeper : callable
        From a depth [m] to the dial angles [rad] from which and to which the first thread is that deep; nan: never.
    """

    thread: Span
    engage: Floats
    through: Floats
    full: Floats
    home: Floats
    retouch: Floats
    depth: Floats
    held: Span
    held_depth: Floats
    clear: Floats
    clear_at: Floats
    movement: Floats
    turns: Floats
    peak_speed_in_cut: Floats
    peak_speed: Floats
    along: Pair
    deeper: Pair


@dataclass(frozen=True)
class PilotPass:
    """A pilot's tip in the strip, and its full diameter (located)."""

    tip: Span
    body: Span
