"""Two scenarios side by side as data."""

from __future__ import annotations

import json
from typing import Any

from crankclock import __version__
from crankclock.report.data import SCHEMA
from crankclock.report.numbers import DIGITS, number
from crankclock.rules.base import UNITS
from crankclock.studies.check import CAUTION, Check, Finding
from crankclock.studies.compare import Comparison, EventChange, Figure, KeyChange, RuleChange
from crankclock.studies.settings import said


def as_data(found: Comparison) -> dict[str, Any]:
    """The comparison as JSON-ready data, units in the keys or beside the numbers."""
    return {
        "schema": SCHEMA,
        "crankclock": __version__,
        "first": _side(found.first),
        "second": _side(found.second),
        "verdict": [found.first.verdict, found.second.verdict],
        "keys": [_key(each, found) for each in found.keys],
        "rules": [_rule(each) for each in found.rules],
        "events": [_event(each) for each in found.events],
        "figures": [_figure(each) for each in found.figures],
        "notes": list(found.notes),
        "caution": CAUTION,
    }


def as_json(found: Comparison) -> str:
    """The comparison as JSON text."""
    return json.dumps(as_data(found), indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def _side(check: Check) -> dict[str, Any]:
    return {
        "scenario": check.loaded.name,
        "title": check.title,
        "input_sha256": check.loaded.source.digest,
        "overrides": list(check.loaded.overrides),
        "reading": check.reading,
        "rate_per_min": number(float(check.machine.crank.rate), "1/min"),
        "verdict": check.verdict,
    }


def _key(each: KeyChange, found: Comparison) -> dict[str, Any]:
    """Values as a scenario file writes them; null where not given."""

    def value(side: object) -> Any:
        if isinstance(side, float) and each.dimension is not None:
            return said(side, each.dimension, found.first.units)
        if isinstance(side, tuple):
            return [value(item) for item in side]
        return side

    return {
        "key": each.path,
        "table": each.table,
        "first": value(each.first),
        "second": value(each.second),
        "first_assumed": each.assumed[0],
        "second_assumed": each.assumed[1],
    }


def _rule(each: RuleChange) -> dict[str, Any]:
    finding = each.second or each.first
    assert finding is not None
    unit = UNITS[finding.dimension]
    return {
        "rule": each.rule,
        "subject": each.subject,
        "first": _finding(each.first),
        "second": _finding(each.second),
        "gained": {"value": number(each.change, unit), "unit": unit},
        "changed": each.changed,
        "says": None if each.second is None else each.second.says,
    }


def _finding(each: Finding | None) -> dict[str, Any] | None:
    if each is None:
        return None
    return {"status": each.status, "margin": number(each.margin, each.unit), "unit": each.unit}


def _event(each: EventChange) -> dict[str, Any]:
    return {
        "id": each.id,
        "there": list(each.there),
        "first_deg": number(each.first, "deg"),
        "second_deg": number(each.second, "deg"),
        "later_by_deg": number(each.change, "deg"),
    }


def _figure(each: Figure) -> dict[str, Any]:
    unit = None if each.dimension is None else UNITS[each.dimension]

    def value(side: float | None) -> float | None:
        return number(side, unit) if unit is not None else None if side is None else round(side, DIGITS)

    return {"name": each.name, "unit": unit, "first": value(each.first), "second": value(each.second)}
