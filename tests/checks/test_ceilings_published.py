"""Rate ceilings of whole scenarios against published arithmetic and closed forms.

Feeder: an article on press and servo-feed arithmetic (jaycenrigger.com), 300 strokes/min, 5.5 in feed, at most
575 in/s2, a tool in the strip from 155 to 205 deg, 5 deg of margin. The inputs are the article's, the results
computed from them: 305 deg of window need 766.2 in/s2 at 300 /min, the least time is 0.19560 s, the ceiling 259.9 /min.
"""

from __future__ import annotations

import copy
import math
from pathlib import Path

import pytest

from crankclock.scenario.files import Source
from crankclock.scenario.load import validated
from crankclock.studies.rate_limits import Limit
from crankclock.studies.sweep import sweep
from reference.scenarios import Tree

INCH = 0.0254
STROKE = 4.0  # in
IN_STRIP = STROKE / 2.0 * (1.0 - math.cos(math.radians(25.0)))  # slide height above BDC at 155 and 205 deg, no rod [in]

PRESS: Tree = {
    "press": {"rate": "250 /min", "slide": {"kind": "eccentric", "stroke": f"{STROKE} in"}},
    "strip": {"material": "low-carbon-steel", "thickness": "0.040 in", "lift": "0 in", "pitch": "5.5 in"},
    "stripper": {"travel": "0.05 in"},
    "feeder": {
        "kind": "servo",
        "start": "205 deg",
        "speed": "60000 m/min",
        "acceleration": "575 in/s^2",
        "latency": "0 ms",
        "settle": "0 ms",
    },
    "punch": {"pierce": {"mount": "slide", "penetration": f"{IN_STRIP - 0.040:.12f} in"}},
}


def limit(tree: Tree, low: float, high: float, rule: str, subject: str | None = None) -> Limit:
    """What a rule allows between two rates [/min], rigid."""
    loaded = validated(Source(Path("published.toml"), tree, "0" * 64, Path()))
    found = sweep(loaded, low / 60.0, high / 60.0, reading="rigid")
    return next(each for each in found.swept.limits if each.key == (rule, subject))


def per_minute(rate: float | None) -> float:
    assert rate is not None
    return 60.0 * rate


def test_feeder_ceiling_of_the_published_case() -> None:
    """259.9 /min with the 5 deg of margin, which is the rule's own allowance; without it 310 deg are left."""
    found = limit(PRESS, 100.0, 400.0, "feed-ends-in-time")
    assert per_minute(found.with_allowance) == pytest.approx(259.9, abs=0.05)  # half of the last place
    least = 2.0 * math.sqrt(5.5 / 575.0)
    assert least == pytest.approx(0.19560, abs=1e-5)  # 0.195604: the print drops the last place
    assert per_minute(found.with_allowance) == pytest.approx(60.0 * 305.0 / 360.0 / least, abs=1e-4)
    assert per_minute(found.ceiling) == pytest.approx(60.0 * 310.0 / 360.0 / least, abs=1e-4)


def test_feeder_that_makes_the_published_rate() -> None:
    """300 /min takes 766.2 in/s2."""
    tree = copy.deepcopy(PRESS)
    tree["feeder"]["acceleration"] = "766.2 in/s^2"
    found = limit(tree, 250.0, 350.0, "feed-ends-in-time")
    assert per_minute(found.with_allowance) == pytest.approx(
        300.0, abs=0.02
    )  # half of the last place of 766.2, in rate


@pytest.mark.parametrize("surface_speed", [55.0, 120.0])
def test_cutting_speed_bound(surface_speed: float) -> None:
    """The rate at which a 1/4-20 tap cuts at a surface speed: 55 ft/min are 840.3 rpm.

    A geared spindle turns at gearing times slide speed, and a crank press at a height w above the bottom moves at
    V = (pi n / 30) w sqrt(S/w - 1) (ASM Handbook, Forging): greatest where the tap first touches, below mid-stroke.
    """
    gearing, lift, rest, pitch = 16.0, 0.1, 0.02, 0.05  # /in; in
    tree = copy.deepcopy(PRESS)
    tree["strip"] |= {
        "lift": f"{lift} in",
        "thickness": "0.05 in",
        "properties": {"cutting_speed": f"{surface_speed} ft/min"},
    }
    tree["stripper"] = {"travel": "1.2 in"}
    tree["tap"] = {
        "quarter": {
            "thread": "1/4-20 UNC", "kind": "cut", "chamfer": 2, "rest_clearance": f"{rest} in",
            "mount": "die", "side": "below", "extra_depth": "0.05 in", "threaded_height": "0.05 in",
            "drive": {"kind": "press", "gearing": f"{gearing} /inch"},
        }
    }  # fmt: skip
    depth = 0.05 + 2 * pitch + 0.05  # threaded height, chamfer, extra depth
    engage = (rest + depth) / (gearing * pitch)  # from below a held strip the face is the die face
    touch = engage - rest / (gearing * pitch)
    assert touch < STROKE / 2.0
    rpm = surface_speed * 12.0 / (math.pi * 0.25)
    if surface_speed == 55.0:
        assert rpm == pytest.approx(840.3, abs=0.05)
    per_rpm = 2.0 * math.pi * touch * math.sqrt(STROKE / touch - 1.0)  # in per minute for each stroke per minute
    expected = rpm / (gearing * per_rpm)
    found = limit(tree, 0.3 * expected, 3.0 * expected, "cut-speed", "tap:quarter")
    assert per_minute(found.ceiling) == pytest.approx(expected, abs=1e-4)
    assert per_minute(found.with_allowance) == pytest.approx(0.95 * expected, abs=1e-4)  # 5 % of the limit


@pytest.mark.parametrize(("braking", "measured_at"), [(140.0, 60.0), (90.0, 100.0), (0.0, 60.0)])
def test_stopping_bound(braking: float, measured_at: float) -> None:
    """From the window's end to the punch, 6 N (response + scan + delay + braking N / (2 measured_at)) deg go by.

    Even deceleration; the ceiling is the positive root of the quadratic.
    """
    tree = copy.deepcopy(PRESS)
    tree["press"]["stop"] = {
        "delay": "60 ms", "braking": f"{braking} ms", "measured_at": f"{measured_at} /min", "scan": "5 ms",
    }  # fmt: skip
    tree["sensor"] = {
        "strip-in": {
            "watches": "strip",
            "on": "20 deg",
            "off": "40 deg",
            "response": "2 ms",
            "protects": "punch:pierce",
        }
    }
    left, wait, fade = 155.0 - 40.0, 6.0 * 0.067, 6.0 * braking / 1e3 / (2.0 * measured_at)
    expected = left / wait if fade == 0.0 else (math.sqrt(wait**2 + 4.0 * fade * left) - wait) / (2.0 * fade)
    found = limit(tree, 50.0, 450.0, "stop-in-time", "sensor:strip-in")
    assert per_minute(found.ceiling) == pytest.approx(expected, abs=1e-4)
