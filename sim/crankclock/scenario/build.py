"""From a resolved scenario to parts."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from crankclock.handbook import threads
from crankclock.parts.crank import Crank
from crankclock.parts.drag_link import DragLink
from crankclock.parts.feeder import Feeder, PilotRelease
from crankclock.parts.flywheel import Flywheel
from crankclock.parts.motion_table import MotionTable
from crankclock.parts.motor import MotorSpindle
from crankclock.parts.numbers import TURN, Floats
from crankclock.parts.single_stroke import SingleStroke
from crankclock.parts.slide import Eccentric, Slide
from crankclock.parts.strip import Strip
from crankclock.parts.tap import PressSpindle, Tap
from crankclock.parts.tools import Tool
from crankclock.scenario import schema
from crankclock.scenario.defaults import full_depth_turns


@dataclass(frozen=True)
class Machine:
    """Everything that moves, and the resolved scenario whose limits it is judged by.

    Attributes
    ----------
    spindles : mapping
        Spindle of each tap, turned by the press or by a motor of its own.
    release : PilotRelease or None
    """

    scenario: schema.Scenario
    crank: Crank
    slide: Slide
    strip: Strip
    pilots: Mapping[str, Tool]
    punches: Mapping[str, Tool]
    taps: Mapping[str, Tap]
    spindles: Mapping[str, PressSpindle | MotorSpindle]
    feeder: Feeder | None
    release: PilotRelease | None


def build(scenario: schema.Scenario) -> Machine:
    """Make the parts of a resolved scenario; values may be arrays over variants."""
    press, strip = scenario.press, scenario.strip
    feeder = scenario.feeder
    release = feeder.pilot_release if feeder is not None else None
    return Machine(
        scenario=scenario,
        crank=_crank(press),
        slide=_slide(press),
        strip=Strip(strip.thickness, strip.lift, scenario.stripper.travel),
        pilots={name: _tool(name, pilot) for name, pilot in scenario.pilot.items()},
        punches={name: _tool(name, punch) for name, punch in scenario.punch.items()},
        taps={name: _tap(name, tap) for name, tap in scenario.tap.items()},
        spindles={name: _spindle(scenario, tap) for name, tap in scenario.tap.items()},
        feeder=_feeder(feeder, strip.pitch) if feeder is not None else None,
        release=PilotRelease(release.open, release.close, release.latency) if release is not None else None,
    )


def _crank(press: schema.Press) -> Crank:
    wheel = flywheel(press.flywheel) if press.flywheel is not None else None
    if press.mode == "single-stroke":
        return Crank(press.rate, single_stroke(press).profile(press.rate, wheel))
    return Crank(press.rate, wheel.profile(press.rate) if wheel is not None else None)


def flywheel(wheel: schema.Flywheel) -> Flywheel:
    """The flywheel of a scenario."""
    return Flywheel(wheel.inertia, wheel.ratio, wheel.work, wheel.work_from, wheel.work_to, wheel.motor)


def single_stroke(press: schema.Press) -> SingleStroke:
    """Clutch and brake of a press in single-stroke mode: the brake's deceleration is the one measured."""
    single, stop = press.single_stroke, press.stop
    assert single is not None
    assert stop is not None
    return SingleStroke(single.engage, stop.braking / (TURN * stop.measured_at), single.pause)


def _slide(press: schema.Press) -> Slide:
    slide = press.slide
    if slide.kind == "table":
        assert slide.points is not None
        return MotionTable(slide.points, press.bdc_shift)
    if slide.kind == "drag-link":
        links = (slide.ground, slide.input, slide.coupler, slide.output)
        return DragLink(slide.stroke, *links, slide.connecting_rod, slide.offset, press.bdc_shift)  # type: ignore[arg-type]
    return Eccentric(slide.stroke, slide.connecting_rod, slide.offset, press.bdc_shift)


def _tool(name: str, tool: schema.Pilot | schema.Punch) -> Tool:
    reach = tool.penetration if tool.mount == "slide" else tool.projection
    mount: Any = tool.mount
    return Tool(name, mount, reach, getattr(tool, "nose", 0.0))  # type: ignore[arg-type]


def _tap(name: str, tap: schema.Tap) -> Tap:
    thread = threads.parse(tap.thread)
    mount: Any = tap.mount
    side: Any = tap.side
    return Tap(
        name=name,
        diameter=thread.diameter,
        pitch=thread.pitch,
        chamfer=tap.chamfer * thread.pitch,
        height=tap.threaded_height,
        extra=tap.extra_depth,
        clearance=tap.rest_clearance,
        point=tap.point,
        mount=mount,
        side=side,
        flange_toward=tap.flange == "toward",
    )


def _spindle(scenario: schema.Scenario, tap: schema.Tap) -> PressSpindle | MotorSpindle:
    drive = tap.drive
    if drive.kind == "motor":
        assert drive.start is not None
        assert drive.speed is not None
        assert drive.acceleration is not None
        turns = full_depth_turns(scenario, tap)
        return MotorSpindle(turns, drive.start, drive.latency, drive.speed, drive.acceleration)
    reference: Any = drive.reference
    return PressSpindle(drive.gearing, drive.engage_height, drive.backlash / TURN, reference)


def _feeder(feeder: schema.Feeder, length: Floats) -> Feeder:
    kind: Any = feeder.kind
    rated = None
    if feeder.kind == "rated":
        assert feeder.rates is not None
        assert feeder.feed_angle is not None
        rated = rated_time(feeder.rates, feeder.feed_angle, length)
    return Feeder(
        kind=kind,
        length=length,
        start=feeder.start,
        latency=feeder.latency,
        settle=feeder.settle,
        law=feeder.law,
        speed=feeder.speed,
        acceleration=feeder.acceleration,
        stop=feeder.end,
        rated_time=rated,
    )


def rated_time(rates: schema.Rates, feed_angle: Floats, length: Floats) -> Floats:
    """Time [s] a feeder takes over `length` [m] by its maker's list of length and greatest stroke rate.

    The row of the next longer length counts: the time grows less than in proportion to the length, so reading
    between rows on a straight line would promise too much. Beyond the last row there is none: infinite.
    """
    table = np.array(sorted(rates))
    slowest = np.minimum.accumulate(table[:, 1])
    row = np.searchsorted(table[:, 0] * (1.0 + 1e-9), length)
    times = np.append(1.0 / TURN / slowest, np.inf)
    found: Floats = feed_angle * times[row]
    return found
