"""A breakage as plain data; numbers are plain, their unit in the key or beside them, never NaN."""

from __future__ import annotations

import itertools
import json
import math
from collections.abc import Sequence
from typing import Any

from crankclock import __version__
from crankclock.report.breakage_words import BASIS, headline, key_value, says
from crankclock.report.numbers import number
from crankclock.rules.base import UNITS
from crankclock.scenario.paths import dimension_at
from crankclock.studies.breakage import Breakage, Suspect
from crankclock.studies.breakage_causes import Cause
from crankclock.studies.breakage_fit import Fit
from crankclock.studies.breakage_pairs import Pair
from crankclock.studies.breakage_steps import Step
from crankclock.studies.check import CAUTION, Check

SCHEMA = 1
MORE_UNITS = {"gearing": "1/mm", "stiffness": "N/mm", "pressure": "MPa", "mass": "kg"}
"""Units of keys that no margin has."""


def as_json(found: Breakage, steps: Sequence[Step] | None = None) -> str:
    """The breakage as JSON text."""
    return json.dumps(as_data(found, steps), indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def as_data(found: Breakage, steps: Sequence[Step] | None = None) -> dict[str, Any]:
    """The breakage as JSON-ready data."""
    ahead = bool(found.suspects) and found.lead is not found.suspects[0].lead
    cycles: list[Check | None] = list(found.cycles[1:] if ahead else found.cycles)
    cycles += [None] * (len(found.suspects) - len(cycles))
    data: dict[str, Any] = {
        "schema": SCHEMA,
        "crankclock": __version__,
        "scenario": found.loaded.name,
        "case": found.opened.name,
        "input_sha256": found.loaded.source.digest,
        "overrides": list(found.loaded.overrides),
        "reading": found.profiles.reading,
        "rate_per_min": number(float(found.profiles.scenario.press.rate), "1/min"),
        "seed": found.seed,
        "tap": found.opened.tap,
        "explained": found.explained,
        "says": headline(found),
        "unexplained_probability": _round(found.unexplained),
        "breaks_as_drawn": [{"rule": each.rule, "subject": each.subject} for each in found.profiles.before],
        "causes": [_suspect(found, *each) for each in zip(found.suspects, cycles, itertools.count(1), strict=False)],
        "pairs": None if found.pairs is None else [_pair(found, *each) for each in found.pairs[:20]],
        "breaks_nothing": [each.cause.name for each in found.profiles.causes if each.least is None],
        "untried": list(found.untried),
        "found_but_no_cause": list(found.idle_hints),
        "missing": list(found.profiles.unjudged),
        "next": [
            {"look_at": each.name, "how": each.how, "about": list(each.concerns), "bits": _round(each.bits)}
            for each in found.looks
        ],
        "notes": list(found.opened.notes),
        "basis": BASIS,
        "caution": CAUTION,
    }
    if steps is not None:
        data["steps"] = [_step(each) for each in steps]
    return data


def _round(value: float) -> float:
    return round(value, 6) + 0.0


def _suspect(found: Breakage, suspect: Suspect, cycle: Check | None, rank: int) -> dict[str, Any]:
    lead = suspect.lead
    told = {} if cycle is None else {"says": says(lead, cycle)}
    return {
        "rank": rank,
        "probability": _round(suspect.probability),
        **_fit(found, lead),
        **told,
        "same_signature": [
            {**_fit(found, each), "probability": _round(share)}
            for each, share in zip(suspect.fits[1:], suspect.shares[1:], strict=True)
        ],
    }


def _fit(found: Breakage, fit: Fit) -> dict[str, Any]:
    cause, each, least = fit.profile.cause, fit.likeliest, fit.profile.least
    values = {}
    if cause.nominal and least is not None:
        values = {
            "key": cause.key,
            "drawn": key_value(cause, cause.nominal[cause.key], found),
            "breaks_from": key_value(cause, cause.known(least), found),
            "likeliest": key_value(cause, cause.known(fit.severity), found),
            "breaks_from_value": _value(found, cause, cause.known(least)),
            "likeliest_value": _value(found, cause, cause.known(fit.severity)),
        }
    return {
        "cause": cause.name,
        "title": cause.title,
        **values,
        "rule": each.rule,
        "subject": each.subject,
        "harm": each.harm.says,
        "breaks_at_deg": _finite(float(each.angle[0]), "deg"),
        "depth_mm": _finite(float(each.depth[0]), "mm"),
        "evidence": [{"term": term.name, "factor": float(f"{term.factor:.4g}")} for term in fit.terms],
    }


def _value(found: Breakage, cause: Cause, value: float) -> dict[str, Any]:
    dimension = dimension_at(found.profiles.scenario, cause.key)
    if dimension is None:
        return {"value": _round(value), "unit": "1"}
    unit = (UNITS | MORE_UNITS)[dimension]
    return {"value": number(value, unit), "unit": unit}


def _finite(value: float, unit: str) -> float | None:
    return number(value, unit) if math.isfinite(value) else None


def _pair(found: Breakage, pair: Pair, share: float) -> dict[str, Any]:
    each = pair.fit.likeliest
    return {
        "probability": _round(share),
        "causes": [
            {"cause": cause.name, "title": cause.title, "key": cause.key,
             "likeliest": key_value(cause, cause.known(severity), found)}
            for cause, severity in zip(pair.causes, pair.severities, strict=True)
        ],
        "rule": each.rule,
        "subject": each.subject,
        "breaks_at_deg": _finite(float(each.angle[0]), "deg"),
    }  # fmt: skip


def _step(step: Step) -> dict[str, Any]:
    return {
        "event": step.event,
        "deg": number(step.angle, "deg"),
        "ms": number(step.seconds, "ms"),
        "slide_mm": number(step.slide, "mm"),
        "tap_depth_mm": number(step.depth, "mm"),
        "strip_mm": number(step.strip, "mm"),
        "fed_mm": number(step.fed, "mm"),
    }
