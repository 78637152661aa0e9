"""Many strokes in words, for a terminal of 80 columns."""

from __future__ import annotations

import math

import numpy as np

from crankclock.report.data import assumption
from crankclock.report.lines import cut, listed, wrapped
from crankclock.studies.strokes import CAUTION, Strokes
from crankclock.studies.strokes_line import Entry, Halt
from crankclock.studies.strokes_runs import SURE, Share, Tally, Variant
from crankclock.units import show

SHOWN = 40
"""Lines of the log that are printed."""


def as_text(found: Strokes) -> str:
    """The whole report."""
    parts = [_head(found), _faults(found), _log(found), _stop(found), *_tables(found), _assumed(found), _notes(found)]
    return "\n\n".join(each for each in [*parts, wrapped(f"Caution: {CAUTION}", indent="")] if each) + "\n"


def headline(found: Strokes) -> list[str]:
    """What came of it, in a sentence or a few."""
    lines = []
    if found.verdict not in ("pass", "tight"):
        what = f": {', '.join(found.failing)}" if found.failing else ""
        lines.append(f"WITHOUT ANY FAULT check says {found.verdict.upper()}{what}. Faults come on top of that.")
    if found.restless:
        lines.append("THE LINE DOES NOT RUN: without any fault it stops, hits something or spoils parts.")
    if not found.whole:
        lines.append("NOT ALL RUNS WERE MADE: it was interrupted.")
    if not found.faults:
        return [*lines, _agrees(found)]
    used = found.variants[0]
    past = [each.fault.text for each in used.tallies if each.escaped.count]
    untried = [each.fault.text for each in used.tallies if not each.struck.count]
    if past:
        lines.append(f"GOT PAST: {listed(past)}. Parts were spoilt in later strokes, or spoilt and nobody noticed.")
    if used.late.count:
        lines.append(f"NOT STOPPED IN TIME in {_of(used.late)} runs: what the sensor protects was reached.")
    if untried:
        lines.append(f"NOT TRIED: {listed(untried)} struck in no run, so nothing is known of it.")
    if not past and not untried and not used.late.count:
        seen = "parts were spoilt only in the stroke in which the fault was seen"
        lines.append(f"NOTHING GOT PAST: {seen if used.spoilt.count else 'no part was spoilt'}.")
    if used.nuisance.count:
        lines.append(f"Stopped with nothing wrong: {_of(used.nuisance)} runs.")
    return [*lines, _agrees(found)]


def _agrees(found: Strokes) -> str:
    same = found.agreement
    if not same.events:
        return "No stroke without a fault was made whole, so none is compared with check."
    missing = "" if same.missing == 0 else f" {same.missing} events of check are missing."
    most = max(float(np.degrees(same.most)), 1e-9)
    strokes = f"{same.strokes} stroke{'s' if same.strokes != 1 else ''}"
    return (
        f"Before a fault: {strokes}, {same.events} events, each at the angle check gives, within {most:.0e} deg."
        f"{missing}"
    )


def _head(found: Strokes) -> str:
    rate, wish = show(found.rate, "rate", found.units), found.wish
    mode = "single strokes" if found.single else "running on"
    runs = f"{found.runs} run{'s' if found.runs != 1 else ''} of {wish.strokes} strokes, seed {wish.seed}"
    lines = [
        wrapped(found.title),
        f"{rate}, {mode}, {found.reading} reading, scenario {found.loaded.name}",
        f"{runs}; a run ends with its first stop",
    ]
    lines += [wrapped(f"with {each}", "  ", "  ") for each in found.loaded.overrides]
    lines += [f"  without sensor {name}" for name in wish.without]
    return "\n".join([*lines, "", *(wrapped(each) for each in headline(found))])


def _faults(found: Strokes) -> str:
    lines = ["Faults"] if found.faults else []
    for fault in found.faults:
        lines.append(f"  {cut(fault.text, 76)}")
        lines.append(wrapped(f"{fault.of.does}. Seen by: {fault.of.seen}.", "      ", "      "))
    return "\n".join(lines)


def _log(found: Strokes) -> str:
    lines = [each for each in found.told if each.kind != "event" or each in found.passed]
    if not lines:
        return ""
    title = "First run" if found.runs > 1 else "The run"
    head = f"{title} (dial degrees from the TDC that starts the stroke)"
    rest = len(lines) - SHOWN
    more = [f"  ... and {rest} more lines; -o LOG.csv writes them all"] if rest > 0 else []
    table = [f"  {'stroke':>6} {'dial':>8} {'time':>11}  who and what", *(_line(each) for each in lines[:SHOWN])]
    return "\n".join([head, *table, *more])


def _line(entry: Entry) -> str:
    mark = {"hit": "HIT: ", "bad part": "BAD PART: "}.get(entry.kind, "")
    what = f"{mark}{entry.who.replace(':', ' ')} {entry.what}" if entry.who != "line" else f"{mark}{entry.what}"
    start = f"  {entry.stroke:>6} {np.degrees(entry.dial):>8.2f} {1e3 * entry.time:>8.0f} ms  "
    return wrapped(what, " " * len(start), start)


