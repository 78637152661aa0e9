"""A tolerance study as text, readable at 80 columns: the risk first, then what fails, what to tighten, the rates."""

from __future__ import annotations

from crankclock.report.data import assumption
from crankclock.report.lines import cut, listed, named, wrapped
from crankclock.report.tolerance_data import DIMENSION_OF
from crankclock.studies.check import CAUTION
from crankclock.studies.tolerance import Tolerances
from crankclock.studies.tolerance_indices import Band
from crankclock.studies.tolerance_rates import AtRate
from crankclock.studies.tolerance_risk import Estimate
from crankclock.studies.tolerance_sensitivity import Sensitivity
from crankclock.units import show

NAME, MOST_TOLD, SMALL = 34, 3, 0.01
"""Width of a rule's name, rules whose sensitivity is told, and the share of variance below which a key is not."""

VERDICTS = {
    "pass": "BEARS THE RISK of {risk}:",
    "fail": "EXCEEDS THE RISK of {risk}:",
    "undecided": "NOT DECIDED whether it bears a risk of {risk}:",
    "incomplete": "INCOMPLETE: a core rule could not be judged, and the risk is more than what follows:",
}


def as_text(found: Tolerances) -> str:
    """The whole study as text, ending in a line break."""
    parts = [_head(found), *_at_rate(found), _tighten(found), _rates(found), _unjudged(found), _assumed(found)]
    return "\n\n".join([*(part for part in parts if part), wrapped(f"Caution: {CAUTION}")]) + "\n"


def odds(probability: float) -> str:
    """A probability as shops say it: "1 in 4,440"."""
    return f"1 in {round(1.0 / probability):,}"


def percent(probability: float) -> str:
    """A probability in percent, with two figures."""
    size = 100.0 * probability
    if size in (0.0, 100.0):
        return f"{size:.0f} %"
    shown = min(size, 100.0 - size)
    digits = 1 if shown >= 1.0 else 2
    while digits < 8 and round(shown, digits) < 10.0 ** (1 - digits):
        digits += 1
    return f"{size:.{digits}f} %"


def within(each: Estimate) -> str:
    """An interval in percent; the upper end as odds where nothing failed."""
    if not each.failing:
        return f"at most {odds(each.high)}"
    return f"{percent(each.low).removesuffix(' %')} to {percent(each.high)}"


def headline(found: Tolerances) -> list[str]:
    """The verdict in sentences."""
    here, rate, risk = found.at_rate, show(found.rate, "rate", "metric"), odds(found.wish.risk)
    if here is None:
        return ["INTERRUPTED before anything could be said."]
    failing = here.overall
    if failing.failing:
        about = f", about {odds(failing.probability)}" if failing.probability < 0.5 else ""
        says = f"at {rate} {percent(failing.probability)} of all cycles fail (95 % interval {within(failing)}){about}."
    else:
        says = f"at {rate} none of {failing.count:,} samples fails, which shows a risk of {within(failing)}."
    lines = [f"{VERDICTS[found.verdict].format(risk=risk)} {says}"]
    if not found.whole:
        lines.insert(0, f"INTERRUPTED: what follows rests on {failing.count:,} samples; --resume goes on.")
    if found.supported > found.wish.risk:
        power = found.wanted.bit_length() - 1
        lines.append(
            f"{found.wish.samples:,} samples cannot show a risk of {risk}, only {odds(found.supported)}: for that it "
            f"takes {found.wanted:,} samples (--samples 2^{power}) without a failure."
        )
    return [*lines, *_greatest(found)]


def _greatest(found: Tolerances) -> list[str]:
    at, span = found.rate_at_risk, f"{_per_min(found.low)} to {_per_min(found.high)} /min"
    if at is None:
        return []
    if at.rate is None:
        return [f"NO RATE from {span} was found that is shown to bear {odds(at.risk)}."]
    above = f"not at {_per_min(at.above)}" if at.above is not None else "where the span ends"
    return [f"A risk of {odds(at.risk)} is borne up to {_per_min(at.rate)} /min, {above}."]


def _per_min(rate: float) -> str:
    return show(rate, "rate", "metric").split()[0]


def _head(found: Tolerances) -> str:
    count, rate = found.spread.size, show(found.rate, "rate", "metric")
    lines = [
        wrapped(found.title),
        f"{rate}, {found.reading} reading, scenario {found.loaded.name}",
        f"{count} tolerance{'s' if count > 1 else ''}, {found.wish.samples:,} samples, seed {found.wish.seed}",
        *(wrapped(f"with {each}", "    ", "  ") for each in found.loaded.overrides),
    ]
    first, *rest = headline(found)
    return "\n".join([*lines, "", wrapped(first), *(wrapped(each, "  ", "  ") for each in rest)])


