"""The gearing study as text, 80 columns wide: options side by side, then the choice in words."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from crankclock.report.lines import cut, listed, named, wrapped
from crankclock.report.sweep_data import down
from crankclock.studies.check import CAUTION
from crankclock.studies.gearing import Gearings, Group, Option
from crankclock.units import System, show, to_unit

LABEL, COLUMN, ACROSS = 28, 10, 5
NEAR = 0.005
"""Two figures closer than this share are told as the same."""

Cell = Callable[[Option], str]


def as_text(found: Gearings) -> str:
    """The whole study as text, ending in a line break."""
    parts = [_head(found)]
    for group in found.groups:
        parts += [_title(group), *_tables(group, found), *_choice(group, found)]
    parts += [_notes(found), wrapped(f"Caution: {CAUTION}")]
    return "\n\n".join(part for part in parts if part) + "\n"


def _head(found: Gearings) -> str:
    base = found.base
    rate = show(float(base.machine.crank.rate), "rate", base.units)
    lines = [wrapped(f"Gearings: {base.title}"), f"{rate}, {base.reading} reading, scenario {base.loaded.name}"]
    return "\n".join([*lines, *(wrapped(f"with {each}", "    ", "  ") for each in base.loaded.overrides)])


def _title(group: Group) -> str:
    if len(group.taps) > 1:
        return wrapped(
            f"Taps {listed(group.taps)}: they list the same gearings and are changed together; each figure is the "
            "greatest of theirs. --tap changes one alone."
        )
    return f"Tap {group.taps[0]}"


def _tables(group: Group, found: Gearings) -> list[str]:
    options = group.options
    return [_table(options[at : at + ACROSS], group, found.base.units) for at in range(0, len(options), ACROSS)]


def _table(options: Sequence[Option], group: Group, units: System) -> str:
    rows = [_row(label, [cell(each) for each in options]) for label, cell in _cells(group, units)]
    return "\n".join(rows)


def _row(label: str, cells: Sequence[str]) -> str:
    return f"  {cut(label, LABEL):<{LABEL}}" + "".join(f"{cut(each, COLUMN - 1):>{COLUMN}}" for each in cells)


def _cells(group: Group, units: System) -> list[tuple[str, Cell]]:
    """Each line's label, and how an option fills it; lengths and speeds in the units of the report."""

    def unit(dimension: str) -> str:
        return show(1.0, dimension, units).split(" ", 1)[1]

    def size(value: float | None, dimension: str, absent: str = "-") -> str:
        return absent if value is None else show(value, dimension, units).split(" ", 1)[0]

    def turns(value: float | None) -> str:
        return "-" if value is None else f"{60.0 * value:.0f}"

    def rate(value: float | None) -> str:
        return "none" if value is None else f"{down(value, 1):.1f}"

    length = unit("length")
    rows: list[tuple[str, Cell]] = [
        (f"gearing [turns {unit('gearing')}]", lambda each: size(each.gearing, "gearing") + ("*" if each.own else " ")),
        (f"engages above BDC [{length}]", lambda each: size(each.engage_height, "length")),
        (f"drive travel used [{length}]", lambda each: size(each.drive_travel, "length")),
        (f"stripper travel needed [{length}]", lambda each: size(each.travel_needed, "length", "none does")),
        ("turns to full depth", lambda each: "-" if each.turns is None else f"{each.turns:.2f}"),
        ("peak speed in cut [/min]", lambda each: turns(each.peak_in_cut)),
        ("mean-speed rule [/min]", lambda each: turns(each.mean_rule)),
        (f"cutting speed [{unit('speed')}]", lambda each: size(each.peak_cut_speed, "speed")),
        ("in the strip from [deg]", lambda each: size(each.touch, "angle")),
        ("in the strip until [deg]", lambda each: size(each.leave, "angle")),
        ("feed window [deg]", lambda each: size(each.window, "angle")),
        ("  left by the feed [deg]", lambda each: size(each.slack, "angle")),
        ("verdict at the rate", lambda each: each.verdict),
        ("rate ceiling [/min]", lambda each: rate(each.ceiling)),
        ("  with every allowance", lambda each: rate(each.spare)),
    ]
    if any(each.rated is not None for each in group.options):
        rows.insert(3, (f"  rated for [{length}]", lambda each: size(each.rated, "length")))
    return rows


def _choice(group: Group, found: Gearings) -> list[str]:
    """What binds each option, what a lower or higher gearing brings, and which one to take."""
    units = found.base.units
    lines = ["What binds" + (" (* the scenario's own)" if len(group.options) > 1 else "")]
    lines += [wrapped(_binds(each, units), "      ", "  ") for each in group.options]
    told = ["\n".join(lines)]
    if len(group.options) > 1:
        told.append(wrapped(_trade(group, found)))
    told.append(_best(group, found))
    if group.moved_height:
        heights = listed([f"tap.{name}.drive.engage_height" for name in group.taps])
        told.append(
            wrapped(
                f"The scenario gives {heights}: with another gearing that height would no longer bring the tap to the "
                "depth it was set for. For every other gearing it is moved so that the spindle makes the same turns."
            )
        )
    return told


