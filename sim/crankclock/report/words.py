"""The verdict as text, readable at 80 columns: worst first, then the order of the cycle, then what was assumed."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable

from crankclock.cycle import Reading, running_needs
from crankclock.report.data import assumption
from crankclock.report.setup_words import sheet
from crankclock.studies.check import CAUTION, Check, Event, Finding, TapFigures
from crankclock.units import show, to_unit

WIDTH = 80
MARKS = {"fail": "FAIL", "tight": "tight", "pass": "pass", "not judged": "not judged"}
VERDICTS = {
    "pass": "PASS: every rule that was judged holds with its allowance.",
    "tight": "TIGHT: nothing collides, but a margin is below its allowance.",
    "fail": "FAIL: {failing} not hold.",
    "incomplete": "INCOMPLETE: a core rule could not be judged. This is not a pass.",
}


def as_text(check: Check) -> str:
    """The whole verdict as text, ending in a line break."""
    parts = [
        _head(check),
        *_findings(check),
        _events(check),
        _taps(check),
        _feed(check),
        *([] if check.setup is None else sheet(check, check.setup)),
        _assumed(check),
        _wrapped(f"Caution: {CAUTION}"),
    ]
    return "\n\n".join(part for part in parts if part) + "\n"


def _wrapped(text: str, indent: str = "", first: str | None = None) -> str:
    return textwrap.fill(
        text, WIDTH, initial_indent=indent if first is None else first, subsequent_indent=indent, break_on_hyphens=False
    )


def _head(check: Check) -> str:
    rate = show(float(check.machine.crank.rate), "rate", check.units)
    lacks = running_needs(check.machine)
    only = " only" if check.reading == "rigid" and lacks else ""
    lines = [_wrapped(check.title), f"{rate}, {check.reading} reading{only}, scenario {check.loaded.name}"]
    if only:
        lines.append(
            _wrapped(f"What it does at speed, with masses and springs, is not judged: {', '.join(lacks)} not given.")
        )
    lines += [_wrapped(f"with {each}", "  ") for each in check.loaded.overrides]
    unjudged = sum(each.status == "not judged" for each in check.findings)
    tail = f" {unjudged} rule{'s' if unjudged != 1 else ''} not judged, named below." if unjudged else ""
    failing = sum(each.status == "fail" for each in check.findings)
    said = VERDICTS[check.verdict].format(failing=f"{failing} rule{'s do' if failing != 1 else ' does'}")
    return "\n".join([*lines, "", _wrapped(said + tail)])


def _findings(check: Check) -> list[str]:
    shown = [each for each in check.worst if each.status in ("fail", "tight")]
    core = [each for each in check.worst if each.status == "not judged" and each.core]
    rest = [each for each in check.worst if each.status == "not judged" and not each.core]
    held = [each for each in check.worst if each.status == "pass"]
    blocks = []
    if shown or core:
        blocks.append("\n".join(["What breaks or is tight", *(_finding(each, check) for each in [*shown, *core])]))
    if held:
        blocks.append("\n".join(["What holds", *(_finding(each, check) for each in held)]))
    if rest:
        blocks.append("\n".join(["Not judged", *_unjudged(rest)]))
    return blocks


def _unjudged(findings: list[Finding]) -> list[str]:
    """One entry for each rule, with what its tools lack."""
    by_rule: dict[str, list[Finding]] = {}
    for each in findings:
        by_rule.setdefault(each.rule, []).append(each)
    lines = []
    for rule, group in by_rule.items():
        lacks = dict.fromkeys(each.says.removeprefix("Not judged: ").rstrip(".") for each in group)
        lines.append(_wrapped(f"{rule}: {'; '.join(lacks)}", "    ", "  "))
    return lines


def _name(finding: Finding) -> str:
    return finding.rule + (f" {finding.subject.replace(':', ' ')}" if finding.subject else "")


def _finding(finding: Finding, check: Check) -> str:
    by_hand = ", by hand" if finding.reading == "hand" and check.reading != "hand" else ""
    head = f"{_name(finding)}{by_hand}{_margin(finding, check)}"
    mark = f"  {MARKS[finding.status]:<5} "
    return f"{_wrapped(head, '        ', mark)}\n{_wrapped(finding.says, '        ')}"


def _margin(finding: Finding, check: Check) -> str:
    if finding.margin is None:
        return ""
    margin = show(finding.margin, finding.dimension, check.units)
    allowance = finding.allowance or 0.0
    wanted = f" (allowance {show(allowance, finding.dimension, check.units)})" if allowance else ""
    return f": {margin}{wanted}"


def _events(check: Check) -> str:
    """The events in the order of the cycle, by every reading."""
    head = "".join(f"{name:>10}" for name in _columns(check))
    rows = [f"  {'event':<28}{'time':>11}{head}"]
    rows += [_event(each, check) for each in check.events if each.angle is not None]
    absent = [each.id for each in check.events if each.angle is None and not each.id.endswith(".retouch")]
    lines = ["Order of the cycle (dial degrees from the TDC that starts the stroke)", *rows]
    if absent:
        lines.append(_wrapped("Does not happen: " + ", ".join(absent) + ".", "  "))
    return "\n".join(lines)


def _columns(check: Check) -> tuple[Reading, ...]:
    return tuple(check.readings.all())


def _event(event: Event, check: Check) -> str:
    assert event.angle is not None
    angles: dict[Reading, float | None] = {"hand": event.hand, "rigid": event.rigid, "running": event.running}
    dials = [angles[name] for name in _columns(check)]
    said = "".join(f"{'' if each is None else format(float(to_unit(each, 'deg')), '.2f'):>10}" for each in dials)
    time = "" if event.seconds is None else f"{float(to_unit(event.seconds, 'ms')):.1f} ms"
    return f"  {event.id:<28}{time:>11}{said}"


def _taps(check: Check) -> str:
    return "\n".join(_tap(each, check) for each in check.taps)


def _tap(tap: TapFigures, check: Check) -> str:
    how = (
        "motor-driven" if tap.engage_height is None else f"engages at {show(tap.engage_height, 'length', check.units)}"
    )
    said = [f"Tap {tap.name}: {how}, {tap.turns or 0.0:.2f} turns"]
    if tap.peak_speed_in_cut is not None and tap.peak_speed is not None:
        rule = "" if tap.mean_rule_speed is None else f", where the mean-speed rule says {60 * tap.mean_rule_speed:.0f}"
        said.append(
            f"{60 * tap.peak_speed_in_cut:.0f} /min at most while it cuts ({60 * tap.peak_speed:.0f} either way){rule}"
        )
    if tap.peak_acceleration is not None and tap.speed_step is not None:
        step = f", stepping by {60 * tap.speed_step:.0f} /min at most" if tap.speed_step > 0.0 else ""
        said.append(f"{show(tap.peak_acceleration, 'angular_acceleration', check.units)} at most{step}")
    if tap.peak_cut_speed is not None:
        said.append(f"{show(tap.peak_cut_speed, 'speed', check.units)} cutting speed")
    if tap.full_depth is not None:
        said.append(f"{show(tap.full_depth, 'length', check.units)} deep")
    return _wrapped("; ".join(said) + ".", "  ", "")


def _feed(check: Check) -> str:
    feed = check.feed
    if feed is None:
        return "No feeder is given: the feed is not judged."
    if feed.window_start is None or feed.window_end is None or feed.slack is None:
        return "There is no feed window: something is always in the strip."

    def deg(angle: float) -> str:
        return show(angle, "angle", "metric")

    early, late = feed.window_start - feed.start, -feed.slack
    told = [f"it starts {deg(early)} before the window opens"] if early > 0.0 else []
    told.append(f"it ends {deg(late)} after the window closes" if late > 0.0 else f"{deg(-late)} are left after it")
    return _wrapped(
        f"Feed window {deg(feed.window_start)} to {deg(feed.window_end)}; the feed takes {deg(feed.start)} to "
        f"{deg(feed.end)}: {', '.join(told)}.",
        "  ",
        "",
    )


def _assumed(check: Check) -> str:
    lines: Iterable[str] = (_wrapped(assumption(each, check.units), "    ", "  ") for each in check.assumed)
    notes = "\n".join(_wrapped(note, "  ", "  ") for note in check.notes)
    return "\n".join(["Assumed, because the scenario does not say", *lines, "", "Note", notes])
