"""A sweep as text, readable at 80 columns: the ceiling first, then the readings side by side and every rule's limit."""

from __future__ import annotations

import itertools
import textwrap
from collections.abc import Iterable, Mapping

from crankclock.cycle import Reading
from crankclock.report.data import assumption
from crankclock.report.sweep_data import down, up
from crankclock.studies.check import CAUTION
from crankclock.studies.rate_limits import End, Limit, Name
from crankclock.studies.rate_scan import CRANK, Ranges
from crankclock.studies.sweep import Sweep
from crankclock.units import show

WIDTH, NAMED = 80, 48
"""Of the text, and of a rule's name with its margin."""
STATUS = {
    "pass": "holds with every allowance",
    "tight": "holds, but is tight",
    "fail": "FAILS",
}
LEAVES_OUT: Mapping[Reading, str] = {
    "rigid": "With everything rigid: springs, bounce and inertia, which bind at speed, are not judged.",
    "hand": "Turned over by hand: what takes time is not judged, nor springs, bounce and inertia.",
}
"""What a reading that knows less than the running one leaves out."""
INCOMPLETE = "INCOMPLETE: a core rule could not be judged. No rate is called passing."
INTERRUPTED = "INTERRUPTED before all was worked out. No rate is called passing."
CRANK_WORDS = "the crank cannot make the stroke"


def as_text(sweep: Sweep) -> str:
    """The whole sweep as text, ending in a line break."""
    parts = [_head(sweep), _readings(sweep), _failing(sweep), _limits(sweep), _unjudged(sweep), _assumed(sweep)]
    return "\n\n".join([*(part for part in parts if part), _wrapped(f"Caution: {CAUTION}")]) + "\n"


def spoken(key: Name) -> str:
    """A rule and its tool: "cut-speed tap m4"."""
    return key[0] if key[1] is None else f"{key[0]} {key[1].replace(':', ' ', 1)}"


def between(low: float, high: float) -> str:
    """A range of rates that pass, rounded to the passing side, and finer where it is very narrow."""
    for digits in range(1, 6):
        if up(low, digits) <= down(high, digits):
            break
    return f"{up(low, digits):.{digits}f} to {down(high, digits):.{digits}f}"


def headline(sweep: Sweep) -> list[str]:
    """The verdict in sentences."""
    swept, rate = sweep.swept, f"{show(sweep.rate, 'rate', 'metric')}"
    span = f"{show(sweep.low, 'rate', 'metric').split()[0]} to {show(sweep.high, 'rate', 'metric')}"
    if not sweep.whole:
        return [INTERRUPTED, f"Known from {span}, as far as it was scanned."]
    if swept.ceiling is None or swept.floor is None:
        lines = [f"NO RATE PASSES from {span}."]
    elif sweep.verdict == "incomplete":
        held = between(swept.floor.rate, swept.ceiling.rate)
        lines = [INCOMPLETE, f"As far as they are judged, the rules hold from {held} /min: {_above(swept.ceiling)}"]
    else:
        lines = [f"RATE CEILING {down(swept.ceiling.rate, 1):.1f} /min: {_above(swept.ceiling)}", _floor(swept.floor)]
        if swept.with_allowance is None:
            lines.append("There is no rate in this range at which every allowance is kept.")
        else:
            as_given = " with the contact values as they are" if sweep.contacts and sweep.contacts.failing else ""
            lines.append(f"Every allowance is kept up to {down(swept.with_allowance, 1):.1f} /min{as_given}.")
    if swept.ceiling is not None:
        lines += [LEAVES_OUT[sweep.reading]] if sweep.reading in LEAVES_OUT else _contacts(sweep)
    where = f"lies outside the span: see check {sweep.loaded.name}" if sweep.status is None else STATUS[sweep.status]
    return [*lines, f"The scenario's own rate, {rate}, {where}."]


def _above(ceiling: End) -> str:
    return f"above it {_gives(ceiling)}." if ceiling.binding else "there the span ends, and nothing has failed."


def _floor(floor: End) -> str:
    below = f"below it {_gives(floor)}" if floor.binding else "there the span ends"
    return f"Floor {up(floor.rate, 1):.1f} /min: {below}."


def binding_words(end: End) -> list[str]:
    """What fails just beyond an end, each as a name."""
    return [CRANK_WORDS if each[0] == CRANK else spoken(each) for each in end.binding]


def _gives(end: End) -> str:
    """What fails just beyond an end."""
    names = binding_words(end)
    if CRANK_WORDS in names:
        return CRANK_WORDS
    if len(names) > 3:
        return f"{', '.join(names[:2])} and {len(names) - 2} more fail"
    *first, last = names
    return f"{', '.join(first)} and {last} fail" if first else f"{last} fails"


def _contacts(sweep: Sweep) -> list[str]:
    """What the guessed contact values make of the range."""
    found = sweep.contacts
    if found is None:
        return []
    said = "With contact stiffness and damping, which are guesses, halved and doubled"
    failing = found.failing[0] if found.failing else None
    by = f"{spoken(failing[:2])} fails with {failing[2].words}" if failing else ""
    if found.low is None or found.high is None:
        return [f"{said}, NO RATE is left that passes with all of them: {by}."]
    if failing is None:
        return [f"{said}, the ceiling stays where it is."]
    return [f"{said}, what passes with all of them is {between(found.low, found.high)} /min: above it {by}."]


