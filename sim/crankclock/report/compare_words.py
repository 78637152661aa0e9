"""Two scenarios side by side as text, 80 columns wide: what was changed, then what it did, worst first."""

from __future__ import annotations

from crankclock.report.lines import cut, named, wrapped
from crankclock.studies.check import CAUTION, Check, Finding
from crankclock.studies.compare import Comparison, EventChange, Figure, KeyChange, RuleChange
from crankclock.units import System, show, to_unit

KEY, VALUE = 36, 20
RULE, SIDE, GAIN = 36, 17, 10
LISTED = 3
"""So many items of a list are shown."""


def as_text(found: Comparison) -> str:
    """The whole comparison as text, ending in a line break."""
    parts = [_head(found), _keys(found), _rules(found), _events(found), _figures(found), _notes(found)]
    return "\n\n".join([*(part for part in parts if part), wrapped(f"Caution: {CAUTION}")]) + "\n"


def _head(found: Comparison) -> str:
    one, two = found.first, found.second
    lines = [wrapped(f"Compare: {one.title}")]
    if two.title != one.title:
        lines.append(wrapped(f"   with: {two.title}", "         "))
    lines += ["", *_side("first", one), *_side("second", two), "", _verdict(found)]
    return "\n".join(lines)


def _side(name: str, check: Check) -> list[str]:
    rate = show(float(check.machine.crank.rate), "rate", check.units)
    said = f"  {name:<8}{check.loaded.name}, {rate}, {check.reading} reading: {check.verdict.upper()}"
    return [
        wrapped(said, "          "),
        *(wrapped(f"with {each}", " " * 12, " " * 10) for each in check.loaded.overrides),
    ]


def _verdict(found: Comparison) -> str:
    one, two = found.first.verdict, found.second.verdict
    worse = sum(each.worse > 0 for each in found.rules)
    better = sum(each.worse < 0 for each in found.rules)
    said = (
        f"The verdict stays {two.upper()}." if one == two else f"The verdict turns from {one.upper()} to {two.upper()}."
    )
    if not found.changed_rules and not found.moved_events:
        return wrapped(f"{said} Nothing in the cycle differs.")
    counts = f"{len(found.changed_rules)} findings differ"
    return wrapped(f"{said} {counts}: {worse} with a worse status, {better} with a better one.")


def _keys(found: Comparison) -> str:
    if not found.keys:
        return "What was changed: no key differs."
    rows = [f"  {'What was changed':<{KEY}}{'first':>{VALUE}}{'second':>{VALUE}}"]
    for each in found.keys:
        cells = [_value(each, side, found.first.units) for side in (0, 1)]
        if max(len(cell) for cell in cells) < VALUE and len(each.path) <= KEY:
            rows.append(f"  {each.path:<{KEY}}" + "".join(f"{cell:>{VALUE}}" for cell in cells))
        else:
            rows += [f"  {cut(each.path, 78)}", *(wrapped(f"{cell}", " " * 8, "      ") for cell in cells)]
    if any(any(each.assumed) for each in found.keys):
        rows.append("  (~ the scenario does not say: its default)")
    return "\n".join(rows)


def _value(each: KeyChange, side: int, units: System) -> str:
    """A value as reports speak; a tilde where it is a default."""
    value = (each.first, each.second)[side]
    if each.table:
        return "there" if value else "not there"
    if value is None:
        return "not given"
    return _said(value, each.dimension, units) + ("~" if each.assumed[side] else "")


def _said(value: object, dimension: str | None, units: System) -> str:
    if isinstance(value, tuple):
        shown = [_said(item, dimension, units) for item in value[:LISTED]]
        return ", ".join(shown) + (f" and {len(value) - LISTED} more" if len(value) > LISTED else "")
    if isinstance(value, float):
        return f"{value:g}" if dimension is None else show(value, dimension, units)
    return str(value)


