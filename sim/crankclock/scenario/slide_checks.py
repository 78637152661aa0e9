"""What the keys of a slide must not say: cranks and links that cannot turn, tables that are no press's motion."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from crankclock.errors import Problem
from crankclock.parts.motion_table import MotionTable, one_turn
from crankclock.parts.numbers import TIE, TURN, Floats
from crankclock.parts.table_curve import Array
from crankclock.scenario.schema import Slide
from crankclock.units import show

DEGREE = TURN / 360.0
FLATTEST = 10.0 * DEGREE
"""Least angle between coupler and driven crank [rad]. Common practice keeps it above 30 to 40 deg; below this the
links bind, and the slide's acceleration has spikes narrower than any search for its peak."""

LEAST_ROWS = 12
CLOSEST_ROWS = 0.01 * DEGREE
SAME_HEIGHT = 1e-6
"""First and last row of a whole turn differ by no more than this [m]."""

OF_STROKE = 1e-3
"""Stroke and lowest height of a table agree with the keys within this share of the stroke."""

OFF_TOP = 1.0 * DEGREE
"""TDC within this of dial 0 [rad]: next to TDC the slide moves less than a ten-thousandth of its stroke in it."""

WIDEST = 20.0 * DEGREE
"""Widest step [rad] between rows where the slide moves. A cubic through four rows of the smoothest motion there is,
the eccentric's, is off by 3/128 h4 S/2 between them, which at 22 deg is as much as `OFF_BETWEEN` allows."""

OFF_BETWEEN = 0.05 * DEGREE
"""How wrong an event may be told [rad] by a height that is wrong between rows, the slide at its mean speed S/pi: a
hundredth of the usual allowance of 5 deg. The height's error is that of a cubic through the four rows about it, by
the fourth difference of the rows; the curve is better than that, but nobody knows what the slide did between."""

SCATTER = 0.08
"""Largest share of the greatest acceleration that scatter of the heights (rounding, reading) may make up. Second
differences grow with 1/step2, so that rows too close together for their digits give noise for acceleration."""

TOLD = 4
"""So many places where a table goes wrong are named, then their number."""


def slide_problems(slide: Slide) -> list[Problem]:
    """Contradictions within a slide's keys, over whatever could be read."""
    if slide.kind == "table":
        return _table(slide)
    if slide.kind == "drag-link":
        return [*_crank(slide), *_four_bar(slide)]
    return _crank(slide)


def slide_unused(slide: Slide) -> list[str]:
    """Keys that are given but mean nothing for the slide's kind and are not tied to one kind by the schema."""
    if slide.kind is None:
        return []
    wrong = ("connecting_rod", "offset") if slide.kind == "table" else ("points", "file")
    return [
        f'press.slide.{name} is not used: it does not belong to "{slide.kind}"'
        for name in wrong
        if getattr(slide, name) is not None
    ]


def _length(size: Floats) -> str:
    return show(float(size), "length", "metric")


def _angle(size: Floats) -> str:
    return show(float(size), "angle", "metric")


def _crank(slide: Slide) -> list[Problem]:
    if slide.kind is None or slide.stroke is None:
        return []
    where = "press.slide.connecting_rod"
    if slide.connecting_rod is None:
        if slide.offset:
            return [Problem(where, "nothing", "a connecting rod, since press.slide.offset is given")]
        return []
    half = 0.5 * float(slide.stroke)
    offset = abs(float(slide.offset or 0.0))
    if slide.connecting_rod <= half:
        return [Problem(where, _length(slide.connecting_rod), f"more than half the stroke, {_length(half)}")]
    rod = float(slide.connecting_rod)
    left = 1.0 - offset**2 / (rod**2 - half**2)
    if left <= 0.0 or rod <= offset + half * left**0.5 * 1.0001:
        least = "a rod longer than crank radius and offset together, so that the crank can turn"
        return [Problem(where, _length(slide.connecting_rod), least)]
    return []


def _four_bar(slide: Slide) -> list[Problem]:
    """Both cranks must turn round and round: the length rules of a double crank, then the links' angle."""
    names = ("input", "coupler", "output")
    moving = {name: float(getattr(slide, name)) for name in names if getattr(slide, name) is not None}
    if slide.ground is None or not moving:
        return []
    ground = float(slide.ground)
    shortest = min(moving, key=lambda name: moving[name])
    if ground >= moving[shortest]:
        want = (
            f"the shortest link, less than press.slide.{shortest}, {_length(moving[shortest])}: "
            "else the cranks do not both turn round"
        )
        return [Problem("press.slide.ground", _length(ground), want)]
    if len(moving) < len(names):
        return []
    longest = max(moving, key=lambda name: moving[name])
    others = [name for name in names if name != longest]
    room = sum(moving[name] for name in others) - ground
    if moving[longest] >= room:
        want = (
            f"less than {_length(room)}: the longest link and press.slide.ground together must be shorter than "
            f"press.slide.{others[0]} and press.slide.{others[1]} together, else the cranks do not both turn round"
        )
        return [Problem(f"press.slide.{longest}", _length(moving[longest]), want)]
    flattest = _flattest(ground, *moving.values())
    if flattest < FLATTEST:
        want = f"links that keep at least {_angle(FLATTEST)} between coupler and driven crank, else they bind"
        given = f"{_length(moving['coupler'])}, which comes within {_angle(flattest)} of being in line with the output"
        return [Problem("press.slide.coupler", given, want)]
    return []


