"""What to look at next: the order that splits the remaining suspects best, by expected information."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from crankclock.parts.numbers import TURN
from crankclock.scenario.case import OpenedCase, given
from crankclock.studies.breakage_fit import Fit, measurements, seen_of_causes
from crankclock.studies.breakage_profile import Profiles
from crankclock.studies.breakage_traces import BENT, BY_CAUSE, INCIDENTAL, SEEN, THREAD

Array = NDArray[np.float64]

MOST = 6
"""Checks that are named."""
LEAST = 0.05
"""Information [bits] below which a check is not worth naming."""
SECTORS = 12
"""Sectors of the dial that a breaking angle is told apart by."""
FOUND_OFF = 0.95
"""Probability that a cause shows when its own key is measured."""

HOW: Mapping[str, str] = {
    "thread": "Look at the last threaded hole: oval, torn, short or clean",
    "fracture": "Look at the tap's fracture: twisted or bent off",
    "strip_lifted": "Ask whether the strip was lifted with the tap",
    "pilot_holes_drawn": "Look whether the pilot holes are drawn long",
    "mark_beside_hole": "Look for a mark of the tap beside its hole",
    "chips_packed": "Look whether the flutes are packed with chips or welded metal",
    "dry": "Look whether the hole was dry",
    "burr": "Look for a burr at the hole to be threaded",
    "slug": "Look for a slug on the die or the strip",
    "feed_short": "Look whether the strip lay at its feed length",
    "backlash_felt": "Turn the spindle back and forth by hand: play",
    "past_life": "Compare the tap's strokes with its life",
    "angle": "Find the dial angle at which the tap broke: marks, or the load trace",
}


@dataclass(frozen=True)
class Look:
    """One thing to look at.

    Attributes
    ----------
    name, how : str
    bits : float
        Information expected from it, after those before it.
    concerns : tuple of str
        Causes that it is about; empty where it tells kinds of breaking apart.
    """

    name: str
    how: str
    bits: float
    concerns: tuple[str, ...]


@dataclass(frozen=True)
class _Question:
    name: str
    how: str
    chances: Array  # (answers, causes + 1), the last column "unexplained"
    concerns: tuple[str, ...]


def looks(profiles: Profiles, opened: OpenedCase, fits: Sequence[Fit], weights: Sequence[float]) -> tuple[Look, ...]:
    """What to look at, in order.

    Parameters
    ----------
    profiles : Profiles
    opened : OpenedCase
        What it holds already is not asked again.
    fits : sequence of Fit
    weights : sequence of float
        Their probabilities, and last that of "unexplained".
    """
    questions = [*_keys(profiles, opened, fits), *_traces(opened, fits)]
    branches = np.array([weights], dtype=float)
    found: list[Look] = []
    while questions and len(found) < MOST:
        now = _entropy(branches)
        gains = [now - _entropy(_asked(branches, each)) for each in questions]
        best = int(np.argmax(gains))
        if gains[best] < LEAST:
            break
        chosen = questions.pop(best)
        branches = _asked(branches, chosen)
        found.append(Look(chosen.name, chosen.how, float(gains[best]), chosen.concerns))
    return tuple(found)


def _asked(branches: Array, question: _Question) -> Array:
    return np.asarray((branches[:, None, :] * question.chances[None]).reshape(-1, branches.shape[1]))


def _entropy(branches: Array) -> float:
    """Expected entropy of the causes over the branches [bits]."""
    total = branches.sum(axis=1, keepdims=True)
    share = np.where(total > 0.0, branches / np.where(total > 0.0, total, 1.0), 0.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        bits = -np.nansum(np.where(share > 0.0, share * np.log2(share), 0.0), axis=1)
    return float((total[:, 0] * bits).sum() / total.sum())


def _yes(chances: Sequence[float], unexplained: float) -> Array:
    yes = np.array([*chances, unexplained])
    return np.array([yes, 1.0 - yes])


def _keys(profiles: Profiles, opened: OpenedCase, fits: Sequence[Fit]) -> list[_Question]:
    """Every key that a remaining cause changes and that nobody has measured."""
    known = {path for path, _ in measurements(profiles, opened).values()}
    if given(opened.case.found).get("springs_lost") is not None:
        known |= {each.profile.cause.key for each in fits if each.profile.cause.kind.name == "spring-lost"}
    seen = seen_of_causes(opened.case)
    covered = {"hole-dry": "dry", "tap-dull": "past_life"}
    found: dict[str, _Question] = {}
    for each in fits:
        cause = each.profile.cause
        if not cause.nominal or cause.key in known or cause.key in found or covered.get(cause.kind.name) in seen:
            continue
        about = [other.profile.cause for other in fits if cause.key in other.profile.cause.nominal]
        chances = [FOUND_OFF if cause.key in other.profile.cause.nominal else INCIDENTAL for other in fits]
        found[cause.key] = _Question(
            cause.key, cause.kind.look, _yes(chances, 0.5), tuple(other.title for other in about)
        )
    return list(found.values())


def _traces(opened: OpenedCase, fits: Sequence[Fit]) -> list[_Question]:
    seen, case = given(opened.case.found), opened.case
    broke = case.broke
    found = []
    if "thread" not in seen:
        kinds = list(next(iter(THREAD.values())))
        rows = [[_mean(each, {h: row[kind] for h, row in THREAD.items()}) for each in fits] for kind in kinds]
        found.append(_Question("thread", HOW["thread"], np.array([[*row, 1.0 / len(kinds)] for row in rows]), ()))
    if broke is None or broke.fracture is None:
        found.append(_Question("fracture", HOW["fracture"], _yes([_mean(each, BENT) for each in fits], 0.5), ()))
    for name, chances in SEEN.items():
        if name not in seen:
            found.append(_Question(name, HOW[name], _yes([_mean(each, chances) for each in fits], 0.3), ()))
    for name, (other, own) in BY_CAUSE.items():
        if name not in seen_of_causes(case):
            kinds_ = [each.profile.cause.kind.name for each in fits]
            about = tuple(each.profile.cause.title for each in fits if each.profile.cause.kind.name in own)
            if about:
                found.append(_Question(name, HOW[name], _yes([own.get(kind, other) for kind in kinds_], other), about))
    if broke is None or (broke.angle is None and broke.event is None):
        found.append(_Question("angle", HOW["angle"], _sectors(fits), ()))
    return found


def _mean(each: Fit, chances: Mapping[str, float]) -> float:
    return sum(share * chances[harm] for harm, share in each.harms.items()) or 0.5


def _sectors(fits: Sequence[Fit]) -> Array:
    """Probability that the tap broke in each sector of the dial."""
    found = np.full((SECTORS, len(fits) + 1), 1.0 / SECTORS)
    middles = (np.arange(SECTORS) + 0.5) * TURN / SECTORS
    for k, each in enumerate(fits):
        angle = float(each.likeliest.angle[0])
        if np.isfinite(angle):
            off = np.mod(middles - angle + 0.5 * TURN, TURN) - 0.5 * TURN
            near = np.exp(-0.5 * (off / (0.4 * TURN / SECTORS)) ** 2)
            found[:, k] = 0.95 * near / near.sum() + 0.05 / SECTORS
    return found
