"""The setting sheet as text for the press setter, 80 columns wide."""

from __future__ import annotations

import math
import textwrap

from crankclock.handbook.die_springs import AVERAGE_LIFE
from crankclock.rules.spring_life import BASIS, Lasting, count
from crankclock.studies.check import CAUTION, Check
from crankclock.studies.guarding import NOT_FOR_USE, Guarding
from crankclock.studies.setup import Setup, SpringSetup, TapSetup
from crankclock.units import show, to_unit

WIDTH = 80
NONE = "There is no setting sheet: the cycle does not hold. See what breaks first."


def as_text(check: Check) -> str:
    """The setting sheet of a check, ending in a line break."""
    found = check.setup
    head = f"Setting sheet: {check.title}"
    if found is None:
        return "\n\n".join([_wrapped(head), NONE, _wrapped(f"Caution: {CAUTION}")]) + "\n"
    title = f"scenario {check.loaded.name}, {check.verdict.upper()} ({check.reading} reading)"
    parts = [f"{_wrapped(head)}\n{title}", *sheet(check, found), _looks(found), _wrapped(f"Caution: {CAUTION}")]
    return "\n\n".join(part for part in parts if part) + "\n"


def sheet(check: Check, found: Setup) -> list[str]:
    """The blocks of the sheet without its checklist."""
    blocks = [
        _switches(found, check),
        _heights(found, check),
        "\n".join(_tap(each, check) for each in found.taps),
        "\n".join(_spring(each, check) for each in found.springs),
        "" if found.guarding is None else _guarding(found.guarding, check),
    ]
    return [block for block in blocks if block]


def _wrapped(text: str, first: str = "", indent: str = "  ") -> str:
    return textwrap.fill(text, WIDTH, initial_indent=first, subsequent_indent=indent, break_on_hyphens=False)


def _switches(found: Setup, check: Check) -> str:
    """Each switch with the angle to set at each rate, so that what it does happens at one and the same angle."""
    rates = "".join(f"{_bare(rate, 'rate', check):>11}" for rate in found.rates)
    verdicts = "".join(f"{verdict:>11}" for verdict in found.verdicts)
    rows = [
        "Switch angles [deg], latencies made good: what a switch does stays where it is",
        f"  {'at strokes a minute':<29}{'':>10}{rates}",
        f"  {'the cycle then is':<29}{'acts at':>10}{verdicts}",
    ]
    for each in found.switches:
        angles = "".join(f"{_deg(angle):>11}" for angle in each.angles)
        rows.append(f"  {_cut(each.name, 29):<29}{_deg(each.acts):>10}{angles}")
    for rate, failing in zip(found.rates, found.failing, strict=True):
        if failing:
            rows.append(_wrapped(f"At {_bare(rate, 'rate', check)} it fails by: {', '.join(failing)}.", "  ", "    "))
    return "\n".join(rows)


def _cut(text: str, room: int) -> str:
    return text if len(text) < room else f"{text[: room - 2]}…"


def _deg(angle: float) -> str:
    return f"{float(to_unit(angle, 'deg')):.1f}"


def _bare(value: float, dimension: str, check: Check) -> str:
    return show(value, dimension, check.units).split(" ")[0]


def _heights(found: Setup, check: Check) -> str:
    def size(length: float) -> str:
        return show(length, "length", check.units)

    lines = [f"Stripper travel: {size(found.travel)}"]
    if found.travel_needed is not None:
        left = size(found.travel - found.travel_needed)
        lines[0] += (
            f"; to clamp over every tap with its allowance {size(found.travel_needed)} is needed by the rigid reading: "
            f"{left} is left, as for regrinding."
        )
    else:
        lines[0] += "."
    shift = found.bdc_shift
    how = "at its nominal BDC" if shift == 0.0 else f"{size(abs(shift))} {'deeper' if shift > 0.0 else 'higher'}"
    lines.append(f"Shut height: all of this holds with the slide {how}; heights set otherwise move every angle here.")
    return "\n".join(_wrapped(line) for line in lines)


def _tap(each: TapSetup, check: Check) -> str:
    def size(length: float) -> str:
        return show(length, "length", check.units)

    forms = f" (form {' or '.join(each.forms)})" if each.forms else ""
    drive = (
        f"gearing {show(each.gearing, 'gearing', check.units)}, engages {size(each.engage_height)} above BDC, "
        if each.gearing is not None and each.engage_height is not None
        else "motor-driven, "
    )
    gap = (
        f"at full depth its point stands {size(each.protrusion)} out of the far face: a sensor's gap must be less, and "
        "more than nothing"
        if each.protrusion > 0.0
        else "at full depth its point does not come out of the far face: no sensor can see it there"
    )
    return _wrapped(
        f"Tap {each.name}: {each.thread}, {each.kind} tap, chamfer {each.chamfer:g} pitches{forms}, "
        f"hole {size(each.hole)} ({each.hole_from}); at rest {size(each.rest_clearance)} clear; {drive}"
        f"{each.turns:.2f} turns, {size(each.depth)} deep; {gap}."
    )


def _spring(each: SpringSetup, check: Check) -> str:
    rated = "" if each.rated is None else f" of {show(each.rated, 'length', check.units)} rated"
    return _wrapped(
        f"Spring {each.name}: {each.count} {each.kind}, {show(each.preload, 'force', check.units)} together at rest, "
        f"{show(each.bdc_force, 'force', check.units)} at BDC; {show(each.used, 'length', check.units)} used{rated}."
        f"{_lasting(each.lasting)}"
    )


def _lasting(known: Lasting | None) -> str:
    """When the springs are due to be changed."""
    if known is None:
        return ""
    share = f" Deflected by {100.0 * known.share:.1f} % of their free length"
    if known.strokes == 0.0:
        return f"{share} they are beyond what their load class bears: {BASIS}."
    if math.isinf(known.strokes):
        return f"{share} they last more than {count(AVERAGE_LIFE)} strokes: {BASIS}."
    days = "" if known.days is None else f", that is every {math.floor(known.days)} days"
    return f"{share} they are due to be changed every {count(known.strokes)} strokes{days}: {BASIS}."


def _guarding(found: Guarding, check: Check) -> str:
    """No figure without the standard it is of and who decides."""
    time, rate = show(found.stopping, "time", check.units), show(found.rate, "rate", check.units)
    rows = [
        "Guarding arithmetic: for reference only, not for use",
        _wrapped(NOT_FOR_USE, "  "),
        _wrapped(f"Signal to rest at {rate}, the control's scan with it: {time}.", "  "),
    ]
    for each in found.references:
        figure = each.figure
        size = show(float(figure.distance), "length", check.units)
        told = f"{figure.standard}, {figure.formula}: {each.part} is {size}; {each.lacks}. {figure.decides}"
        rows.append(_wrapped(told, "  ", "    "))
    return "\n".join(rows)


def _looks(found: Setup) -> str:
    rows = ["Turn the press over by hand, power off, and look:"]
    rows += [_wrapped(f"{_deg(look.angle):>7} deg  {look.says}.", "  [ ]", " " * 18) for look in found.looks]
    return "\n".join(rows)