def _flattest(ground: float, driving: float, coupler: float, driven: float) -> float:
    """Least angle [rad] between the lines of coupler and driven crank over the turn."""
    lines = (driving - ground, driving + ground)
    cosines = [abs(coupler**2 + driven**2 - line**2) / (2.0 * coupler * driven) for line in lines]
    return float(np.arccos(min(1.0, max(cosines))))


def _table(slide: Slide) -> list[Problem]:
    where = "press.slide.file" if slide.file is not None else "press.slide.points"
    if slide.points is None:
        if slide.file is None:
            return [Problem(where, "nothing", "this key or press.slide.file (table): the slide's motion")]
        return []
    rows = np.array(slide.points)
    found = [*_order(where, rows), *_closing(where, rows)]
    if found:
        return found
    angle, height = one_turn(slide.points)
    if angle.size < LEAST_ROWS:
        return [Problem(where, f"{angle.size} rows", f"{LEAST_ROWS} rows or more in the turn")]
    if np.ptp(height) <= TIE:
        return [Problem(where, f"the height {_length(height[0])} throughout", "a slide that moves")]
    found = _ways(where, angle, height)
    if found:
        return found
    table = MotionTable(slide.points)
    return [
        *_reach(where, slide, table),
        *_top(where, table),
        *(_coarse(where, angle, height) or _scatter(where, table, angle, height)),
    ]


def _order(where: str, rows: Array) -> list[Problem]:
    step = np.diff(rows[:, 0])
    told = _listed(f"{_angle(rows[k + 1, 0])} after {_angle(rows[k, 0])}" for k in np.flatnonzero(step < CLOSEST_ROWS))
    want = f"dial angles that grow from row to row, by {CLOSEST_ROWS / DEGREE:g} deg or more"
    return [Problem(where, told, want)] if told else []


def _closing(where: str, rows: Array) -> list[Problem]:
    (first, start), (last, end) = rows[0], rows[-1]
    if last - first > TURN + 1e-9:
        given = f"angles from {_angle(first)} to {_angle(last)}"
        return [Problem(where, given, "one turn: the last angle at most 360 deg after the first")]
    if last - first > TURN - 1e-9 and abs(end - start) > SAME_HEIGHT:
        given = f"{_length(start)} at {_angle(first)} and {_length(end)} at {_angle(last)}"
        return [Problem(where, given, "a cycle: one height at the first row and a turn later")]
    gap = first + TURN - last
    if 1e-9 < gap < CLOSEST_ROWS:
        want = "a last row a whole turn after the first, or well before"
        return [Problem(where, f"{_angle(last)} after {_angle(first)}", want)]
    return []


def _ways(where: str, angle: Array, height: Array) -> list[Problem]:
    """The slide must only fall from its top to its bottom, and only rise from there."""
    k, top = angle.size, int(np.argmax(height))
    order = (top + np.arange(k + 1)) % k
    falls, bottom = np.diff(height[order]), int(np.argmin(height[order]))
    wrong = np.where(np.arange(k) < bottom, falls > 0.0, falls < 0.0)

    def leg(j: int) -> str:
        start, end = order[j], order[j + 1]
        return (
            f"{'rises' if falls[j] > 0.0 else 'falls'} from {_length(height[start])} at {_angle(angle[start])} to "
            f"{_length(height[end])} at {_angle(angle[end])}"
        )

    told = _listed(leg(j) for j in np.flatnonzero(wrong).tolist())
    down, up = angle[order[0]], angle[order[bottom]]
    want = (
        f"a slide that only falls from its top at {_angle(down)} to its bottom at {_angle(up)}, and only rises from "
        "there to the top"
    )
    return [Problem(where, told, want)] if told else []


def _reach(where: str, slide: Slide, table: MotionTable) -> list[Problem]:
    found, lowest = [], float(table.bottom)
    stroke = float(table.top) - lowest
    wanted = stroke if slide.stroke is None else float(slide.stroke)
    if abs(stroke - wanted) > OF_STROKE * wanted:
        want = f"the stroke of the table, {_length(stroke)}, within {OF_STROKE:.1%}"
        found.append(Problem("press.slide.stroke", _length(wanted), want))
    if abs(lowest) > OF_STROKE * stroke:
        want = (
            f"heights above nominal BDC, the lowest 0 mm within {OF_STROKE:.1%} of the stroke: "
            f"{'subtract' if lowest > 0.0 else 'add'} {_length(abs(lowest))}"
        )
        found.append(Problem(where, f"a lowest height of {_length(lowest)}", want))
    return found