def _gearing(each: Option, units: System) -> str:
    return show(each.gearing, "gearing", units) + ("*" if each.own else "")


def _rate(ceiling: float) -> str:
    return f"{down(ceiling, 1):.1f} /min"


def _binds(each: Option, units: System) -> str:
    if each.ceiling is None:
        lacking = [named(*name) for name in each.failing] or _unjudged(each)
        return f"{_gearing(each, units)}: no rate passes; at the scenario's rate: {', '.join(lacking)}."
    names = [named(*name) for name in each.binds]
    ceiling = _rate(each.ceiling)
    what = listed(names) if names else "nothing; the rates looked at end there"
    own = (
        f" At the scenario's rate it fails: {', '.join(named(*name) for name in each.failing)}." if each.failing else ""
    )
    return f"{_gearing(each, units)}: {ceiling}, {what}.{own}"


def _unjudged(each: Option) -> list[str]:
    return [f"{named(one.rule, one.subject)} not judged" for one in each.check.worst if one.status == "not judged"]


def _trade(group: Group, found: Gearings) -> str:
    """What the lowest gearing spares and takes against the highest."""
    units, low, high = found.base.units, group.options[0], group.options[-1]

    def against(what: str, one: float | None, other: float | None, say: Callable[[float], str]) -> list[str]:
        if one is None or other is None or abs(one - other) <= NEAR * max(abs(one), abs(other)):
            return []
        return [f"{what} {say(one).split(' ', 1)[0]} against {say(other)}"]

    def length(value: float) -> str:
        return show(value, "length", units)

    def degrees(value: float) -> str:
        return f"{float(to_unit(value, 'deg')):.1f} deg"

    told = [
        *against("peak speed in the cut", low.peak_in_cut, high.peak_in_cut, lambda value: f"{60.0 * value:.0f} /min"),
        *against("drive travel", low.drive_travel, high.drive_travel, length),
        *against("stripper travel needed", low.travel_needed, high.travel_needed, length),
        *against("in the strip", _span(low), _span(high), degrees),
        *against("left of the feed window", low.slack, high.slack, degrees),
    ]
    said = "A lower gearing makes the same turns over more of the stroke: it spares the tap and eats stroke."
    if told:
        said += f" {_gearing(low, units)} against {_gearing(high, units)}: {', '.join(told)}."
    return said + _mean_rule(group.own)


def _span(each: Option) -> float | None:
    return None if each.touch is None or each.leave is None else each.leave - each.touch


def _mean_rule(own: Option) -> str:
    """How far the mean-speed rule is off."""
    if own.peak_in_cut is None or own.peak_in_cut <= 0.0:
        return ""
    off = own.peak_in_cut / own.mean_rule - 1.0
    if abs(off) <= NEAR:
        return " The mean-speed rule comes to the true peak in the cut."
    return (
        f" The mean-speed rule, 2 x stroke x gearing x rate, is {'below' if off > 0.0 else 'above'} the true peak in "
        f"the cut: the tap meets {abs(off):.0%} {'more' if off > 0.0 else 'less'} than it says."
    )


def _best(group: Group, found: Gearings) -> str:
    best, own, units = group.best, group.own, found.base.units
    if best is None:
        return wrapped("With none of these gearings any rate passes: the gearing alone does not mend this cycle.")
    assert best.ceiling is not None
    gearing, ceiling = show(best.gearing, "gearing", units), _rate(best.ceiling)
    if best.own:
        others = "the highest ceiling of all" if len(group.options) > 1 else "the only gearing listed"
        return wrapped(f"Keep {gearing}: {others}, {ceiling}.{_tight(best)}")
    if own.ceiling is None:
        than = "where the scenario's own passes at no rate"
    elif best.ceiling > own.ceiling * (1.0 + NEAR):
        than = f"where the scenario's own stops at {_rate(own.ceiling)}"
    else:
        than = "no less than the scenario's own, and the tap turns slower"
    said = wrapped(f"Best of these: {gearing}, up to {ceiling}, {than}.{_tight(best)} To have it:")
    return "\n".join([said, *(f'  --set "{each}"' for each in best.settings)])


def _tight(best: Option) -> str:
    """What the best option costs at the scenario's rate."""
    if best.spare is not None and best.verdict == "pass":
        return ""
    told = " At no rate does it keep every allowance." if best.spare is None else ""
    names = [named(each.rule, each.subject) for each in best.check.worst if each.status == best.verdict]
    if best.verdict in ("tight", "fail") and names:
        told += f" At the scenario's rate it is a {best.verdict}: " if best.verdict == "fail" else " It is tight by "
        told += f"{listed(names)}."
    return told


def _notes(found: Gearings) -> str:
    units, (low, high) = found.base.units, found.span
    notes = [
        *found.notes,
        f"Ceilings: {show(low, 'rate', units)} to {show(high, 'rate', units)} scanned every "
        f"{show(found.step, 'rate', units)} and narrowed down; the band that holds the scenario's rate counts, else "
        "the widest. A failing band narrower than that step can be missed.",
        "Stripper travel needed: by the rigid reading, to clamp over these taps with every allowance; what else moves "
        "with the stripper is not asked.",
    ]
    return "\n".join(["Note", *(wrapped(each, "  ", "  ") for each in notes)])
