"""The running reference against closed forms, the rigid reference and itself before anything is compared with it."""

from __future__ import annotations

import copy
import json
import math
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from reference import brute, running
from reference.running_scenarios import random_running, si_form

CASES = sorted((Path(__file__).parents[1] / "conformance").glob("running-*.json"))
MM = 1e-3


def die(rate: float = 1.0) -> dict[str, Any]:
    """Stroke 100 mm, no rod, stripper travel 30 mm, lift 4 mm; strong springs and lifters, one motor-driven tap."""
    return {
        "press": {"rate": rate, "slide": {"kind": "eccentric", "stroke": 0.1}},
        "strip": {"thickness": 1.5 * MM, "lift": 4.0 * MM, "pitch": 0.04, "mass": 1.0, "lifter_force": 300.0},
        "stripper": {
            "travel": 30.0 * MM,
            "mass": 20.0,
            "spring": {"main": {"kind": "coil", "count": 4, "force": 2e3, "rate": 5e4, "travel": 0.1}},
        },
        "contact": {"stiffness": 5e8, "damping": 0.5},
        "feeder": {"kind": "cam", "start": math.radians(270.0), "end": math.radians(60.0)},
        "tap": {
            "t1": {
                "thread": {"pitch": 1.0 * MM, "diameter": 6.0 * MM},
                "chamfer": 2,
                "rest_clearance": 0.5 * MM,
                "mount": "die",
                "side": "above",
                "drive": {"kind": "motor", "start": math.radians(120.0), "speed": 100.0, "acceleration": 1000.0},
            }
        },
    }


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.stem)
def test_conformance(case: Path) -> None:
    """Small-step integration in another language; half the cases' own 0.05 deg.

    Peak forces in the instant of an impact are up to 8e-4 above damping times closing speed in the cases.
    """
    expected = json.loads(case.read_text(encoding="utf-8"))
    found = running.simulate(si_form(tomllib.loads(case.with_suffix(".toml").read_text(encoding="utf-8"))))
    assert {name: found.running[name] for name in expected["events"]} == pytest.approx(expected["events"], abs=0.025)
    clamped, clear = (found.margins[rule, "tap:t"] for rule in ("clamped-while-tapping", "tap-clear-of-strip"))
    assert clamped == pytest.approx(expected["clamped_while_tapping_deg"], abs=0.025)
    assert clear == pytest.approx(expected["tap_clear_of_strip_mm"], abs=5e-4)
    forces = found.forces["tap:t"]
    assert forces is not None
    assert forces.stripper == pytest.approx(expected["least_stripper_force_while_tapping_n"], abs=2.0)
    assert found.peak_force == pytest.approx(expected["peak_stripper_force_n"], rel=1e-3)
    assert found.contact_lost == pytest.approx(expected["contact_lost_deg"], abs=3 * running.STEP)


def test_slide_is_the_rigid_reference_s() -> None:
    angles = np.linspace(0.0, 2.0 * math.pi, 41)
    for offset in (0.0, 12.0 * MM):
        slide = {"kind": "eccentric", "stroke": 0.1, "connecting_rod": 0.3, "offset": offset}
        press = {"slide": slide, "bdc_shift": 0.2 * MM}
        height, slope = running.slide_motion(press, np)(angles)
        assert height == pytest.approx(brute.slide_height(press)(np.degrees(angles)), abs=1e-14)
        one_by_one = [running.slide_motion(press)(angle)[0] for angle in angles.tolist()]
        assert height == pytest.approx(one_by_one, abs=1e-15)
        after, before = (running.slide_motion(press, np)(angles + step)[0] for step in (1e-5, -1e-5))
        assert slope == pytest.approx((after - before) / 2e-5, abs=1e-9)


def test_at_rest_the_stops_carry_preload_and_weight() -> None:
    """Hanger: preload and weight over k and the coils' rate. Lifter stop: lifters less weight over k."""
    plates = running.Plates(die())
    zf, zs, *speeds = plates.rest(0.1)
    assert zf == pytest.approx(0.1 + 1.5 * MM - 0.03 - (8e3 + 20.0 * running.GRAVITY) / (5e8 + 4 * 5e4), abs=1e-12)
    assert zs == pytest.approx(4.0 * MM + (300.0 - running.GRAVITY) / 5e8, abs=1e-12)
    assert speeds == [0.0, 0.0]


def test_weak_lifters_carry_the_strip_on_their_rate() -> None:
    """5 N short of the weight at 10 N/mm: half a millimetre low."""
    scenario = die()
    scenario["strip"] |= {"lifter_force": running.GRAVITY - 5.0, "lifter_rate": 1e4}
    assert running.Plates(scenario).rest(0.1)[1] == pytest.approx(3.5 * MM, abs=1e-9)


def test_at_bdc_the_die_carries_springs_lifters_and_weights() -> None:
    """Slow, so that nothing is left of the impact: 4 springs at 30 mm, less what the contacts give."""
    ride = running.carry(die(rate=0.1)).turn()
    bottom = int(np.argmin(ride.y))
    springs = 4 * (2e3 + 5e4 * ride.compression[bottom])
    assert ride.compression[bottom] == pytest.approx(30.0 * MM, abs=0.06 * MM)
    assert ride.stripper_force[bottom] == pytest.approx(springs + 20.0 * running.GRAVITY, rel=1e-4)
    assert ride.die_force[bottom] == pytest.approx(springs + 21.0 * running.GRAVITY - 300.0, rel=1e-4)