def _rules(found: Comparison) -> str:
    changed = found.changed_rules
    if not changed:
        return ""
    gone = [each for each in changed if each.second is None]
    held = [each for each in changed if each.first is None and each.second and each.second.status == "pass"]
    head = f"  {'What it did, worst first':<{RULE}}{'first':>{SIDE}}{'second':>{SIDE}}"
    rows = [head]
    for each in changed:
        if each not in gone and each not in held:
            rows += _rule(each, found)
    same = len(found.rules) - len(changed)
    if same:
        rows.append(f"  {same} finding{'s' if same != 1 else ''} the same on both sides.")
    for words, some in (("Apply only to the second, and hold", held), ("Apply only to the first", gone)):
        if some:
            rows.append(
                wrapped(f"{words}: {', '.join(named(each.rule, each.subject) for each in some)}.", "    ", "  ")
            )
    return "\n".join(rows)


def _rule(each: RuleChange, found: Comparison) -> list[str]:
    """A line with both margins and statuses; where the status fell, what happens now."""
    cells = [_finding(side, found.first.units) for side in (each.first, each.second)]
    name = named(each.rule, each.subject)
    lines = [f"  {cut(name, RULE - 1):<{RULE}}" + "".join(f"{cell:>{SIDE}}" for cell in cells) + _sign(each)]
    new = (
        each.first is None and each.second is not None and (each.second.status in ("fail", "tight") or each.second.core)
    )
    if each.second is not None and (each.worse > 0 or new):
        lines.append(wrapped(each.second.says, "      ", "      "))
    return lines


def _finding(each: Finding | None, units: System) -> str:
    if each is None:
        return "does not apply"
    if each.status == "not judged":
        return "not judged"
    status = {"fail": "FAIL", "tight": "tight", "pass": ""}[each.status]
    margin = "" if each.margin is None else show(each.margin, each.dimension, units)
    return f"{status} {margin}".strip()


def _sign(each: RuleChange) -> str:
    return " worse" if each.worse > 0 else " better" if each.worse < 0 else ""


def _events(found: Comparison) -> str:
    moved = found.moved_events
    if not moved:
        return ""
    rows = [f"  {'Event [dial deg]':<{RULE}}{'first':>{GAIN}}{'second':>{GAIN}}{'later by':>{GAIN}}"]
    rows += [_event(each) for each in moved if all(each.there)]
    same = len(found.events) - len(moved)
    if same:
        rows.append(f"  {same} event{'s' if same != 1 else ''} at the same angle.")
    for words, side in (("first", 0), ("second", 1)):
        alone = [each.id for each in moved if each.there[side] and not each.there[1 - side]]
        if alone:
            rows.append(wrapped(f"Only in the {words}: {', '.join(alone)}.", "    ", "  "))
    return "\n".join(rows)


def _event(each: EventChange) -> str:
    cells = [_deg(angle) for angle in (each.first, each.second)]
    change = "" if each.change is None else f"{float(to_unit(each.change, 'deg')):+.2f}"
    return f"  {cut(each.id, RULE - 1):<{RULE}}" + "".join(f"{cell:>{GAIN}}" for cell in [*cells, change])


def _deg(angle: float | None) -> str:
    return "never" if angle is None else f"{float(to_unit(angle, 'deg')):.2f}"


def _figures(found: Comparison) -> str:
    if not found.figures:
        return ""
    rows = [f"  {'Figure':<{RULE}}{'first':>{SIDE}}{'second':>{SIDE}}"]
    for each in found.figures:
        cells = [_figure(value, each, found.first.units) for value in (each.first, each.second)]
        rows.append(f"  {cut(each.name, RULE - 1):<{RULE}}" + "".join(f"{cell:>{SIDE}}" for cell in cells))
    return "\n".join(rows)


def _figure(value: float | None, each: Figure, units: System) -> str:
    if value is None:
        return "none"
    return f"{value:.2f}" if each.dimension is None else show(value, each.dimension, units)


def _notes(found: Comparison) -> str:
    return "\n".join(["Note", *(wrapped(each, "  ", "  ") for each in found.notes)]) if found.notes else ""
