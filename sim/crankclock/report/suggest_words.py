"""What a search suggests, as text 80 columns wide: the best point, what lies on the way, how flat it is there."""

from __future__ import annotations

from crankclock.report.lines import cut, listed, named, wrapped
from crankclock.report.sweep_data import down
from crankclock.studies.check import CAUTION
from crankclock.studies.flatness import Freedom, Profile
from crankclock.studies.frontier import Point
from crankclock.studies.space import Vary
from crankclock.studies.suggest import Suggestion
from crankclock.units import show

KEY, VALUE, NARROW = 32, 15, 11
GOALS = {
    "rate": "the highest passing rate",
    "travel": "the least stripper travel that passes at {rate}",
    "change": "the least change that passes at {rate}",
}
COLUMNS = 6
"""Profile values told in a line."""


def as_text(found: Suggestion) -> str:
    """The whole suggestion as text, ending in a line break."""
    parts = [_head(found), _space(found)]
    if found.best is None:
        parts.append(_nothing(found))
    else:
        parts += [_best(found, found.best), _frontier(found), _flat(found, found.best), _profiles(found)]
    return "\n\n".join([*parts, _notes(found), wrapped(f"Caution: {CAUTION}")]) + "\n"


def headline(found: Suggestion) -> str:
    """The answer in a sentence."""
    if found.best is None:
        return "Nothing to suggest: no point that passes was found."
    best, units = found.best, found.base.units
    if found.goal == "rate":
        was = "where none passes now" if found.now[0] is None else f"now {_rate(found.now[0])}"
        return f"Up to {_rate(best.ceiling)} /min, {was}."
    settings = f"{len(best.settings)} key{'s' if len(best.settings) != 1 else ''} changed"
    if found.goal == "travel":
        travel = float(best.check.machine.scenario.stripper.travel)
        return (
            f"Stripper travel {show(travel, 'length', units)} passes at {show(best.rate, 'rate', units)}; {settings}."
        )
    return f"It passes at {show(best.rate, 'rate', units)} with {best.change:.1%} of the ranges used; {settings}."


def _rate(rate: float | None) -> str:
    return "none" if rate is None else f"{down(rate, 1):.1f}"


def _head(found: Suggestion) -> str:
    base = found.base
    goal = GOALS[found.goal].format(rate="" if found.at is None else show(found.at, "rate", base.units))
    lines = [
        wrapped(f"Suggest: {base.title}"),
        wrapped(f"scenario {base.loaded.name}, {base.reading} reading; wanted: {goal}"),
        *(wrapped(f"with {each}", "    ", "  ") for each in base.loaded.overrides),
        "",
        wrapped(headline(found)),
    ]
    return "\n".join(lines)


def _value(key: Vary, value: float, found: Suggestion) -> str:
    return f"{value:g}" if key.dimension is None else show(value, key.dimension, found.base.units)


def _space(found: Suggestion) -> str:
    rows = [f"  {'What may change':<{KEY}}{'now':>{VALUE}}{'from':>{VALUE}}{'to':>{VALUE}}"]
    for key in found.space.keys:
        now = "not given" if key.now is None else _value(key, key.now, found)
        cells = [now, _value(key, key.low, found), _value(key, key.high, found)]
        rows.append(f"  {cut(key.path, KEY - 1):<{KEY}}" + "".join(f"{cell:>{VALUE}}" for cell in cells))
        if key.values:
            rows.append(
                wrapped(f"one of {', '.join(_value(key, each, found) for each in key.values)}", " " * 6, "    ")
            )
        if key.basis and not key.values:
            rows.append(f"    no range was given: {key.basis}")
    return "\n".join(rows)


def _best(found: Suggestion, best: Point) -> str:
    units = found.base.units
    lines = [f"Best: checked at {show(best.rate, 'rate', units)}, {best.check.verdict.upper()}"]
    if best.settings:
        lines += [f'  --set "{each}"' for each in best.settings]
    else:
        lines.append("  as it is: nothing to set")
    if best.ceiling is None:
        lines.append(wrapped("There is no rate band that holds it by the scan."))
    else:
        what = listed([named(*each) for each in best.binds]) or "nothing: the rates looked at end there"
        spare = f"{_rate(best.spare)} /min" if best.spare is not None else "no rate"
        lines.append(
            wrapped(
                f"Rate ceiling {_rate(best.ceiling)} /min; what binds: {what}. Every allowance kept up to: {spare}."
            )
        )
    tight = [named(each.rule, each.subject) for each in best.check.worst if each.status == "tight"]
    if tight:
        lines.append(wrapped(f"Tight at the rate checked: {', '.join(tight)}."))
    easier = [each for each in found.frontier if (each.spare or 0.0) > (best.spare or 0.0)]
    if easier:
        easy = max(easier, key=lambda each: each.spare or 0.0)
        line = found.frontier.index(easy) + 1
        lines.append(wrapped(f"With every allowance kept, line {line} below goes further: {_rate(easy.spare)} /min."))
    return "\n".join(lines)