def _stop(found: Strokes) -> str:
    halt = found.first.halt
    if halt is None:
        return "The press was not stopped in this run." if found.faults else ""
    rest = halt.rest
    dials = [float(np.degrees(found.dial(halt.stroke, each[0]))) for each in (rest.signal, rest.grip, rest.rest)]
    runs_on = float(np.degrees(rest.rest[0] - rest.signal[0]))
    said = (
        f"Stop in stroke {halt.stroke} by sensor {halt.sensor}{_why(halt, found)}: signal at {dials[0]:.1f}°, brake at "
        f"{dials[1]:.1f}°, at rest at {dials[2]:.1f}°: the slide runs on by {runs_on:.1f}° in "
        f"{1e3 * (rest.rest[1] - rest.signal[1]):.0f} ms. {_protected(halt)}"
    )
    if found.passed:
        names = [f"{each.who.replace(':', ' ')} {each.what}" for each in found.passed]
        said += f" Meanwhile: {listed(names)}."
    return wrapped(said, "  ")


def _why(halt: Halt, found: Strokes) -> str:
    these = halt.causes or halt.own
    names = listed([found.faults[k].text for k, _ in sorted(these)])
    if halt.causes:
        return f" on {names}"
    return f", with nothing wrong but the sensor ({names})" if names else ", with nothing wrong: its setting"


def _protected(halt: Halt) -> str:
    if halt.protects is None:
        return "The sensor is not said to protect anything."
    what = "the next feed" if halt.protects == "feed" else halt.protects.replace(":", " ")
    if not math.isfinite(halt.spare):
        return f"It protects {what}, which has no dial angle here."
    spare = abs(float(np.degrees(halt.spare)))
    if halt.reached:
        return f"NOT IN TIME: {what} was reached, {spare:.1f}° before rest."
    return f"That is {spare:.1f}° before {what} is due."


def _tables(found: Strokes) -> list[str]:
    return [_table(each, k, found) for k, each in enumerate(found.variants)] if found.faults else []


def _table(variant: Variant, k: int, found: Strokes) -> str:
    lines = [wrapped(f"{_which(variant, k, found)}: {_ends(variant)}", "  ")]
    lines.append("  fault                          struck  escaped      bad    after     hits")
    for each in variant.tallies:
        lines.append(_row(each))
        lines += [wrapped(f"    {said}", "      ") for said in _more(each, variant.by_chance)]
    return "\n".join(lines)


def _which(variant: Variant, k: int, found: Strokes) -> str:
    used = found.variants[0].watching
    if k == 0:
        return f"With sensors {listed(variant.watching)}" if used else "There is no sensor to look at"
    gone = [each for each in used if each not in variant.watching]
    return "Without any sensor" if not variant.watching else f"Without sensor {listed(gone)}"


def _ends(variant: Variant) -> str:
    said = f"stopped in {_of(variant.stopped)} runs, with nothing wrong in {_of(variant.nuisance)}"
    if variant.by_chance:
        said += f" ({_sure(variant.nuisance)})"
    late = f"; not in time in {_of(variant.late)}" if variant.late.count else ""
    return f"{said}{late}; parts spoilt in {_of(variant.spoilt)}"


def _row(tally: Tally) -> str:
    name, struck, escaped = cut(tally.fault.text, 28), tally.struck.count, tally.escaped.count
    return f"  {name:<28} {struck:>8} {escaped:>8} {tally.bad:>8} {tally.further:>8} {tally.hits:>8}"


def _more(tally: Tally, by_chance: bool) -> list[str]:
    said = []
    if by_chance and tally.struck.count:
        said.append(f"escapes of those that struck: {_sure(tally.escaped)}")
    by = [f"{name} {count}" for name, count in tally.seen.items() if count]
    if by:
        said.append(f"stopped on it: {listed(by)}")
    if tally.nuisance:
        said.append(f"nuisance stops: {tally.nuisance}")
    return ["; ".join(said)] if said else []


def _of(share: Share) -> str:
    return f"{share.count} of {share.of}"


def _sure(share: Share) -> str:
    """The interval of a probability, in percent."""
    interval = share.interval
    if interval is None:
        return "no run to tell from"
    low, high = (100.0 * each for each in interval)
    return f"{low:.3g} to {high:.3g} % at {100.0 * SURE:g} % confidence"


def _assumed(found: Strokes) -> str:
    lines = [wrapped(assumption(each, found.units), "    ", "  ") for each in found.assumed]
    return "\n".join(["Assumed, because the scenario does not say", *lines]) if lines else ""


def _notes(found: Strokes) -> str:
    return "\n".join(["Note", *(wrapped(each, "  ", "  ") for each in found.notes)])