def _at_rate(found: Tolerances) -> list[str]:
    here = found.at_rate
    if here is None:
        return []
    rules = sorted(here.rules, key=lambda each: -each.estimate.failing)
    failing = [each for each in rules if each.estimate.failing]
    blocks = []
    if failing:
        at = f"What fails at {_per_min(here.rate)} /min"
        lines = [f"{at:<{NAME}}{'fails':>9}{'95 % interval':>21}{'least margin':>16}"]
        for each in failing:
            least = "" if each.least is None else show(each.least, DIMENSION_OF[each.rule], found.units)
            name = cut(named(each.rule, each.subject), NAME - 2)
            row = f"{percent(each.estimate.probability):>9}{within(each.estimate):>21}{least:>16}"
            lines.append(f"  {name:<{NAME - 2}}{row}")
        blocks.append("\n".join(lines))
    held = [named(each.rule, each.subject) for each in rules if not each.estimate.failing]
    if held:
        most = odds(next(each.estimate.high for each in rules if not each.estimate.failing))
        blocks.append(wrapped(f"Not one failed, so each at most {most}: {', '.join(held)}."))
    return blocks


def _tighten(found: Tolerances) -> str:
    failing = _failing(found.at_rate)
    told = [each for each in found.sensitivities if (each.rule, each.subject) in failing][:MOST_TOLD]
    title = "What to tighten" if told else "What comes closest to failing, and what it depends on"
    shown = told or found.sensitivities[:1]
    return "\n\n".join(_sensitivity(each, found, title if k == 0 else "") for k, each in enumerate(shown))


def _failing(here: AtRate | None) -> set[tuple[str, str | None]]:
    return set() if here is None else {(each.rule, each.subject) for each in here.rules if each.estimate.failing}


def _sensitivity(each: Sensitivity, found: Tolerances, title: str) -> str:
    kind, inputs, spread = DIMENSION_OF[each.rule], each.indices.inputs, found.spread
    mean, deviation = (show(size, kind, found.units) for size in (each.indices.mean, each.indices.deviation))
    says = f"{named(each.rule, each.subject)}: mean margin {mean}, {_spare(each.spare)} of {deviation}."
    if each.without_number:
        says += f" {percent(each.without_number)} of the samples have no margin; the worst seen stands for it."
    head = f"{'  share of its variance behind each':<{NAME + 2}}{'alone (95 %)':>21}{'in all (95 %)':>21}"
    lines = [*([title] if title else []), wrapped(says, "    ", "  "), head]
    order = sorted(range(spread.size), key=lambda k: -inputs[k].total.value)
    shown = [k for k in order if inputs[k].total.value >= SMALL]
    for k in shown:
        row = f"{_band(inputs[k].first):>21}{_band(inputs[k].total):>21}"
        lines.append(f"    {cut(spread.paths[k], NAME - 3):<{NAME - 2}}{row}")
    return "\n".join([*lines, *(wrapped(advice, "    ", "  ") for advice in _advice(each, found))])


def _spare(spare: float) -> str:
    return f"{spare:.1f} standard deviations"


def _band(band: Band) -> str:
    low, value, high = (100.0 * min(max(each, 0.0), 1.0) for each in (band.low, band.value, band.high))
    return f"{value:.0f} % ({low:.0f} to {high:.0f})"


def _advice(each: Sensitivity, found: Tolerances) -> list[str]:
    """Which tolerance to tighten, and what to re-dimension where that is not enough."""
    k, wanted, paths = each.leading, found.spare, found.spread.paths
    bears = f"{wanted:.1f} is what {odds(found.wish.risk)} takes where a margin is normally distributed"
    tighten = f"Tighten {paths[k]}: half its tolerance makes the mean {_spare(each.halved(k))}; {bears}."
    if each.spare >= wanted:
        return [f"Its mean has {_spare(each.spare)}; {bears}."]
    move = each.movable(found.spread)
    shift = each.shift(move, wanted)
    if shift is None:
        return [tighten]
    by = show(shift, found.spread.dimensions[move], found.units)
    size = by.removeprefix("-")
    way = "lower" if shift < 0.0 else "raise"
    return [tighten, f"Or {way} {paths[move]} by about {size} to get there (a straight-line estimate)."]


def _rates(found: Tolerances) -> str:
    if len(found.rates) < 2:
        return ""
    lines = [f"{'Over the rates [/min]':<24}{'fails':>9}{'95 % interval':>21}{'samples':>11}  most often"]
    for each in found.rates:
        own = " *" if each.rate == found.rate else ""
        worst = "" if each.worst is None else cut(named(each.worst.rule, each.worst.subject), 13)
        row = f"{percent(each.overall.probability):>9}{within(each.overall):>21}{each.overall.count:>11,}"
        lines.append(f"  {_per_min(each.rate) + own:<22}{row}  {worst}".rstrip())
    return "\n".join([*lines, "  * the scenario's own rate"])


def _unjudged(found: Tolerances) -> str:
    names = listed([named(rule, subject) for rule, subject in found.unjudged])
    return wrapped(f"Not judged, and no part of the risk told: {names}.") if names else ""


def _assumed(found: Tolerances) -> str:
    lines = [wrapped(assumption(each, found.units), "    ", "  ") for each in found.assumed]
    notes = [wrapped(note, "  ", "  ") for note in found.notes]
    return "\n".join(["Assumed, because the scenario does not say", *lines, "", "Note", *notes])