def test_strip_left_behind_rises_by_its_lifters_alone() -> None:
    """20 N less the weight of 1 kg, constant: a parabola."""
    scenario = die()
    scenario["strip"]["lifter_force"] = 20.0
    ride = running.carry(scenario).turn()
    alone = (ride.deg > 249.0) & (ride.deg < 253.0)
    assert not np.any((ride.stripper_force + ride.die_force)[alone])
    curve = np.polyfit((ride.deg[alone] - 251.0) / 360.0, ride.zs[alone], 2)
    assert 2.0 * curve[0] == pytest.approx(20.0 - running.GRAVITY, rel=1e-4)


def test_strip_that_follows_is_raised_by_the_slide() -> None:
    """Within 0.05 mm of the lift at 33.95 mm of slide."""
    events = running.simulate(die(rate=0.2) | {"tap": {}}).running
    assert events["strip.raised"] == pytest.approx(360.0 - math.degrees(math.acos(33.95 / 50.0 - 1.0)), abs=0.02)


def test_motor_takes_its_time() -> None:
    """4.5 + 1.5 + 3 mm at 1 mm pitch: 9 turns at 1000 turns/s2 are over before 100 turns/s are reached."""
    result = running.simulate(die(rate=0.5))
    way = 2.0 * math.sqrt(9.0 / 1000.0)
    start, per_second = 120.0, 180.0
    # clamped, the strip lies some 17 um deep in the die face: a tap at 95 mm/s meets it 0.03 deg later
    for events, within in ((result.rigid, 0.01), (result.running, 0.05)):
        assert events["tap:t1.engage"] == pytest.approx(start)
        assert events["tap:t1.full"] == pytest.approx(start + way * per_second, abs=0.01)
        assert events["tap:t1.home"] == pytest.approx(start + 2.0 * way * per_second)
        touch = start + math.sqrt(2.0 * 4.5 / 1000.0) * per_second
        assert events["tap:t1.touch"] == pytest.approx(touch, abs=within)
    names = ("engage", "touch", "through", "full", "leave", "home")
    assert [result.hand[f"tap:t1.{name}"] for name in names] == pytest.approx([start] * len(names))


def test_motor_that_comes_home_in_the_next_turn() -> None:
    """Its angles pass 360 and the strip it is still in has come down again."""
    scenario = die(rate=1.5)
    scenario["tap"]["t1"]["drive"] |= {"start": math.radians(200.0), "speed": 20.0, "latency": 0.02}
    result = running.simulate(scenario)
    leave = result.running["tap:t1.leave"]
    assert leave is not None
    assert leave > 360.0
    assert result.margins["clamped-while-tapping", "tap:t1"] < 0.0  # type: ignore[operator]
    assert result.running["tap:t1.home"] == pytest.approx(result.rigid["tap:t1.home"])


@pytest.mark.parametrize("seed", [3, 7, 12, 26])
def test_nothing_hangs_on_the_solver_s_precision(seed: int) -> None:
    si = random_running(seed).si
    readers = [running.Reader(si, running.carry(si, precision=precision)) for precision in (1e-8, 1e-10)]
    rough, fine = (reader.events() for reader in readers)
    assert rough == pytest.approx(fine, abs=2 * running.STEP, nan_ok=True)


@pytest.mark.parametrize("seed", [10, 17, 18])
def test_slow_and_stiff_is_rigid(seed: int) -> None:
    """Ten strokes a minute, contacts forty times as stiff: the strip is up where the slide has let it.

    It counts as raised 0.05 mm early, and gives by a few micrometres; the greatest depth of a tap whose backlash is
    being taken up has no sharp place.
    """
    si = copy.deepcopy(random_running(seed).si)
    slower = 10.0 / 60.0 / si["press"]["rate"]
    si["press"]["rate"] = 10.0 / 60.0
    for tap in si["tap"].values():
        if tap["drive"]["kind"] == "motor":
            tap["drive"]["speed"] *= slower
            tap["drive"]["acceleration"] *= slower**2
    si["contact"] = {"stiffness": 2e10, "damping": 1.0}
    ride = running.carry(si, precision=1e-8)
    found = running.Reader(si, ride).events()
    rigid = brute.sample(running.press_driven(si), brute.slide_height(si["press"]), 0.01)
    expected = running.read_rigid(si, rigid, hand=False)
    late = {name for name in found if name.endswith((".full", ".raised", ".settled"))}
    assert {name: found[name] for name in found if name not in late} == pytest.approx(
        {name: expected.events[name] for name in found if name not in late}, abs=0.05
    )
    raised = si["stripper"]["travel"] + si["strip"]["lift"] - running.NEAR
    up = brute.crossings(ride.turn().deg, raised - ride.turn().y)[-1]
    assert found["strip.raised"] == pytest.approx(up, abs=0.05)
