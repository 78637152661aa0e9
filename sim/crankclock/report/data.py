"""A checked cycle as plain data: the JSON of the contract, key for key."""

from __future__ import annotations

import json
import math
from typing import Any

from crankclock import __version__
from crankclock.report import setup_data
from crankclock.report.numbers import DIGITS, number
from crankclock.scenario.defaults import DEFAULTS, Assumption, pattern
from crankclock.studies.check import CAUTION, Check, Event, Finding, TapFigures
from crankclock.units import System, show

SCHEMA = 1


def as_data(check: Check) -> dict[str, Any]:
    """The check as JSON-ready data; numbers are plain, their unit in the key, never NaN or infinite."""
    return {
        "schema": SCHEMA,
        "crankclock": __version__,
        "scenario": check.loaded.name,
        "title": check.title,
        "input_sha256": check.loaded.source.digest,
        "overrides": list(check.loaded.overrides),
        "reading": check.reading,
        "rate_per_min": number(float(check.machine.crank.rate), "1/min"),
        "verdict": check.verdict,
        "not_judged": sum(each.status == "not judged" for each in check.findings),
        "events": [_event(each) for each in check.events],
        "findings": [_finding(each) for each in check.findings],
        "taps": [_tap(each) for each in check.taps],
        "feed": _feed(check),
        "setup": setup_data.as_data(check.setup),
        "assumed": [assumption(each, check.units) for each in check.assumed],
        "notes": list(check.notes),
        "caution": CAUTION,
    }


def as_json(check: Check) -> str:
    """The check as JSON text."""
    return json.dumps(as_data(check), indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def _event(event: Event) -> dict[str, Any]:
    return {
        "id": event.id,
        "deg": number(event.angle, "deg"),
        "ms": number(event.seconds, "ms"),
        "hand_deg": number(event.hand, "deg"),
        "rigid_deg": number(event.rigid, "deg"),
        "running_deg": number(event.running, "deg"),
    }


def _finding(finding: Finding) -> dict[str, Any]:
    return {
        "rule": finding.rule,
        "subject": finding.subject,
        "status": finding.status,
        "reading": finding.reading,
        "margin": {"value": number(finding.margin, finding.unit), "unit": finding.unit},
        "allowance": {"value": number(finding.allowance, finding.unit), "unit": finding.unit},
        "from_deg": number(finding.start, "deg"),
        "to_deg": number(finding.end, "deg"),
        "missing": list(finding.missing),
        "says": finding.says,
        "margins": {reading: number(margin, finding.unit) for reading, margin in finding.by_reading.items()},
        "contacts": _contacts(finding),
    }


def _contacts(finding: Finding) -> dict[str, Any] | None:
    """The margin's span with contact stiffness and damping halved and doubled, and with which factors it fails."""
    swing = finding.contacts
    if swing is None:
        return None
    return {
        "least": number(swing.least, finding.unit) if math.isfinite(swing.least) else None,
        "most": number(swing.most, finding.unit) if math.isfinite(swing.most) else None,
        "fails_with": [{"stiffness": each.stiffness, "damping": each.damping} for each in swing.failing],
    }


def _tap(tap: TapFigures) -> dict[str, Any]:
    return {
        "name": tap.name,
        "engage_height_mm": number(tap.engage_height, "mm"),
        "turns": None if tap.turns is None else round(tap.turns, DIGITS),
        "peak_rpm_in_cut": number(tap.peak_speed_in_cut, "1/min"),
        "peak_rpm": number(tap.peak_speed, "1/min"),
        "mean_rule_rpm": number(tap.mean_rule_speed, "1/min"),
        "peak_cut_speed_m_min": number(tap.peak_cut_speed, "m/min"),
        "full_depth_mm": number(tap.full_depth, "mm"),
        "peak_acceleration_rev_s2": number(tap.peak_acceleration, "1/s^2"),
        "speed_step_rpm": number(tap.speed_step, "1/min"),
        "torque_nm": number(tap.torque, "N*m"),
        "torque_low_nm": number(tap.torque_low, "N*m"),
        "torque_breaking_nm": number(tap.breaking_torque, "N*m"),
    }


def _feed(check: Check) -> dict[str, Any] | None:
    feed = check.feed
    if feed is None:
        return None
    return {
        "window_from_deg": number(feed.window_start, "deg"),
        "window_to_deg": number(feed.window_end, "deg"),
        "start_deg": number(feed.start, "deg"),
        "end_deg": number(feed.end, "deg"),
        "slack_deg": number(feed.slack, "deg"),
    }


def assumption(each: Assumption, system: System) -> str:
    """One assumption in a line: path, value in the units reports speak, and where it comes from."""
    if each.value is None:
        return f"{each.path}: {each.words}"
    text = f"{each.value:g}" if isinstance(each.value, float) else str(each.value)
    default = DEFAULTS.get(pattern(each.path))
    if isinstance(default, str) and (system == "metric" or each.dimension is None):
        text = default
    elif each.dimension is not None and isinstance(each.value, float):
        text = show(each.value, each.dimension, system)
    return f"{each.path} = {text}" + (f" ({each.words})" if each.words else "")
