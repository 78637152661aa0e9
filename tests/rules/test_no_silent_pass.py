"""An event that cannot happen is a failure, not a gap, and what only looks like work is none."""

from __future__ import annotations

import copy
from typing import Any

import pytest

from reference.program import Judged, events_of, margins_of, readings_of

Tree = dict[str, Any]


def die() -> Tree:
    """A die in which every rule the reading can judge passes: stroke 100 mm, stripper travel 30 mm, lift 4 mm."""
    return {
        "press": {"rate": "40 /min", "slide": {"kind": "eccentric", "stroke": "100 mm"}},
        "strip": {"material": "low-carbon-steel", "thickness": "1.5 mm", "lift": "4 mm", "pitch": "40 mm"},
        "stripper": {"travel": "30 mm"},
        "feeder": {
            "kind": "servo", "start": "270 deg", "speed": "60 m/min", "acceleration": "25 m/s^2",
            "pilot_release": {"open": "100 deg", "close": "250 deg"},
        },
        "pilot": {"p1": {"mount": "slide", "penetration": "38 mm", "nose": "4 mm"}},
        "punch": {"k1": {"mount": "slide", "penetration": "2 mm"}},
        "tap": {
            "t1": {
                "thread": "M6x1", "chamfer": 2, "rest_clearance": "0.5 mm", "mount": "die",
                "drive": {"kind": "press", "gearing": "0.36 /mm"},
            }
        },
    }  # fmt: skip


def judged(**changes: Any) -> dict[str, Judged]:
    """Every rule's answer, by "rule" or "rule subject", after changes such as `strip__lift="0 mm"`."""
    tree = copy.deepcopy(die())
    for path, value in changes.items():
        *tables, key = path.split("__")
        table = tree
        for name in tables:
            table = table[name]
        if value is None:
            del table[key]
        else:
            table[key] = value
    found = margins_of(readings_of(tree))
    return {" ".join(part for part in key if part): one for key, one in found.items()}


def failing(found: dict[str, Judged]) -> set[str]:
    return {name for name, one in found.items() if one.fails}


def test_the_die_itself_passes() -> None:
    assert failing(judged()) == set()


def test_a_pilot_in_the_strip_at_top_dead_centre() -> None:
    failed = failing(judged(pilot__p1__penetration="96 mm"))
    assert failed >= {"feed-starts-after-tools pilot:p1", "feed-ends-in-time", "open-height"}


def test_a_punch_in_the_strip_at_top_dead_centre() -> None:
    failed = failing(judged(punch__k1__penetration="96 mm"))
    assert failed >= {"feed-starts-after-tools punch:k1", "feed-ends-in-time", "open-height", "pilots-before-tools"}
    assert "clamped-while-punching punch:k1" in failed


def test_a_tap_in_the_strip_at_top_dead_centre() -> None:
    failed = failing(judged(tap__t1__rest_clearance="-0.1 mm"))
    assert failed >= {"feed-starts-after-tools tap:t1", "feed-ends-in-time", "open-height", "tap-clear-of-strip tap:t1"}


def test_a_pilot_that_never_locates() -> None:
    """Its tip goes 1 mm into the strip, its nose is 4 mm long."""
    failed = failing(judged(pilot__p1__penetration="-0.5 mm"))
    assert failed >= {"pilots-before-tools", "pilots-before-clamp", "rolls-open-on-pilots"}


def test_a_pilot_that_never_comes_in() -> None:
    failed = failing(judged(pilot__p1__penetration="-5 mm"))
    assert failed >= {"pilots-before-tools", "pilots-before-clamp", "feed-starts-after-tools pilot:p1"}
    assert failed >= {"rolls-open-on-pilots", "rolls-close-before-pilots-leave"}


def test_rolls_that_open_where_there_is_no_pilot() -> None:
    assert failing(judged(pilot=None)) == {"rolls-open-on-pilots", "rolls-close-before-pilots-leave"}


def test_a_strip_that_is_never_raised() -> None:
    """The stripper is on the strip all the time, and by 1 mm never lets it rise fully."""
    failed = failing(judged(stripper__travel="97 mm"))
    assert failed >= {"feed-starts-after-lift", "feed-ends-in-time", "strip-clears-die", "stripper-clears-strip"}


def test_a_strip_that_is_never_clamped() -> None:
    failed = failing(judged(press__bdc_shift="-31 mm"))
    assert failed >= {"pilots-before-clamp", "clamped-while-tapping tap:t1", "clamped-while-punching punch:k1"}
    assert "full-thread tap:t1" in failed


def test_a_tap_that_never_touches() -> None:
    failed = failing(judged(tap__t1__drive__engage_height="1 mm"))
    assert failed >= {"full-thread tap:t1", "feed-starts-after-tools tap:t1", "clamped-while-tapping tap:t1"}


def test_a_tap_that_the_strip_meets_twice() -> None:
    """Engaged 2 mm above the stripper's touch: met by the raised strip, lost as that goes down, met again."""
    tree = die()
    tree["tap"]["t1"]["drive"]["engage_height"] = "36 mm"
    assert events_of(readings_of(tree).rigid)["tap:t1.retouch"] is not None
    assert "tap-clear-of-strip tap:t1" in failing(judged(tap__t1__drive__engage_height="36 mm"))


def test_a_tap_that_is_deep_only_in_a_strip_let_go() -> None:
    """Half a millimetre short at BDC; with backlash beyond all travel the strip rises 4 mm onto it later.

    Only depth while clamped makes a thread.
    """
    found = judged(tap__t1__extra_depth="0 mm", tap__t1__drive__engage_height="20.8333 mm",
                   tap__t1__drive__backlash="4000 deg")  # fmt: skip
    assert found["full-thread tap:t1"].margin == pytest.approx((7.5 - 4.0 - 0.5) - 3.5, abs=1e-3)
    assert found["full-thread tap:t1"].fails


@pytest.mark.parametrize(("above", "fails"), [("0.4 mm", False), ("0.6 mm", True)])
def test_what_stands_on_the_strip_meets_the_tap(above: str, fails: bool) -> None:
    assert judged(strip__above=above)["open-height"].fails == fails


@pytest.mark.parametrize(("below", "fails"), [("4 mm", False), ("4.01 mm", True)])
def test_what_hangs_below_needs_the_lift(below: str, fails: bool) -> None:
    assert judged(strip__below=below)["strip-clears-die"].fails == fails


def test_a_spindle_that_is_not_home() -> None:
    assert "drive-travel tap:t1" in failing(judged(tap__t1__drive__backlash="10000 deg"))
    stripper_borne = judged(tap__t1__mount="stripper", tap__t1__drive__engage_height="30.5 mm")
    assert stripper_borne["drive-travel tap:t1"].margin == pytest.approx(-0.5)
    assert stripper_borne["drive-travel tap:t1"].fails
