"""Independently worked cases: a brute-force stepping of the model at 0.005 degree.

One figure is read otherwise here. For `drive-travel` the cases count the travel at hand as the stroke S, and the
rating from the engagement height; the program counts what the head really has and uses:

* q runs from -d to S - d where the slide turns the spindle (d: BDC shift), and a lifter-mounted head's q = y - zs
  only to S - d - L, because the head goes up with the strip by L;
* so the margin is max q - Qe - b/G, lower by L for a lifter-mounted head and by d for a shift;
* the rating is used from Qe down to the deeper of nominal BDC and where the slide really turns.

The stripper-mounted margin X - Qe - b/G is the same in both.
"""

from __future__ import annotations

import json
import math
import tomllib
from pathlib import Path
from typing import Any

import pytest

from crankclock.scenario.build import Machine
from reference.program import events_of, machine_of, margins_of, readings_of

CASES = sorted((Path(__file__).parent / "conformance").glob("rigid-*.json"))
ANGLE = 0.02  # deg, the cases' own tolerance
LENGTH = 2e-4  # mm, from margins printed to 1e-4 mm
GRID = math.radians(0.005)  # the cases' own step


def scenario(case: Path) -> dict[str, Any]:
    return tomllib.loads(case.with_suffix(".toml").read_text(encoding="utf-8"))


def really_had(machine: Machine, name: str) -> float:
    """Travel at hand by the model's own q, less what the cases take for it [mm]."""
    tap, spindle, lift = machine.taps[name], machine.spindles[name], machine.strip.lift
    shift = machine.scenario.press.bdc_shift
    assert spindle is not None
    if spindle.reference == "die" or tap.mount == "die":
        return -1e3 * float(shift)
    return -1e3 * float(lift + shift) if tap.mount == "lifter" else 0.0


def tolerance(finding: dict[str, Any], machine: Machine) -> float:
    """What the case's own grid leaves open.

    The least clearance of a strip that is not held lies at the very end of that span: read off the grid it is too
    great by up to one step of slide travel and spindle advance.
    """
    if finding["rule"] in ("full-thread", "drive-travel"):
        return LENGTH
    if finding["rule"] != "tap-clear-of-strip":
        return ANGLE
    name = finding["subject"].removeprefix("tap:")
    spindle, slide = machine.spindles[name], machine.slide
    assert spindle is not None
    step = GRID * float(slide.peak_speed(0.0, slide.bdc)) * float(1.0 + machine.taps[name].pitch * spindle.gearing)
    return 1e3 * step + LENGTH


def expected_margin(finding: dict[str, Any], machine: Machine) -> float | None:
    """The case's margin, `drive-travel` converted to the travel a head really has; None: it has no figure."""
    if finding["rule"] != "drive-travel":
        return None if finding["margin"] is None else float(finding["margin"])
    name = finding["subject"].removeprefix("tap:")
    spindle, drive = machine.spindles[name], machine.scenario.tap[name].drive
    assert spindle is not None
    shift = max(float(machine.scenario.press.bdc_shift), 0.0)
    rated = math.inf if drive.travel is None else 1e3 * float(drive.travel - spindle.engage_height)
    mounted = machine.taps[name].mount == "stripper" and spindle.reference == "head"
    at_hand = machine.strip.travel if mounted else machine.slide.stroke  # type: ignore[attr-defined]
    home = 1e3 * float(at_hand - spindle.home_height)
    assert min(rated, home) == pytest.approx(finding["margin"], abs=LENGTH)  # what the case says, by its own reading
    return min(rated - 1e3 * shift, home + really_had(machine, name))


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.stem)
def test_events(case: Path) -> None:
    mine = events_of(readings_of(scenario(case)).rigid)
    for name, at in json.loads(case.read_text(encoding="utf-8"))["events"].items():
        if at is None:
            assert mine[name] is None, name
        else:
            assert mine[name] == pytest.approx(at, abs=ANGLE), name


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.stem)
def test_findings(case: Path) -> None:
    machine, judged = machine_of(scenario(case)), margins_of(readings_of(scenario(case)))
    for finding in json.loads(case.read_text(encoding="utf-8"))["findings"]:
        mine, margin = judged[finding["rule"], finding["subject"]], expected_margin(finding, machine)
        if not finding["borderline"]:
            assert mine.fails == finding["fails"], finding
        if margin is None:
            assert mine.fails
            continue
        assert mine.margin == pytest.approx(margin, abs=tolerance(finding, machine)), finding
        if finding["rule"] == "drive-travel":
            assert mine.fails == (margin < 0.0)
