"""A sweep as plain data: the JSON of the contract, and the margins over the rates as CSV."""

from __future__ import annotations

import csv
import io
import json
import math
from typing import Any

import numpy as np

from crankclock import __version__
from crankclock.report.data import SCHEMA, assumption
from crankclock.report.numbers import DIGITS, number
from crankclock.rules.base import UNITS
from crankclock.studies.check import CAUTION
from crankclock.studies.rate_limits import End, Limit, Name, Swept
from crankclock.studies.rate_scan import CRANK, Ranges
from crankclock.studies.sweep import Sweep
from crankclock.units import to_unit

PER_MIN = "1/min"
ROUNDING = 1e-3
"""What a rate may lack of a whole last digit, in last digits, and still be it: floats, not a margin."""


def down(rate: float, digits: int = DIGITS) -> float:
    """A rate per minute rounded down, so that the upper end of what passes still passes."""
    scale = 10.0**digits
    return math.floor(float(to_unit(rate, PER_MIN)) * scale + ROUNDING) / scale


def up(rate: float, digits: int = DIGITS) -> float:
    """A rate per minute rounded up, so that the lower end of what passes still passes."""
    scale = 10.0**digits
    return math.ceil(float(to_unit(rate, PER_MIN)) * scale - ROUNDING) / scale


def as_data(sweep: Sweep) -> dict[str, Any]:
    """The sweep as JSON-ready data; rates that pass are rounded to the passing side."""
    return {
        "schema": SCHEMA,
        "crankclock": __version__,
        "scenario": sweep.loaded.name,
        "title": sweep.title,
        "input_sha256": sweep.loaded.source.digest,
        "overrides": list(sweep.loaded.overrides),
        "reading": sweep.reading,
        "rate_per_min": number(sweep.rate, PER_MIN),
        "verdict": sweep.verdict,
        "interrupted": not sweep.whole,
        "status_at_rate": sweep.status,
        "from_per_min": number(sweep.low, PER_MIN),
        "to_per_min": number(sweep.high, PER_MIN),
        "step_per_min": number(sweep.step, PER_MIN),
        **_range(sweep.swept, complete=sweep.verdict != "incomplete"),
        "ceilings": [_limit(each) for each in sweep.swept.limits],
        "by_reading": {
            reading: _range(each, complete=sweep.verdict != "incomplete")
            | {"ceilings": [_limit(limit) for limit in each.limits]}
            for reading, each in sweep.readings.items()
        },
        "contacts": _contacts(sweep),
        "not_judged": [
            {
                "rule": each.rule.name,
                "subject": each.subject,
                "core": each.rule.core,
                "missing": list(each.missing.keys),
            }
            for each in sweep.unjudged
        ],
        "assumed": [assumption(each, sweep.units) for each in sweep.assumed],
        "notes": list(sweep.notes),
        "caution": CAUTION,
    }


def as_json(sweep: Sweep) -> str:
    """The sweep as JSON text."""
    return json.dumps(as_data(sweep), indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def as_csv(sweep: Sweep) -> str:
    """Every margin at every rate that was worked out, by every reading; empty where there is no number."""
    text = io.StringIO()
    table = csv.writer(text, lineterminator="\n")
    columns = list(
        dict.fromkeys((c.rule, c.subject, UNITS[c.dimension]) for c in sweep.swept.scan.courses if c.rule != CRANK)
    )
    table.writerow(
        ["reading", "rate_per_min", "status", "failing"]
        + [f"{rule}{f' {subject}' if subject else ''} [{unit}]" for rule, subject, unit in columns]
    )
    for reading, swept in sweep.readings.items():
        found = swept.scan
        by_key = {each.key: each for each in found.courses}
        courses = [by_key.get((rule, subject)) for rule, subject, _ in columns]
        for k, rate in enumerate(found.rates):
            status = "fail" if found.fails[k] else "tight" if found.short[k] else "pass"
            failing = "; ".join(_name(each.key) for each in found.courses if each.fails[k])
            margins = [
                None if c is None or not np.isfinite(c.margin[k]) else number(float(c.margin[k]), UNITS[c.dimension])
                for c in courses
            ]
            table.writerow([reading, number(float(rate), PER_MIN), status, failing, *margins])
    return text.getvalue()


def _name(key: Name) -> str:
    return key[0] if key[1] is None else f"{key[0]} {key[1]}"


def _range(swept: Swept, *, complete: bool) -> dict[str, Any]:
    """The ranges; where a core rule is not judged none is called passing, and they are what holds as far as judged."""
    passing, spare = _ranges(swept.passing), _ranges(swept.spare)
    ceiling, floor = swept.ceiling, swept.floor
    return {
        "rate_ceiling_per_min": down(ceiling.rate) if complete and ceiling is not None else None,
        "rate_floor_per_min": up(floor.rate) if complete and floor is not None else None,
        "rate_with_allowance_per_min": _maybe(swept.with_allowance) if complete else None,
        "passing": passing if complete else [],
        "passing_with_allowance": spare if complete else [],
        "holds_as_far_as_judged": passing,
        "failing_bands": [[down(each.low), up(each.high)] for each in swept.failing],
        "failing_rules": [[_key(key) for key in each.rules] for each in swept.failing],
        "binding": _binding(ceiling),
        "binding_also": [_key(key) for key in ceiling.binding[1:]] if ceiling is not None else [],
        "floor_binding": _binding(floor),
    }


def _ranges(ranges: Ranges) -> list[list[float]]:
    return [[up(low), max(up(low), down(high))] for low, high in ranges]


def _maybe(rate: float | None) -> float | None:
    return None if rate is None else down(rate)


def _key(key: Name) -> dict[str, Any]:
    return {"rule": key[0], "subject": key[1]}


def _binding(end: End | None) -> dict[str, Any] | None:
    """What fails just beyond; None where only the span ends or nothing passes."""
    return _key(end.binding[0]) if end is not None and end.binding else None


def _limit(limit: Limit) -> dict[str, Any]:
    unit = UNITS[limit.dimension]
    return {
        "rule": limit.rule,
        "subject": limit.subject,
        "core": limit.core,
        "rate_per_min": _maybe(limit.ceiling),
        "rate_with_allowance_per_min": _maybe(limit.with_allowance),
        "floor_per_min": None if limit.floor is None else up(limit.floor),
        "holds": _ranges(limit.holds),
        "holds_with_allowance": _ranges(limit.spare),
        "status_at_rate": limit.status,
        "margin_at_rate": {"value": number(limit.margin, unit), "unit": unit},
        "allowance": {"value": number(limit.allowance, unit), "unit": unit},
    }


def _contacts(sweep: Sweep) -> dict[str, Any] | None:
    """What is left of the passing range with contact stiffness and damping halved and doubled."""
    found = sweep.contacts
    if found is None:
        return None
    return {
        "floor_per_min": None if found.low is None else up(found.low),
        "ceiling_per_min": _maybe(found.high),
        "step_per_min": number(found.step, PER_MIN),
        "fails_with": [
            {"rule": rule, "subject": subject, "stiffness": corner.stiffness, "damping": corner.damping}
            for rule, subject, corner in found.failing
        ],
    }
