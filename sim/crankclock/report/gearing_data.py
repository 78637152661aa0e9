"""The gearing study as data."""

from __future__ import annotations

import json
from typing import Any

from crankclock import __version__
from crankclock.report.data import SCHEMA
from crankclock.report.numbers import DIGITS, number
from crankclock.report.sweep_data import down, up
from crankclock.rules import Subject
from crankclock.studies.check import CAUTION
from crankclock.studies.gearing import Gearings, Group, Option


def as_data(found: Gearings) -> dict[str, Any]:
    """The study as JSON-ready data, units in the keys."""
    base = found.base
    return {
        "schema": SCHEMA,
        "crankclock": __version__,
        "scenario": base.loaded.name,
        "title": base.title,
        "input_sha256": base.loaded.source.digest,
        "overrides": list(base.loaded.overrides),
        "reading": base.reading,
        "rate_per_min": number(float(base.machine.crank.rate), "1/min"),
        "span_per_min": [number(each, "1/min") for each in found.span],
        "step_per_min": number(found.step, "1/min"),
        "groups": [_group(each) for each in found.groups],
        "notes": list(found.notes),
        "caution": CAUTION,
    }


def as_json(found: Gearings) -> str:
    """The study as JSON text."""
    return json.dumps(as_data(found), indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def _group(group: Group) -> dict[str, Any]:
    best = group.best
    return {
        "taps": list(group.taps),
        "engage_height_moved": group.moved_height,
        "best_gearing_per_mm": None if best is None else number(best.gearing, "1/mm"),
        "options": [_option(each) for each in group.options],
    }


def _option(each: Option) -> dict[str, Any]:
    return {
        "gearing_per_mm": number(each.gearing, "1/mm"),
        "own": each.own,
        "settings": list(each.settings),
        "engage_height_mm": number(each.engage_height, "mm"),
        "engages_at_slide_height_mm": number(each.slide_height, "mm"),
        "drive_travel_mm": number(each.drive_travel, "mm"),
        "drive_travel_rated_mm": number(each.rated, "mm"),
        "stripper_travel_needed_mm": number(each.travel_needed, "mm"),
        "turns": None if each.turns is None else round(each.turns, DIGITS),
        "peak_rpm_in_cut": number(each.peak_in_cut, "1/min"),
        "peak_rpm": number(each.peak, "1/min"),
        "mean_rule_rpm": number(each.mean_rule, "1/min"),
        "peak_cut_speed_m_min": number(each.peak_cut_speed, "m/min"),
        "touch_deg": number(each.touch, "deg"),
        "leave_deg": number(each.leave, "deg"),
        "feed_window_deg": number(each.window, "deg"),
        "feed_window_left_deg": number(each.slack, "deg"),
        "verdict": each.verdict,
        "failing": [named(*name) for name in each.failing],
        "rate_ceiling_per_min": _down(each.ceiling),
        "rate_floor_per_min": None if each.floor is None else up(each.floor),
        "rate_with_allowance_per_min": _down(each.spare),
        "binding": named(*each.binds[0]) if each.binds else None,
        "binding_also": [named(*name) for name in each.binds[1:]],
    }


def _down(rate: float | None) -> float | None:
    return None if rate is None else down(rate)


def named(rule: str, subject: Subject) -> dict[str, str | None]:
    """A rule and its tool."""
    return {"rule": rule, "subject": subject}
