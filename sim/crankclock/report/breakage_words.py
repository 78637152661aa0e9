"""A breakage as text, readable at 80 columns: causes ranked, why, what to look at next, the cycle as it ran."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from crankclock.report.lines import cut, listed, named, wrapped
from crankclock.scenario.paths import dimension_at
from crankclock.studies.breakage import Breakage, Suspect
from crankclock.studies.breakage_causes import Cause
from crankclock.studies.breakage_fit import Fit
from crankclock.studies.breakage_pairs import Pair
from crankclock.studies.breakage_steps import GIVES, Step
from crankclock.studies.check import CAUTION, Check
from crankclock.units import System, show, to_unit

MOST_ROWS = 10
MOST_PAIRS = 5
SPEAKS, AGAINST = 1.25, 0.8
"""Factors beyond which a term is told as speaking for a cause, or against it."""
CLEAR = 0.5
"""Probability from which a cause is called the most likely without reserve."""
AT_FACE = 5e-5
"""Depth [m] below which a sentence says that the tap is at the face."""
BASIS = (
    "Probabilities rest on ranges of causes and on probabilities of traces that are common practice put into figures, "
    "without a published source: they rank, they do not prove. Torques and tap strengths are estimates."
)


def as_text(found: Breakage, steps: Sequence[Step] | None = None) -> str:
    """The whole report as text, ending in a line break.

    Parameters
    ----------
    found : Breakage
    steps : sequence of Step, optional
        The cycle step by step, where that was asked for.
    """
    parts = [
        _head(found),
        _table(found),
        *_reasons(found),
        _pairs(found),
        _next(found),
        "" if steps is None else _steps(found, steps),
        _limits(found),
        wrapped(BASIS, ""),
        wrapped(f"Caution: {CAUTION}", ""),
    ]
    return "\n\n".join(part for part in parts if part) + "\n"


def headline(found: Breakage) -> str:
    """The outcome in one sentence or two."""
    if not found.suspects and not found.pairs:
        return "NOTHING in the table of causes breaks this cycle within its plausible range."
    if not found.explained:
        return (
            f"UNEXPLAINED: no cause in the table explains this evidence; that it is something else, or that some of "
            f"it is wrong, has a probability of {_percent(found.unexplained)}."
        )
    what, share = _first(found)
    if share < CLEAR:
        return f"NOT CLEAR YET: {what} leads with {_percent(share)}; what to look at next stands below."
    return f"MOST LIKELY: {what} ({_percent(share)})."


def _first(found: Breakage) -> tuple[str, float]:
    """The first suspect or pair, and its probability."""
    lead = found.lead
    assert lead is not None
    of_pair = [share for pair, share in found.pairs or () if pair.fit is lead]
    if of_pair:
        return lead.profile.cause.title, of_pair[0]
    first = found.suspects[0]
    same = ", or what looks the same," if len(first.fits) > 1 else ""
    return f"{lead.profile.cause.title}{same}", first.probability


def _percent(share: float) -> str:
    if share < 0.01:
        return "<1 %"
    return ">99 %" if share > 0.99 else f"{100.0 * share:.0f} %"


def _head(found: Breakage) -> str:
    case, scenario = found.opened.case, found.profiles.scenario
    rate = show(float(scenario.press.rate), "rate", found.units)
    lines = [wrapped(case.title or found.opened.name, "")]
    lines.append(
        wrapped(
            f"Scenario {found.loaded.name} with case {found.opened.name}, tap {found.opened.tap}, {rate}, "
            f"{found.profiles.reading} reading, seed {found.seed}",
            "",
        )
    )
    lines += [wrapped(f"with {each}", "  ") for each in found.loaded.overrides]
    lines += ["", wrapped(headline(found), "")]
    if found.profiles.before:
        broken = listed([named(*each.key) for each in found.profiles.before])
        lines.append(wrapped(f"As drawn the cycle already breaks: {broken}. These rules count for no cause.", ""))
    if not found.explained:
        lines.append(wrapped(_missing(found), ""))
    return "\n".join(lines)


def _missing(found: Breakage) -> str:
    """What would be needed to say more."""
    lacks = found.profiles.unjudged
    keys = f"Rules that lack data were not tried: {listed(lacks)}. " if lacks else ""
    if found.profiles.reading != "running":
        keys += "Without masses and springs nothing that happens only at speed was tried. "
    more = "--pairs tries two causes at once. " if found.pairs is None else ""
    return (
        f"{keys}{more}Measure again what speaks against the first causes below, and what the scenario takes for "
        "granted: masses, springs, contact, the tap's strength."
    )


def _table(found: Breakage) -> str:
    if not found.suspects:
        return ""
    lines = ["Causes, the likeliest first", f"  {'':>5}  {'cause':<33}{'breaks from':<13}rule broken"]
    for each in found.suspects[:MOST_ROWS]:
        lines += _rows(found, each)
    rest = sum(each.probability for each in found.suspects[MOST_ROWS:])
    if len(found.suspects) > MOST_ROWS:
        lines.append(f"  {_percent(rest):>5}  {len(found.suspects) - MOST_ROWS} others together")
    lines.append(f"  {_percent(found.unexplained):>5}  something that is not in the table")
    return "\n".join(lines)


def _rows(found: Breakage, suspect: Suspect) -> list[str]:
    lead = suspect.lead
    rows = [_row(_percent(suspect.probability), lead, found)]
    for other in suspect.fits[1:]:
        rows.append(_row("same", other, found))
    return rows


def _row(first: str, each: Fit, found: Breakage) -> str:
    least = each.profile.least
    cause = each.profile.cause
    level = "" if least is None or not cause.nominal else key_value(cause, cause.known(least), found)
    return f"  {first:>5}  {cut(cause.title, 32):<33}{cut(level, 12):<13}{cut(each.likeliest.rule, 25)}".rstrip()


def key_value(cause: Cause, value: float, found: Breakage) -> str:
    """A value of a cause's main key in the reader's units."""
    dimension = dimension_at(found.profiles.scenario, cause.key)
    return f"{value:.3g}" if dimension is None else show(value, dimension, found.units)


def _reasons(found: Breakage) -> list[str]:
    """Each of the first suspects in sentences; those with next to no probability are left out."""
    ahead = bool(found.suspects) and found.lead is not found.suspects[0].lead
    cycles = found.cycles[1:] if ahead else found.cycles
    told = []
    for rank, (suspect, cycle) in enumerate(zip(found.suspects, cycles, strict=False), 1):
        if rank == 1 or suspect.probability >= 0.02:
            told.append(_reason(found, suspect, cycle, rank))
    return told


def _reason(found: Breakage, suspect: Suspect, cycle: Check, rank: int) -> str:
    lead, cause = suspect.lead, suspect.lead.profile.cause
    head = f"{rank}. {cause.title[0].upper()}{cause.title[1:]}, {_percent(suspect.probability)}"
    if len(suspect.fits) > 1:
        others = listed([each.profile.cause.title for each in suspect.fits[1:]], "or")
        head += f" together with {others}: nothing known so far tells them apart"
    lines = [wrapped(f"{head}.", "   ")]
    if cause.nominal:
        lines.append(wrapped(_how_much(found, lead), "   ", "   "))
    lines.append(wrapped(says(lead, cycle), "   ", "   "))
    lines.append(wrapped(_where(lead, found.units), "   ", "   "))
    lines += [wrapped(each, "   ", "   ") for each in _for_and_against(lead)]
    return "\n".join(lines)


def _how_much(found: Breakage, lead: Fit) -> str:
    cause, least = lead.profile.cause, lead.profile.least
    assert least is not None
    drawn = key_value(cause, cause.nominal[cause.key], found)
    return (
        f"{cause.key} is {drawn} as drawn; the cycle breaks from {key_value(cause, cause.known(least), found)}, and "
        f"{key_value(cause, cause.known(lead.severity), found)} suits the evidence (range tried: to "
        f"{key_value(cause, cause.known(cause.most), found)}, {cause.kind.basis}). It typically leaves: "
        f"{cause.kind.trace}."
    )


def says(lead: Fit, cycle: Check) -> str:
    """The sentence of the rule that broke, in the cycle as it ran."""
    key = lead.likeliest.key
    found = next((each for each in cycle.findings if (each.rule, each.subject) == key), None)
    return named(*key) if found is None else f"{named(*key)}: {found.says}"


def _where(lead: Fit, units: System) -> str:
    each = lead.likeliest
    angle = float(each.angle[0])
    if not np.isfinite(angle):
        return f"The harm: {each.harm.says}."
    depth = float(each.depth[0])
    deep = f"{show(depth, 'length', units)} deep" if depth > AT_FACE else "at the strip's face"
    return f"The harm: {each.harm.says}. The tap gives about {to_unit(angle, 'deg'):.0f}° on the dial, {deep}."


def _for_and_against(lead: Fit) -> list[str]:
    terms = sorted(lead.terms, key=lambda each: -abs(np.log(each.factor)))
    speaks = [f"{each.name} ×{_factor(each.factor)}" for each in terms if each.factor > SPEAKS]
    against = [f"{each.name} ×{_factor(each.factor)}" for each in terms if each.factor < AGAINST]
    lines = []
    if speaks:
        lines.append(f"For it (likelihood against that of no cause in the table): {', '.join(speaks)}.")
    if against:
        lines.append(f"Against it: {', '.join(against)}.")
    if not lines:
        lines.append("Nothing in the case speaks for it or against it.")
    return lines


def _factor(factor: float) -> str:
    return f"{factor:.0f}" if factor >= 10.0 else f"{factor:.2g}" if factor >= 0.01 else "<0.01"


def _pairs(found: Breakage) -> str:
    if found.pairs is None:
        return ""
    told = [each for each in found.pairs if each[1] >= 0.01][:MOST_PAIRS]
    if not told:
        return "Two causes at once: no pair of causes, each too little alone, explains more."
    lines = ["Two causes at once, each too little alone"]
    lines += [wrapped(_pair(found, pair), "         ", f"  {_percent(share):>5}  ") for pair, share in told]
    return "\n".join(lines)


def _pair(found: Breakage, pair: Pair) -> str:
    parts = [
        f"{cause.title} ({cause.key} {key_value(cause, cause.known(severity), found)})"
        for cause, severity in zip(pair.causes, pair.severities, strict=True)
    ]
    if pair.fit is found.lead:
        return f"{' and '.join(parts)}. {says(pair.fit, found.cycles[0])} {_where(pair.fit, found.units)}"
    return f"{' and '.join(parts)}: {named(*pair.fit.likeliest.key)}"


def _next(found: Breakage) -> str:
    if not found.looks:
        return ""
    lines = ["What to look at next, in the order that splits the remaining suspects best"]
    for k, look in enumerate(found.looks, 1):
        about = f" ({listed(look.concerns, 'or')})" if look.concerns else ""
        text = f"{look.how[0].upper()}{look.how[1:]}{about}: {look.bits:.2f} bits expected"
        lines.append(wrapped(text, "     ", f"  {k}. "))
    return "\n".join(lines)


def _steps(found: Breakage, steps: Sequence[Step]) -> str:
    unit = "in" if found.units == "inch" else "mm"
    lines = [
        "The cycle as it ran, in the order it happened (by the likeliest cause)",
        f"  {'':<25}{'dial deg':>9}{'ms':>9}{f'slide {unit}':>10}{'tap deep':>9}{'strip':>8}{'fed':>8}",
    ]
    lines += [_step(each, found.units) for each in steps]
    return "\n".join(lines)


def _step(each: Step, units: System) -> str:
    mark = "*" if each.event == GIVES else " "
    unit, digits = ("in", 3) if units == "inch" else ("mm", 2)
    seconds = "" if each.seconds is None else f"{to_unit(each.seconds, 'ms'):.1f}"

    def length(size: float | None) -> str:
        return "" if size is None else f"{round(float(to_unit(size, unit)), digits) + 0.0:.{digits}f}"

    return (
        f"{mark} {cut(each.event, 24):<25}{to_unit(each.angle, 'deg'):>9.1f}{seconds:>9}{length(each.slide):>10}"
        f"{length(each.depth):>9}{length(each.strip):>8}{length(each.fed):>8}"
    )


def _limits(found: Breakage) -> str:
    """What was tried and breaks nothing, what could not be judged, what of the case was not used."""
    idle = [each.cause.title for each in found.profiles.causes if each.least is None]
    lines = []
    if idle:
        lines.append(wrapped(f"Breaks nothing within its plausible range: {listed(idle)}.", "  "))
    if found.untried:
        lines.append(wrapped(f"Could not be tried: {listed(found.untried)}.", "  "))
    if found.profiles.unjudged:
        lines.append(wrapped(f"Not judged, so not tried: rules that need {listed(found.profiles.unjudged)}.", "  "))
    for each in found.idle_hints:
        said = f"Found, but no cause on its own: {each}. No severity that was tried breaks the cycle."
        lines.insert(0, wrapped(said, "  "))
    lines += [wrapped(each, "  ") for each in found.opened.notes]
    return "\n".join(lines)
