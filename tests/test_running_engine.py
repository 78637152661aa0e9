"""The running reading against a general-purpose rigid-body engine given the same one-sided springs.

The engine (MuJoCo) holds slide, stripper and strip as bodies on vertical slide joints, and does gravity and the
integration at a small step. The slide is a moving base: its joint is put where the crank has it before each step.
The springs are applied as generalized forces, as the model says and worked out here anew.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace

import numpy as np
import pytest

from crankclock.dynamics import Run, Side
from test_dynamics import GRAVITY, NAMED, Case, random_case

mujoco = pytest.importorskip("mujoco")

ANGLE = 0.1  # deg, the accuracy asked for against a rigid-body engine
EVENT_ANGLE = 0.02  # deg; closer, as the engine's step allows it: each bounce adds to the error of the next
NEAR_TOP = 0.05e-3  # m below the strip lift, where the strip counts as raised
# An explicit step is unstable beyond about 2 / (damping rate of the strip between stripper and die face).
SHARE_OF_STABLE = 0.25

CASES = {
    "named": NAMED,
    "bounces at 339 /min, coil and gas": random_case(5),
    "little damping, gas and coil": random_case(8),
    "bounces at 326 /min, coils": random_case(9),
    "bounces often, hardly damped gas": replace(random_case(13), damping=0.05, rate=200.0),
}
BOUNCING = [name for name in CASES if name.startswith("bounces")]


def model_of(case: Case, step: float) -> mujoco.MjModel:
    """Three bodies on vertical joints in a world with nothing but gravity."""
    masses = {"slide": 1000.0, "stripper": case.stripper, "strip": case.strip}
    bodies = "".join(
        f'<body name="{name}"><joint type="slide" axis="0 0 1"/>'
        f'<inertial pos="0 0 0" mass="{mass!r}" diaginertia="1 1 1"/></body>'
        for name, mass in masses.items()
    )
    return mujoco.MjModel.from_xml_string(
        f'<mujoco><option timestep="{step!r}" integrator="Euler" gravity="0 0 {-GRAVITY!r}">'
        f'<flag contact="disable" constraint="disable"/></option><worldbody>{bodies}</worldbody></mujoco>'
    )


def forces_of(case: Case) -> Callable[[list[float], list[float]], tuple[float, float, float, float]]:
    """From heights and speeds of (slide, stripper face, strip) to the forces on both, of stripper and die contact."""
    k, t, lift, travel = case.stiffness, case.thickness, case.lift, case.travel
    heavy, light = (2.0 * case.damping * math.sqrt(k * mass) for mass in (case.stripper, case.strip))
    coil, rate = case.coil or (0.0, 0.0)
    gas, loss, exponent = case.gas or (0.0, 0.0, 1.0)

    def one_sided(depth: float, speed: float, damping: float) -> float:
        return max(0.0, k * depth + damping * speed) if depth > 0.0 else 0.0

    def forces(place: list[float], speed: list[float]) -> tuple[float, float, float, float]:
        y, face, strip = place
        dy, dface, dstrip = speed
        u = face - y - t + travel
        spring = coil + rate * u + gas * (1.0 - loss * u) ** -exponent
        hanger = one_sided(-u, dy - dface, heavy)
        press = one_sided(strip + t - face, dstrip - dface, heavy)
        die = one_sided(-strip, -dstrip, heavy)
        stop = one_sided(strip - lift, dstrip, light)
        lifters = case.lifter_force + case.lifter_rate * (lift - strip)
        return hanger + press - spring, lifters + die - press - stop, press, die

    return forces


def stable_step(case: Case) -> float:
    """Longest step that an explicit integration of the strip between stripper and die face bears [s]."""
    rate = 4.0 * case.damping * math.sqrt(case.stiffness * case.stripper) / case.strip
    swing = math.sqrt(2.0 * case.stiffness / case.strip)
    return min(2.0 / rate, 1.0 / swing)


@dataclass
class Watch:
    """Reads events and every landing on the die face off the engine's steps [s]."""

    level: float
    touch: float = math.nan
    clamped: float = math.nan
    unclamped: float = math.nan
    raised: float = math.nan
    landings: list[float] = field(default_factory=list)
    pressed: bool = False

    def look(self, time: float, strip: float, press: float, die: float) -> None:
        """What the forces and the strip's height of a step say."""
        if die > 0.0 and not self.pressed:
            self.landings.append(time)
        self.pressed = die > 0.0
        if press > 0.0 and math.isnan(self.touch):
            self.touch = time
        if die > 0.0 and self.touch <= time:
            self.clamped = time if math.isnan(self.clamped) else self.clamped
            self.unclamped, self.raised = time, math.nan
        if strip >= self.level and math.isnan(self.raised) and self.unclamped < time:
            self.raised = time

    def events(self) -> dict[str, float]:
        return {
            "stripper.touch": self.touch,
            "stripper.clamped": self.clamped,
            "stripper.unclamped": self.unclamped,
            "strip.raised": self.raised,
        }