def _wrapped(text: str, indent: str = "", first: str | None = None) -> str:
    return textwrap.fill(
        text, WIDTH, initial_indent=indent if first is None else first, subsequent_indent=indent, break_on_hyphens=False
    )


def _head(sweep: Sweep) -> str:
    span = f"{show(sweep.low, 'rate', 'metric').split()[0]} to {show(sweep.high, 'rate', 'metric')}"
    lines = [_wrapped(sweep.title), f"{span}, {sweep.reading} reading, scenario {sweep.loaded.name}"]
    lines += [_wrapped(f"with {each}", "  ") for each in sweep.loaded.overrides]
    first, *rest = headline(sweep)
    return "\n".join([*lines, "", _wrapped(first), *(_wrapped(each, "  ", "  ") for each in rest)])


def _readings(sweep: Sweep) -> str:
    """The passing ranges by every reading, side by side."""
    held = "rules hold, as far as judged" if sweep.verdict == "incomplete" else "passes"
    lines = [f"{'By reading [/min]':<20}{held:<30}with every allowance"]
    for reading, swept in sweep.readings.items():
        pairs = itertools.zip_longest(_each(swept.passing), _each(swept.spare), fillvalue="")
        for k, (passing, spare) in enumerate(pairs):
            lines.append(f"  {reading if k == 0 else '':<18}{passing:<30}{spare}".rstrip())
    return "\n".join(lines)


def _each(ranges: Ranges) -> list[str]:
    return [between(*each) for each in ranges] or ["none"]


def _failing(sweep: Sweep) -> str:
    bands = sweep.swept.failing
    if not bands:
        return ""
    lines = [f"Fails [/min], {sweep.reading} reading"]
    for band in bands:
        first = f"  {f'{down(band.low, 1):.1f} to {up(band.high, 1):.1f}':<18}"
        names = ", ".join(CRANK_WORDS if each[0] == CRANK else spoken(each) for each in band.rules)
        lines.append(_wrapped(names, " " * len(first), first))
    return "\n".join(lines)


def _limits(sweep: Sweep) -> str:
    """Every rule that fails or is short of its allowance somewhere in the span, the first to give way first."""
    others = {
        reading: {each.key: each for each in swept.limits}
        for reading, swept in sweep.readings.items()
        if reading != sweep.reading
    }
    shown = [each for each in sweep.swept.limits if _limited(each)]
    quiet = [spoken(each.key) for each in sweep.swept.limits if not _limited(each)]
    columns = "".join(f"{name:>16}" for name in (sweep.reading, *others))
    at = f"at {show(sweep.rate, 'rate', 'metric')}"
    lines = [
        f"{'Holds up to [/min]':<{NAMED}}{columns}",
        f"{_beside('  rule', at)}" + f"{'fail':>8}{'tight':>8}" * (1 + len(others)),
    ]
    for limit in shown:
        same = [found.get(limit.key) for found in others.values()]
        lines.append(_row(limit, same, sweep))
        if limit.floor is not None or len(limit.holds) > 1:
            ranges = " and ".join(_each(limit.holds))
            lines.append(_wrapped(f"holds from {ranges}", "      ", "      "))
    block = [] if not shown else ["\n".join(lines)]
    if quiet:
        block.append(_wrapped(f"Keep their allowance over the whole span: {', '.join(quiet)}.", "  ", ""))
    return "\n\n".join(block)


def _limited(limit: Limit) -> bool:
    return any(each is not None for each in (limit.ceiling, limit.with_allowance, limit.floor)) or len(limit.spare) != 1


def _row(limit: Limit, others: Iterable[Limit | None], sweep: Sweep) -> str:
    margin = "" if limit.margin is None else show(limit.margin, limit.dimension, sweep.units)
    name = CRANK_WORDS if limit.rule == CRANK else spoken(limit.key)
    row = _beside(f"  {name}", margin)
    for each in (limit, *others):
        ends = (None, None) if each is None else (each.ceiling, each.with_allowance)
        row += "".join(f"{'' if each is None else _cell(end):>8}" for end in ends)
    return row.rstrip()


def _beside(name: str, margin: str) -> str:
    """A name and its margin in one column, or below each other where they do not fit."""
    room = NAMED - len(name)
    return f"{name}{margin:>{room}}" if len(margin) < room else f"{name}\n{margin:>{NAMED}}"


def _cell(rate: float | None) -> str:
    if rate is None:
        return "–"
    return f"{down(rate, 1):.1f}" if rate > 0.0 else "nowhere"


def _unjudged(sweep: Sweep) -> str:
    """One entry for each rule, with what its tools lack; core rules first."""
    if not sweep.unjudged:
        return ""
    by_rule: dict[str, dict[str, None]] = {}
    for each in sorted(sweep.unjudged, key=lambda each: not each.rule.core):
        lacks = each.missing.why or f"{', '.join(each.missing.keys)} not given"
        name = f"{each.rule.name}{', CORE' if each.rule.core else ''}"
        by_rule.setdefault(name, {})[lacks] = None
    return "\n".join(
        ["Not judged", *(_wrapped(f"{rule}: {'; '.join(why)}", "    ", "  ") for rule, why in by_rule.items())]
    )


def _assumed(sweep: Sweep) -> str:
    lines = [_wrapped(assumption(each, sweep.units), "    ", "  ") for each in sweep.assumed]
    notes = [_wrapped(note, "  ", "  ") for note in sweep.notes]
    return "\n".join(["Assumed, because the scenario does not say", *lines, "", "Note", *notes])
