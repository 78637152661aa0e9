"""What a search suggests, as data."""

from __future__ import annotations

import json
import math
from typing import Any

from crankclock import __version__
from crankclock.report.data import SCHEMA
from crankclock.report.gearing_data import named
from crankclock.report.numbers import DIGITS, number
from crankclock.report.sweep_data import down
from crankclock.studies.check import CAUTION
from crankclock.studies.flatness import Freedom, Profile
from crankclock.studies.frontier import Point
from crankclock.studies.space import Vary
from crankclock.studies.suggest import Suggestion


def as_data(found: Suggestion) -> dict[str, Any]:
    """The suggestion as JSON-ready data; values of keys as a scenario file writes them."""
    base, best = found.base, found.best
    keys = {key.path: key for key in found.space.keys}
    return {
        "schema": SCHEMA,
        "crankclock": __version__,
        "scenario": base.loaded.name,
        "title": base.title,
        "input_sha256": base.loaded.source.digest,
        "overrides": list(base.loaded.overrides),
        "reading": base.reading,
        "goal": found.goal,
        "at_per_min": number(found.at, "1/min"),
        "seed": found.seed,
        "span_per_min": [number(each, "1/min") for each in found.span],
        "vary": [_vary(each, found) for each in found.space.keys],
        "now": {"rate_ceiling_per_min": _down(found.now[0]), "rate_with_allowance_per_min": _down(found.now[1])},
        "best": None if best is None else found.frontier.index(best),
        "frontier": [_point(each, found) for each in found.frontier],
        "freedom": [_freedom(each, keys[each.path], found) for each in found.freedoms],
        "profiles": [_profile(each, keys[each.path], found) for each in found.profiles],
        "lacking": [named(each.rule, each.subject) | {"says": each.says} for each in found.lacking],
        "tried": found.tried,
        "cycles": found.cycles,
        "dropped": found.dropped,
        "exhaustive": found.exhaustive,
        "caution": CAUTION,
    }


def as_json(found: Suggestion) -> str:
    """The suggestion as JSON text."""
    return json.dumps(as_data(found), indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def _down(rate: float | None) -> float | None:
    return None if rate is None else down(rate)


def _text(key: Vary, value: float | None, found: Suggestion) -> str | None:
    return None if value is None else key.text(value, found.base.units)


def _vary(key: Vary, found: Suggestion) -> dict[str, Any]:
    return {
        "key": key.path,
        "now": _text(key, key.now, found),
        "from": _text(key, key.low, found),
        "to": _text(key, key.high, found),
        "values": [_text(key, each, found) for each in key.values],
        "basis": key.basis,
    }


def _point(each: Point, found: Suggestion) -> dict[str, Any]:
    values = zip(found.space.keys, each.values, strict=True)
    return {
        "settings": list(each.settings),
        "values": {key.path: _text(key, value, found) for key, value in values},
        "change": round(each.change, DIGITS),
        "rate_per_min": number(each.rate, "1/min"),
        "verdict": each.check.verdict,
        "rate_ceiling_per_min": _down(each.ceiling),
        "rate_with_allowance_per_min": _down(each.spare),
        "binding": named(*each.binds[0]) if each.binds else None,
        "binding_also": [named(*name) for name in each.binds[1:]],
        "tight": [named(one.rule, one.subject) for one in each.check.worst if one.status == "tight"],
    }


def _freedom(each: Freedom, key: Vary, found: Suggestion) -> dict[str, Any]:
    return {
        "key": each.path,
        "from": _text(key, each.low, found),
        "to": _text(key, each.high, found),
        "below": [named(*name) for name in each.below],
        "above": [named(*name) for name in each.above],
    }


def _profile(each: Profile, key: Vary, found: Suggestion) -> dict[str, Any]:
    return {
        "key": each.path,
        "values": [_text(key, float(value), found) for value in each.values],
        "rate_ceiling_per_min": [down(float(rate)) if math.isfinite(rate) else None for rate in each.ceilings],
        "effect_per_min": number(each.effect, "1/min"),
    }