def engine_turn(case: Case, face: float, strip: float, step: float) -> Watch:
    """One turn by the engine from rest at these heights [m]."""
    model = model_of(case, step)
    data = mujoco.MjData(model)
    slide, forces = plain_slide(case), forces_of(case)
    place, speed, push = data.qpos, data.qvel, data.qfrc_applied
    place[1:] = face, strip
    watch = Watch(case.lift - NEAR_TOP)
    for number in range(math.ceil(60.0 / case.rate / step)):
        place[0], speed[0] = slide(number * step)
        heights = place.tolist()
        push[1], push[2], press, die = forces(heights, speed.tolist())
        watch.look(number * step, heights[2], press, die)
        mujoco.mj_step(model, data)
    return watch


def plain_slide(case: Case) -> Callable[[float], tuple[float, float]]:
    """Height and speed of the in-line eccentric on floats; the crank turns evenly."""
    assert case.uneven == 0.0
    w, r, rod = case.speed, 0.5 * case.stroke, case.rod

    def motion(time: float) -> tuple[float, float]:
        c, s = math.cos(w * time), math.sin(w * time)
        root = math.sqrt(rod * rod - (r * s) ** 2)
        return rod + r + r * c - root, w * (-r * s + r * r * s * c / root)

    return motion


def apart(case: Case, ours: dict[str, np.ndarray], theirs: dict[str, float]) -> Iterator[tuple[str, float]]:
    """How far the engine's events are from ours [deg]; inf where only one side has it."""
    for name, time in theirs.items():
        mine = float(ours[name][0])
        if math.isnan(mine) or math.isnan(time):
            yield name, 0.0 if math.isnan(mine) and math.isnan(time) else math.inf
        else:
            yield name, math.degrees(case.speed * abs(mine - time))


@functools.cache
def both(name: str) -> tuple[Run, Watch]:
    """One turn by the program and by the engine."""
    case = CASES[name]
    reading = case.run()
    start = reading.at(0.0)
    step = SHARE_OF_STABLE * stable_step(case)
    return reading, engine_turn(case, float(start.face[0]), float(start.strip[0]), step)


@pytest.mark.parametrize("name", CASES)
def test_events_agree_with_the_engine(name):
    reading, theirs = both(name)
    assert not any(math.isnan(time) for time in theirs.events().values())
    differences = dict(apart(CASES[name], reading.events, theirs.events()))
    assert len(differences) == 4
    assert max(differences.values()) < EVENT_ANGLE, differences


@pytest.mark.parametrize("name", BOUNCING)
def test_every_landing_on_the_die_face_agrees_with_the_engine(name):
    """The die face lets go of the strip and takes it again before the bottom."""
    reading, theirs = both(name)
    ours = np.sort(reading.pressing(Side.DIE).start[:, 0])
    assert np.count_nonzero(ours < 0.5 * reading.period) >= 2
    assert len(theirs.landings) == ours.size
    np.testing.assert_allclose(np.degrees(CASES[name].speed * (ours - theirs.landings)), 0.0, atol=ANGLE)