def _top(where: str, table: MotionTable) -> list[Problem]:
    if abs(table.tdc) <= OFF_TOP:
        return []
    change = f"{'subtract' if table.tdc > 0.0 else 'add'} {_angle(abs(table.tdc))}"
    want = f"the top of the stroke at dial 0, within {_angle(OFF_TOP)}: {change} all over the table"
    return [Problem(where, f"the highest place at {_angle(table.tdc)}", want)]


def _coarse(where: str, angle: Array, height: Array) -> list[Problem]:
    step, moves = np.diff(angle, append=angle[0] + TURN), height != np.roll(height, -1)
    wide = moves & (step > WIDEST + 1e-9)
    if wide.any():
        told = _listed(f"{_angle(step[k])} from {_angle(angle[k])} on" for k in np.flatnonzero(wide))
        want = (
            f"rows at most {_angle(WIDEST)} apart where the slide moves: further apart not even an eccentric's height "
            "between them is known"
        )
        return [Problem(where, f"no row over {told}", want)]
    bent = np.abs(_difference(angle, height, 2)[0])
    across = [_turned(angle, j) - angle for j in (-1, 0, 1, 2)]
    off = np.prod([np.abs(0.5 * step - each) for each in across], axis=0) * np.maximum(bent, np.roll(bent, -1))
    off = np.where(moves, off, 0.0)
    limit = OFF_BETWEEN * np.ptp(height) / (0.5 * TURN)
    worst = int(np.argmax(off))
    if off[worst] <= limit:
        return []
    fine = step[worst] * (limit / off[worst]) ** 0.25
    given = f"rows {_angle(step[worst])} apart at {_angle(angle[worst])}, where the motion bends too fast for them"
    want = (
        f"closer rows there, about {_angle(fine)} apart: between these the height may be off by "
        f"{off[worst] * 1e3:.2g} mm; at most {limit * 1e3:.2g} mm keeps an event within "
        f"{OFF_BETWEEN / DEGREE:.2g} deg at the slide's mean speed"
    )
    return [Problem(where, given, want)]


def _scatter(where: str, table: MotionTable, angle: Array, height: Array) -> list[Problem]:
    rests = (height == np.roll(height, 1)) | (height == np.roll(height, -1))
    if rests.all():
        return []
    step = 0.5 * (_turned(angle, 1) - _turned(angle, -1))
    missed = np.abs(_difference(angle, height, 3)[1])
    # Normal scatter s of the rows: a row is missed by its six neighbours' polynomial by 1.52 s, of which the median
    # is 0.67 times as much; the quartic's second derivative scatters by 3.13 s / step2.
    scatter = missed[~rests] / (0.6745 * 1.52)
    noise = float(np.median(3.13 * scatter / step[~rests] ** 2))
    # What is left of the peak without three times the noise, but never less than the slide needs for its stroke,
    # pulling evenly one way for a quarter turn and the other way for the next.
    least = np.ptp(height) / (TURN / 4.0) ** 2
    peak = max(float(table.peak_acceleration(0.0, TURN)) - 3.0 * noise, float(least))
    if noise <= SCATTER * peak:
        return []
    usual = float(np.median(step[~rests]))
    wider = np.ceil(min(usual * (noise / (SCATTER * peak)) ** 0.5, WIDEST) / DEGREE)
    given = f"rows {_angle(usual)} apart whose heights scatter by about {np.median(scatter) * 1e3:.2g} mm"
    want = (
        f"heights with more digits, or fewer rows: from these the slide's acceleration scatters by {noise / peak:.0%}, "
        f"more than {SCATTER:.0%}; with this scatter rows about {wider:g} deg apart may do"
    )
    return [Problem(where, given, want)]


def _turned(angle: Array, by: int) -> Array:
    """Dial angle [rad] of the row `by` rows on, counted past the turn."""
    k = angle.size
    at = np.arange(k) + by
    return np.asarray(angle[at % k] + TURN * (at // k))


def _difference(angle: Array, height: Array, reach: int) -> tuple[Array, Array]:
    """Divided difference of each row and `reach` rows either side, and by how much the others miss the row."""
    steps = range(-reach, reach + 1)
    at = [_turned(angle, j) for j in steps]
    levers = [np.prod([at[i] - at[j] for j in range(len(at)) if j != i], axis=0) for i in range(len(at))]
    found = np.sum([np.roll(height, -j) / lever for j, lever in zip(steps, levers, strict=True)], axis=0)
    return found, found * levers[reach]


def _listed(places: Iterable[str]) -> str:
    """The first few of the places where a table goes wrong."""
    told = list(places)
    more = f", and {len(told) - TOLD} more" if len(told) > TOLD else ""
    return ", ".join(told[:TOLD]) + more