def _frontier(found: Suggestion) -> str:
    rows = [
        "What more change gains, each line checked as a whole cycle",
        _row("", "", "change", "ceiling", "allowances", "checked at", "verdict"),
        _row("", "", "", "[/min]", "[/min]", "[/min]", ""),
    ]
    for k, each in enumerate(found.frontier):
        mark = "*" if each is found.best else " "
        rates = (_rate(each.ceiling), _rate(each.spare), f"{60.0 * each.rate:.1f}")
        rows.append(_row(f"{k + 1}", mark, f"{each.change:.1%}", *rates, each.check.verdict))
        rows.append(wrapped(", ".join(each.settings) or "as it is", " " * 10, " " * 8))
    rows.append("  * the best; change: of the ranges, in the mean over the keys")
    return "\n".join(rows)


def _row(number: str, mark: str, change: str, ceiling: str, spare: str, rate: str, verdict: str) -> str:
    cells = (ceiling, f" {spare:>{NARROW}}", f" {rate:>{NARROW}}")
    return (
        f"  {number:>3}{mark:<1}{change:>9}" + "".join(f"{each:>{NARROW}}" for each in cells) + f"{verdict:>9}"
    ).rstrip()


def _flat(found: Suggestion, best: Point) -> str:
    """How far each key may move."""
    if found.goal == "rate":
        head = (
            "How flat it is: each key alone may move so far before 1 % of the rate is lost or one more rule turns tight"
        )
    else:
        head = "How flat it is: each key alone may move so far before a rule fails or one more turns tight"
    rows = [wrapped(head)]
    for key, free, value in zip(found.space.keys, found.freedoms, best.values, strict=True):
        low, high = (_value(key, each, found) for each in (free.low, free.high))
        rows.append(wrapped(f"{key.path}: {_value(key, value, found)}, from {low} to {high}", "      ", "  "))
        rows.append(wrapped(_ends(free), "      ", "    "))
    return "\n".join(rows)


def _ends(free: Freedom) -> str:
    told = []
    for where, gives in (("below", free.below), ("above", free.above)):
        told.append(f"{where}: {listed([named(*each) for each in gives]) or 'the range ends'}")
    return "; ".join(told)


def _profiles(found: Suggestion) -> str:
    first = found.profiles[0]
    rows = [
        wrapped(f"The key of most effect on the ceiling about the best point: {first.path}"),
        *_profile(first, found),
    ]
    for each in found.profiles[1:]:
        rows.append(wrapped(f"{each.path}: moves it by {60.0 * each.effect:.1f} /min over its range", "      ", "  "))
    return "\n".join(rows)


def _profile(profile: Profile, found: Suggestion) -> list[str]:
    key = next(each for each in found.space.keys if each.path == profile.path)
    pairs = [
        (_value(key, float(value), found), "none" if rate != rate else _rate(float(rate)))
        for value, rate in zip(profile.values, profile.ceilings, strict=True)
    ]
    rows = []
    for at in range(0, len(pairs), COLUMNS):
        some = pairs[at : at + COLUMNS]
        rows.append(f"  {'at':<8}" + "".join(f"{value.split(' ')[0]:>{NARROW}}" for value, _ in some))
        rows.append(f"  {'[/min]':<8}" + "".join(f"{rate:>{NARROW}}" for _, rate in some))
    return rows


def _nothing(found: Suggestion) -> str:
    if any(each.status == "not judged" and each.core for each in found.lacking) and not found.tried:
        names = ", ".join(named(each.rule, each.subject) for each in found.lacking)
        keys = ", ".join(dict.fromkeys(key for each in found.lacking for key in each.missing))
        return wrapped(f"The cycle is incomplete whatever is changed: {names} cannot be judged. Give {keys}.")
    rows = ["At the least bad point that was tried these do not hold:"]
    rows += [wrapped(f"{named(each.rule, each.subject)}: {each.says}", "      ", "  ") for each in found.lacking]
    return "\n".join(rows)


def _notes(found: Suggestion) -> str:
    units, (low, high) = found.base.units, found.span
    how = "every combination" if found.exhaustive else "a search: a better point can have been missed"
    notes = [
        f"{found.tried} points tried, {found.cycles} cycles worked out; {how}. Seed {found.seed}: the same seed and "
        "program give the same answer.",
        f"Ceilings from {show(low, 'rate', units)} to {show(high, 'rate', units)}; the band that holds the scenario's "
        "own rate counts, else the widest.",
    ]
    if found.dropped:
        notes.append(f"{found.dropped} points were dropped: the whole check, or the scenario's own rules, refuse them.")
    if found.space.follows:
        notes.append(
            f"{listed(found.space.follows)} given by the scenario: with another gearing it is moved so that the "
            "spindle makes the same turns."
        )
    notes.append(
        "The rest of the scenario is kept as it is. What a change costs, or whether it can be made, is not asked."
    )
    return "\n".join(["Note", *(wrapped(each, "  ", "  ") for each in notes)])
