"""The setting sheet as data."""

from __future__ import annotations

import math
from typing import Any

from crankclock.report.numbers import DIGITS, number
from crankclock.rules.spring_life import BASIS, Lasting
from crankclock.studies.guarding import NOT_FOR_USE, Guarding
from crankclock.studies.setup import Setup, SpringSetup, Switch, TapSetup


def as_data(found: Setup | None) -> dict[str, Any]:
    """The setting sheet as JSON-ready data, units in the keys; empty where there is none."""
    if found is None:
        return {}
    return {
        "rates_per_min": [number(rate, "1/min") for rate in found.rates],
        "verdicts": list(found.verdicts),
        "failing": [list(each) for each in found.failing],
        "switches": [_switch_data(each) for each in found.switches],
        "taps": [_tap_data(each) for each in found.taps],
        "springs": [_spring_data(each) for each in found.springs],
        "stripper_travel_mm": number(found.travel, "mm"),
        "stripper_travel_needed_mm": number(found.travel_needed, "mm"),
        "preload_n": number(sum(each.preload for each in found.springs), "N"),
        "bdc_force_n": number(sum(each.bdc_force for each in found.springs), "N"),
        "bdc_shift_mm": number(found.bdc_shift, "mm"),
        "guarding_reference": None if found.guarding is None else _guarding_data(found.guarding),
        "checklist": [{"deg": number(look.angle, "deg"), "look": look.says} for look in found.looks],
    }


def _switch_data(each: Switch) -> dict[str, Any]:
    return {
        "name": each.name,
        "key": each.key,
        "latency_ms": number(each.latency, "ms"),
        "acts_deg": number(each.acts, "deg"),
        "set_deg": [number(angle, "deg") for angle in each.angles],
    }


def _tap_data(each: TapSetup) -> dict[str, Any]:
    return {
        "name": each.name,
        "thread": each.thread,
        "kind": each.kind,
        "chamfer_pitches": each.chamfer,
        "chamfer_forms": list(each.forms),
        "hole_mm": number(each.hole, "mm"),
        "hole_from": each.hole_from,
        "rest_clearance_mm": number(each.rest_clearance, "mm"),
        "turns": round(each.turns, DIGITS),
        "depth_mm": number(each.depth, "mm"),
        "protrusion_mm": number(each.protrusion, "mm"),
        "gearing_per_mm": number(each.gearing, "1/mm"),
        "engage_height_mm": number(each.engage_height, "mm"),
    }


def _spring_data(each: SpringSetup) -> dict[str, Any]:
    return {
        "name": each.name,
        "kind": each.kind,
        "count": each.count,
        "preload_n": number(each.preload, "N"),
        "bdc_force_n": number(each.bdc_force, "N"),
        "used_mm": number(each.used, "mm"),
        "rated_mm": number(each.rated, "mm"),
        "lasting": None if each.lasting is None else _lasting_data(each.lasting),
    }


def _lasting_data(each: Lasting) -> dict[str, Any]:
    """Strokes and days are null where the deflection is within the long-life one."""
    return {
        "deflection_percent": round(100.0 * each.share, DIGITS),
        "long_life": math.isinf(each.strokes),
        "strokes_to_change": _finite(each.strokes),
        "days_to_change": _finite(each.days),
        "basis": BASIS,
    }


def _finite(value: float | None) -> float | None:
    """A number that JSON can hold; None for what has no end."""
    return None if value is None or math.isinf(value) else round(value, DIGITS)


def _guarding_data(found: Guarding) -> dict[str, Any]:
    return {
        "not_for_use": NOT_FOR_USE,
        "rate_per_min": number(found.rate, "1/min"),
        "stopping_time_ms": number(found.stopping, "ms"),
        "figures": [
            {
                "standard": each.figure.standard,
                "formula": each.figure.formula,
                "part": each.part,
                "distance_mm": number(float(each.figure.distance), "mm"),
                "lacks": each.lacks,
                "decides": each.figure.decides,
            }
            for each in found.references
        ],
    }
