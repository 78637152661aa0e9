"""One turn of the crank with stripper and strip as masses, read off a fine grid.

Stripper and strip are carried through the turn by a general-purpose solver (LSODA) that is told the forces and
nothing of contacts: where one closes, the solver's own error control finds its way over the jump. Everything else
is read off an even grid of dial angles. The input is that of the rigid reference, `brute`; a motor-driven tap is
known here in every reading.
"""

from __future__ import annotations

import math
import warnings
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from scipy.integrate import odeint
from scipy.optimize import brentq

from . import brute
from .brute import MM, TIE, Events, Margins, Signal, Tool, Tree

GRAVITY = 9.80665
NEAR = 0.05e-3  # the strip counts as raised this close to its lift, and as held if no play is given [m]
GRAZE = 2e-6  # an extremum this close to its threshold decides nothing [m]
STEP = 0.002  # grid [deg]
STRIDE = 0.02  # the solver's longest step, shorter than any bounce [deg]
PRECISION = 1e-10  # the solver's, relative and of speeds [m/s]; of heights a hundredth of that [m]


@dataclass(frozen=True)
class Ride:
    """Stripper and strip over the grid, from the TDC that starts the stroke past the next.

    Dial angle [deg], heights of slide, strip underside and stripper face [m], the speed at which strip and stripper
    close [m/s], the force between them and that of the die face [N], the springs' compression [m] and its
    growth [m/s].
    """

    deg: Signal
    y: Signal
    zs: Signal
    zf: Signal
    closing: Signal
    stripper_force: Signal
    die_force: Signal
    compression: Signal
    piston_speed: Signal

    def turn(self) -> Ride:
        """The first turn alone."""
        return self.until(360.0)

    def apart(self, thickness: float) -> brute.Motion:
        """With the stripper face no lower than the strip's top: however hard they press, neither is in the other."""
        return brute.Motion(self.deg, self.y, self.zs, np.maximum(self.zf, self.zs + thickness))

    def until(self, last: float) -> Ride:
        """What lies before an angle [deg]."""
        count = int(np.searchsorted(self.deg, last + 1e-9))
        return Ride(**{name: values[:count] for name, values in vars(self).items()})

    def motion(self) -> brute.Motion:
        """As the rigid reference takes it."""
        return brute.Motion(self.deg, self.y, self.zs, self.zf)


@dataclass(frozen=True)
class Passing:
    """A distance that makes an event where it passes zero: for telling grazes from errors [deg, m]."""

    deg: Signal
    distance: Signal

    def grazes(self, angle: float, window: float = 0.6) -> bool:
        """Whether the distance has an extremum within GRAZE of zero near an angle [deg]."""
        near = self.distance[np.abs(self.deg - angle) <= window]
        turns = near[1:-1][(near[1:-1] - near[:-2]) * (near[2:] - near[1:-1]) <= 0.0]
        return bool(np.any(np.abs(turns) <= GRAZE))


@dataclass(frozen=True)
class Forces:
    """What the clamp-force rule starts from for one tap: least forces between touch and leave [N]."""

    stripper: float
    die: float
    clamp: float  # the lesser of both at any time


@dataclass(frozen=True)
class Result:
    """All readings of one cycle.

    ``margins`` are the worst of hand and running for the rules about feeder and rolls, else of running;
    compression [m], piston speed [m/s] and force [N] are greatest of the turn; ``contact_lost`` is for how many
    degrees the stripper does not press while the slide is low enough for it; ``signals`` are by event.
    """

    hand: Events
    rigid: Events
    running: Events
    margins: Margins
    forces: dict[str, Forces | None]
    held: dict[str, tuple[float, float] | None]
    compression: float
    piston_speed: float
    peak_force: float
    contact_lost: float
    ride: Ride
    signals: dict[str, Passing]


def simulate(scenario: Tree, step: float = STEP) -> Result:
    """Run one turn of the crank and judge it.

    Parameters
    ----------
    scenario : dict
        Nested SI floats, see `brute`; a motor's speed and acceleration in turns.
    step : float
        Grid step [deg].
    """
    ride = carry(scenario, step)
    reader = Reader(scenario, ride)
    rigid_motion = brute.sample(press_driven(scenario), brute.slide_height(scenario["press"]), 0.01)
    hand = read_rigid(scenario, rigid_motion, hand=True)
    rigid = read_rigid(scenario, rigid_motion, hand=False)
    running = reader.events()
    margins = brute.fixed_margins(running, reader.tools)
    by_hand = brute.feed_margins(scenario, rigid_motion, hand.events, hand.tools)
    turn = ride.turn()
    apart = turn.apart(scenario["strip"]["thickness"])
    by_power = brute.feed_margins(scenario, apart, running, reader.tools)
    margins |= {key: brute.worst(by_hand[key], by_power[key]) for key in by_hand}
    as_built = [tool for tool in rigid.tools if not tool.id.startswith("tap:")]
    open_press = brute.fixed_margins(rigid.events, as_built + [tool for tool in reader.tools if tool.id in reader.held])
    margins |= {key: value for key, value in open_press.items() if key[0] == "open-height"}
    margins["strip-up-in-time", None] = brute.less(running["feed.start"], running["strip.settled"])
    for tool in rigid.tools:
        if "drive-travel" in tool.margins:
            margins["drive-travel", tool.id] = tool.margins["drive-travel"]
    for tool in reader.tools:
        if tool.id.startswith("tap:"):
            margins["clamped-while-tapping", tool.id] = reader.clamped_while(tool, reader.held[tool.id])
        if tool.id.startswith("punch:"):
            margins["clamped-while-punching", tool.id] = reader.clamped_while(tool, reader.held_for_punches())
    deepest, fastest = float(turn.compression.max()), float(np.abs(turn.piston_speed).max())
    deepest = max(deepest, float(scenario["stripper"]["travel"] - turn.y.min()), 0.0)  # overshoot is never negative
    margins |= spring_margins(scenario, deepest, fastest)
    return Result(
        hand=hand.events,
        rigid=rigid.events,
        running=running,
        margins={key: brute.tidy(value) for key, value in margins.items()},
        forces={tool.id: reader.forces(tool) for tool in reader.tools if tool.id.startswith("tap:")},
        held=reader.held,
        compression=deepest,
        piston_speed=fastest,
        peak_force=peak_force(scenario, turn),
        contact_lost=contact_lost(scenario, turn),
        ride=ride,
        signals=reader.signals,
    )


def spring_margins(scenario: Tree, deepest: float, fastest: float) -> Margins:
    """Travel [mm] and piston speed [m/s] left of the springs' ratings."""
    margins: Margins = {}
    for name, spring in scenario["stripper"]["spring"].items():
        preload = spring["force"] / spring["rate"] if spring["kind"] == "coil" else 0.0
        margins["spring-travel", f"spring:{name}"] = MM * (spring["travel"] - preload - deepest)
        if "speed" in spring:
            margins["spring-speed", f"spring:{name}"] = spring["speed"] - fastest
    return margins


def press_driven(scenario: Tree) -> Tree:
    """The scenario without its motor-driven taps, which the rigid reference does not know."""
    taps = {name: tap for name, tap in scenario.get("tap", {}).items() if tap["drive"]["kind"] == "press"}
    return scenario | {"tap": taps}


# --- slide -----------------------------------------------------------------------------------------------


def slide_motion(press: Tree, functions: Any = math) -> Callable[[Any], tuple[Any, Any]]:
    """Height above nominal BDC [m] and its slope [m/rad] at a dial angle [rad]; at many with numpy's functions."""
    sin, cos, sqrt = functions.sin, functions.cos, functions.sqrt
    slide = press["slide"]
    stroke, rod, offset = slide["stroke"], slide.get("connecting_rod"), slide.get("offset", 0.0)
    shift = press.get("bdc_shift", 0.0)
    if rod is None:
        half = stroke / 2.0
        return lambda a: (half * (1.0 + cos(a)) - shift, -half * sin(a))
    crank = brute.crank_radius(stroke, rod, offset)

    def pin(theta: Any) -> tuple[Any, Any]:
        """Slide pin from the crank centre, rod hanging, and its slope."""
        across, rise = crank * sin(theta) - offset, crank * cos(theta)
        hangs = sqrt(rod * rod - across * across)
        return rise - hangs, -crank * sin(theta) + across * rise / hangs

    top, bottom = (brentq(lambda a: pin(a)[1], at - 1.5, at + 1.5, xtol=1e-14) for at in (0.0, math.pi))
    lowest = pin(bottom)[0] + shift

    def motion(a: Any) -> tuple[Any, Any]:
        height, slope = pin(a + top)
        return height - lowest, slope

    return motion


# --- forces and motion -----------------------------------------------------------------------------------


class Plates:
    """Forces on stripper and strip: springs, hanger, strip, die face, lifter stop, lifters, gravity."""

    def __init__(self, scenario: Tree) -> None:
        strip, stripper = scenario["strip"], scenario["stripper"]
        contact = {"stiffness": 5e8, "damping": 0.5} | scenario.get("contact", {})
        self.stripper_mass, self.strip_mass = stripper["mass"], strip["mass"]
        self.thickness, self.lift, self.travel = strip["thickness"], strip["lift"], stripper["travel"]
        self.lifter_force, self.lifter_rate = strip["lifter_force"], strip.get("lifter_rate", 0.0)
        self.k = contact["stiffness"]
        self.c = 2.0 * contact["damping"] * math.sqrt(self.k * self.stripper_mass)
        self.c_stop = 2.0 * contact["damping"] * math.sqrt(self.k * self.strip_mass)
        self.springs = list(stripper["spring"].values())

    def spring_force(self, compression: float) -> float:
        """All springs together [N]; where the hanger stop gives and they are longer than free, their laws go on."""
        u, total = compression, 0.0
        for spring in self.springs:
            if spring["kind"] == "coil":
                force = spring["force"] + spring["rate"] * u
            else:
                share = (1.0 - spring["force"] / spring["end_force"]) / spring["travel"]
                force = spring["force"] * (1.0 - share * u) ** -spring.get("exponent", 1.0)
            total += spring.get("count", 1) * force
        return total

    def push(self, depth: Any, growth: Any, damping: float) -> Any:
        """A one-sided contact's force [N], for numbers or arrays."""
        return np.where(depth > 0.0, np.maximum(self.k * depth + damping * growth, 0.0), 0.0)

    def rates(self, y: float, dy: float, state: Any) -> tuple[float, float, float, float]:
        """Time derivative of the stripper face, the strip underside and their speeds."""
        zf, zs, vf, vs = state
        k, c = self.k, self.c
        u, du = zf - (y + self.thickness - self.travel), vf - dy
        hanger = max(0.0, -k * u - c * du) if u < 0.0 else 0.0
        depth = zs + self.thickness - zf
        between = max(0.0, k * depth + c * (vs - vf)) if depth > 0.0 else 0.0
        die = max(0.0, -k * zs - c * vs) if zs < 0.0 else 0.0
        over = zs - self.lift
        stop = max(0.0, k * over + self.c_stop * vs) if over > 0.0 else 0.0
        lifters = self.lifter_force + self.lifter_rate * (self.lift - zs)
        return (
            vf,
            vs,
            (hanger + between - self.spring_force(u)) / self.stripper_mass - GRAVITY,
            (die + lifters - between - stop) / self.strip_mass - GRAVITY,
        )

    def rest(self, y: float) -> list[float]:
        """At rest with the slide still: each mass where its forces balance, the higher the less push it gets."""

        def stripper_at(zs: float) -> float:
            return bracketed(lambda zf: self.rates(y, 0.0, (zf, zs, 0.0, 0.0))[2], y + self.thickness - self.travel)

        zs = bracketed(lambda zs: self.rates(y, 0.0, (stripper_at(zs), zs, 0.0, 0.0))[3], self.lift)
        return [stripper_at(zs), zs, 0.0, 0.0]


def bracketed(falling: Callable[[float], float], start: float) -> float:
    """Root of a falling function, looked for in ever wider steps from a start."""
    step = 1e-6 if falling(start) > 0.0 else -1e-6
    while falling(start + step) * step > 0.0:
        step *= 2.0
    low, high = sorted((start, start + step))
    return float(brentq(falling, low, high, xtol=1e-16))


def carry(scenario: Tree, step: float = STEP, precision: float = PRECISION) -> Ride:
    """From rest at TDC through the turn and on to the next touch of the stripper, or till the motors are home."""
    plates, slide = Plates(scenario), slide_motion(scenario["press"])
    speed = 2.0 * math.pi * scenario["press"]["rate"]
    start = plates.rest(slide(0.0)[0])

    def rates(state: Any, time: float) -> tuple[float, float, float, float]:
        y, slope = slide(speed * time)
        return plates.rates(y, speed * slope, state)

    def along(first: float, last: float, state: Any) -> tuple[Signal, Signal]:
        deg = np.linspace(first, last, round((last - first) / step) + 1)
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            longest = math.radians(STRIDE) / speed
            atol = precision * np.array([1e-2, 1e-2, 1.0, 1.0])
            times = np.radians(deg) / speed
            states = odeint(rates, state, times, rtol=precision, atol=atol, hmax=longest, mxstep=10**6)
        return deg, states

    deg, states = along(0.0, 360.0, start)
    touching = np.flatnonzero(states[:, 1] + plates.thickness > states[:, 0])
    last = 360.0 + (float(deg[touching[0]]) if touching.size else 0.0)
    last = max(last, *(motor_home(scenario, tap) for tap in motors(scenario)), 360.0) + 5.0
    deg_on, states_on = along(360.0, float(math.ceil(last)), states[-1])
    return make_ride(scenario, plates, np.append(deg, deg_on[1:]), np.vstack([states, states_on[1:]]))


def make_ride(scenario: Tree, plates: Plates, deg: Signal, states: Signal) -> Ride:
    """Heights and forces from the states at the grid's angles."""
    speed = 2.0 * math.pi * scenario["press"]["rate"]
    y, slope = slide_motion(scenario["press"], np)(np.radians(deg))
    zf, zs, vf, vs = states.T
    return Ride(
        deg=deg,
        y=y,
        zs=zs,
        zf=zf,
        closing=vs - vf,
        stripper_force=plates.push(zs + plates.thickness - zf, vs - vf, plates.c),
        die_force=plates.push(-zs, -vs, plates.c),
        compression=zf - (y + plates.thickness - plates.travel),
        piston_speed=vf - speed * slope,
    )


# --- the running events ----------------------------------------------------------------------------------


def forces_on(deg: Signal, force: Signal) -> tuple[Signal, Signal]:
    """Angles [deg] at which a force comes on and goes off; at the ends of the grid if it is on there."""
    on = np.concatenate([[False], force > 0.0, [False]])
    middle = np.concatenate([deg[:1], (deg[:-1] + deg[1:]) / 2.0, deg[-1:]])
    return middle[~on[:-1] & on[1:]], middle[on[:-1] & ~on[1:]]


def peak_force(scenario: Tree, ride: Ride) -> float:
    """Greatest force between stripper and strip [N], in the very instant of an impact too.

    There the damper takes up the closing speed at once and lets go within microseconds, between two grid points.
    """
    before = np.flatnonzero((ride.stripper_force[:-1] <= 0.0) & (ride.stripper_force[1:] > 0.0))
    hits = before[(before > 0) & (ride.zs + scenario["strip"]["thickness"] < ride.zf)[before]]
    impact = np.maximum(2.0 * ride.closing[hits] - ride.closing[hits - 1], ride.closing[hits])
    return float(max(ride.stripper_force.max(), *(Plates(scenario).c * impact), 0.0))


def contact_lost(scenario: Tree, ride: Ride) -> float:
    """For how many degrees the stripper does not press though the slide is below clamping height."""
    lost = (ride.stripper_force <= 0.0) & (ride.y <= scenario["stripper"]["travel"])
    return float(lost.sum() * (ride.deg[1] - ride.deg[0]))


def first(values: Signal) -> float | None:
    return float(values[0]) if values.size else None


def last(values: Signal) -> float | None:
    return float(values[-1]) if values.size else None


class Reader:
    """Reads the events of the running reading off a ride."""

    def __init__(self, scenario: Tree, ride: Ride) -> None:
        self.scenario, self.ride, self.whole = scenario, ride.turn(), ride
        self.play = scenario["strip"].get("play", NEAR)
        self.signals: dict[str, Passing] = {}
        self.held: dict[str, tuple[float, float] | None] = {}
        self.tools: list[Tool] = []
        self.clamping: tuple[float, float] | None = None

    def events(self) -> Events:
        """All events; fills tools, signals and held intervals besides."""
        events = self.strip_events()
        apart = self.ride.apart(self.scenario["strip"]["thickness"])
        for family in ("pilot", "punch"):
            for name in self.scenario.get(family, {}):
                tool = brute.plain_tool(self.scenario, apart, family, name)
                events |= tool_events(tool)
                self.tools.append(tool)
                self.note_tool(tool)
        for name, tap in self.scenario.get("tap", {}).items():
            found, tool = self.tap(name, tap)
            events |= found
            self.tools.append(tool)
            self.held[tool.id] = self.held_around(found[f"{tool.id}.full"], tool.id)
        return events | brute.feed_events(self.scenario, hand=False)

    def strip_events(self) -> Events:
        """What stripper and strip do."""
        ride, lift, thickness = self.ride, self.scenario["strip"]["lift"], self.scenario["strip"]["thickness"]
        presses, frees = forces_on(ride.deg, ride.stripper_force)
        touch = first(presses)
        if touch is None or ride.stripper_force[0] > 0.0:
            touch = None
        die_on, die_off = forces_on(ride.deg, ride.die_force)
        clamped = unclamped = None
        if touch is not None:
            pressed_after = die_on[die_off > touch]
            clamped = max(float(pressed_after[0]), touch) if pressed_after.size else None
        if clamped is not None:
            unclamped = last(die_off[die_off > clamped])
            if ride.die_force[-1] > 0.0:  # it lies on the die by its own weight: where the stripper lets go of it
                unclamped = last(frees[frees > clamped])
        self.signals["stripper.touch"] = Passing(ride.deg, ride.zs + thickness - ride.zf)
        self.signals["stripper.clamped"] = self.signals["stripper.unclamped"] = Passing(ride.deg, -ride.zs)
        if clamped is not None and unclamped is not None:
            self.clamping = clamped, unclamped
        raised, settled = self.rise(lift, unclamped)
        return {
            "stripper.touch": touch,
            "stripper.clamped": clamped,
            "stripper.unclamped": unclamped,
            "strip.raised": raised,
            "strip.settled": settled,
        }

    def rise(self, lift: float, unclamped: float | None) -> tuple[float | None, float | None]:
        """First coming up to the lift, and the last before the stripper comes again: gone by then, it never settles."""
        ride, after = self.whole, np.flatnonzero((self.whole.deg > 360.0) & (self.whole.stripper_force > 0.0))
        ends = int(after[0]) if after.size else ride.deg.size
        deg, below = ride.deg[:ends], lift - NEAR - ride.zs[:ends]
        passing = Passing(deg, below)
        self.signals["strip.raised"] = self.signals["strip.settled"] = passing
        if unclamped is None:
            return None, None
        ups = np.array([at for at in brute.crossings(deg, below) if below[np.searchsorted(deg, at)] <= 0.0])
        ups = ups[ups > unclamped]
        if np.interp(unclamped, deg, below) <= 0.0:
            ups = np.concatenate([[unclamped], ups])
        return first(ups), last(ups) if below[-1] <= 0.0 else None

    def note_tool(self, tool: Tool) -> None:
        """Keep the distances that make a tool's events."""
        family, name = tool.id.split(":")
        spec, motion = self.scenario[family][name], self.ride.motion()
        tip = motion.y - spec["penetration"] if spec["mount"] == "slide" else motion.zf - spec["projection"]
        clearance = tip - motion.zs - self.scenario["strip"]["thickness"]
        for event in ("enter", "leave"):
            self.signals[f"{tool.id}.{event}"] = Passing(motion.deg, clearance)
        for event in ("located", "unlocated"):
            self.signals[f"{tool.id}.{event}"] = Passing(motion.deg, clearance + spec.get("nose", 0.0))

    # --- taps --------------------------------------------------------------------------------------------

    def tap(self, name: str, tap: Tree) -> tuple[Events, Tool]:
        """Events of a tap and its clearance while the strip is not held."""
        if tap["drive"]["kind"] == "motor":
            ride = self.whole.until(max(360.0, motor_home(self.scenario, tap)))
            path = motor_path(self.scenario, tap, ride.motion())
        else:
            ride = self.ride
            path = press_path(self.scenario, tap, ride.motion())
        events, tool = read_tap(self.scenario, ride.motion(), name, tap, path)
        held = self.holds(ride)
        let_go = np.interp(brute.crossings(ride.deg, ride.zs - self.play), ride.deg, path.gap)
        free = np.concatenate([path.gap[~held], let_go if self.scenario["strip"]["lift"] > self.play else []])
        tool.margins["tap-clear-of-strip"] = clearance(free, tap, events[f"{tool.id}.retouch"])
        tool.margins["full-thread"] = self.full_thread(tap, ride, held)
        for event in ("touch", "full", "leave", "retouch"):
            self.signals[f"{tool.id}.{event}"] = Passing(ride.deg, path.gap)
        height = brute.threaded_height(self.scenario, tap)
        self.signals[f"{tool.id}.through"] = Passing(ride.deg, path.gap + height)
        if path.travel is not None:
            self.signals[f"{tool.id}.engage"] = Passing(ride.deg, path.travel)
        return events, tool

    def holds(self, ride: Ride) -> Signal:
        """Where the strip is held. One whose lift is no more than its play is, while it is clamped."""
        if self.scenario["strip"]["lift"] > self.play:
            return np.asarray(ride.zs <= self.play)
        if self.clamping is None:
            return np.zeros_like(ride.deg, dtype=bool)
        return np.asarray((ride.deg > self.clamping[0]) & (ride.deg < self.clamping[1]))

    def full_thread(self, tap: Tree, ride: Ride, held: Signal) -> float | None:
        """Greatest depth by the rigid mechanism while the strip is held, beyond what is wanted [mm]."""
        every = slice(None, None, 5)
        motion = brute.strip_motion(self.scenario, ride.deg[every], ride.y[every])
        make = motor_path if tap["drive"]["kind"] == "motor" else press_path
        gap = make(self.scenario, tap, motion).gap[held[every]]
        wanted = brute.threaded_height(self.scenario, tap) + tap["chamfer"] * tap["thread"]["pitch"]
        return float(-gap.min() - wanted) * MM if gap.size else None

    def held_around(self, full: float | None, tool: str) -> tuple[float, float] | None:
        """The held interval around full depth [deg], no further than to the ends of the turn."""
        ride = self.whole
        self.signals[f"{tool}.held"] = Passing(ride.deg, ride.zs - self.play)
        if full is None:
            return None
        if self.scenario["strip"]["lift"] <= self.play:
            return self.clamping
        loose = ride.zs - self.play
        at = int(np.argmin(np.abs(ride.deg - full)))
        if loose[at] > 0.0:
            return None
        edges = brute.crossings(ride.deg, loose)
        ends = 360.0 * (1.0 + full // 360.0)
        before, after = edges[edges <= full], edges[edges > full]
        return float(before[-1]) if before.size else 0.0, min(float(after[0]), ends) if after.size else ends

    def held_for_punches(self) -> tuple[float, float] | None:
        """Where the strip is clamped, no longer than it is held about BDC."""
        bottom = float(self.ride.deg[np.argmin(self.ride.y)])
        held, clamping = self.held_around(bottom, "punch"), self.clamping
        if held is None or clamping is None:
            return None
        return max(held[0], clamping[0]), min(held[1], clamping[1])

    def clamped_while(self, tool: Tool, held: tuple[float, float] | None) -> float | None:
        """Degrees the strip is held before a tool comes in and after it goes out, the lesser."""
        touch, leave = tool.contact.enter, tool.contact.leave
        if touch is None or leave is None:
            return None
        return touch - leave if held is None else min(touch - held[0], held[1] - leave)

    def forces(self, tool: Tool) -> Forces | None:
        """Least forces while the tap is in the strip."""
        touch, leave = tool.contact.enter, tool.contact.leave
        if touch is None or leave is None:
            return None
        within = (self.whole.deg >= touch) & (self.whole.deg <= leave)
        stripper, die = self.whole.stripper_force[within], self.whole.die_force[within]
        return Forces(float(stripper.min()), float(die.min()), float(np.minimum(stripper, die).min()))


def tool_events(tool: Tool) -> Events:
    """A pilot's or punch's events by id."""
    events: Events = {f"{tool.id}.enter": tool.contact.enter, f"{tool.id}.leave": tool.contact.leave}
    if tool.located is not None:
        events |= {f"{tool.id}.located": tool.located.enter, f"{tool.id}.unlocated": tool.located.leave}
    return events


# --- taps in any reading ---------------------------------------------------------------------------------


@dataclass(frozen=True)
class Path:
    """A tap over the grid: gap and advance [m], when it engages and is home [deg].

    ``travel`` is how far the drive's length is above engagement [m]; a motor has none.
    """

    gap: Signal
    advance: Signal
    engage: float | None
    home: float | None
    travel: Signal | None


def press_path(scenario: Tree, tap: Tree, motion: brute.Motion) -> Path:
    """A spindle turned by the press, its backlash walked step by step."""
    pitch = tap["thread"]["pitch"]
    engage, gearing, slack = brute.spindle(scenario, tap)
    q = brute.drive_position(scenario, motion, tap)
    command = gearing * (engage - q)
    advance = pitch * brute.walk(command, slack)
    gap = brute.entry_distance(scenario, tap, motion.zs, motion.zf) - advance
    home = brute.home(motion.deg, advance, pitch * (command + slack))
    return Path(gap, advance, brute.contact(motion.deg, q - engage).enter, home, q - engage)


def read_tap(scenario: Tree, motion: brute.Motion, name: str, tap: Tree, path: Path) -> tuple[Events, Tool]:
    """A tap's events from its path."""
    deg, gap = motion.deg, path.gap
    cutting = brute.contact(deg, gap)
    tool = Tool(f"tap:{name}", cutting, brute.room_at_top(scenario, tap, motion, float(gap[0])))
    deepest = int(np.argmax(gap <= gap.min() + brute.SAME))
    events: Events = {
        "engage": path.engage,
        "touch": cutting.enter,
        "through": brute.contact(deg, gap + brute.threaded_height(scenario, tap)).enter,
        "full": float(deg[deepest]) if gap[deepest] <= TIE else None,
        "leave": cutting.leave,
        "home": path.home,
        "retouch": brute.retouch(deg, gap),
    }
    return {f"{tool.id}.{key}": value for key, value in events.items()}, tool


def clearance(gap: Signal, tap: Tree, retouch: float | None) -> float | None:
    """Least clearance of the point over the gaps given [mm]; one that touches twice fails in any case."""
    if not gap.size:
        return None
    least = float(np.min(gap) - tap.get("point", 0.0)) * MM
    return None if retouch is not None and not brute.fails(least) else least


# --- motor-driven spindles -------------------------------------------------------------------------------


def motors(scenario: Tree) -> list[Tree]:
    """The motor-driven taps."""
    return [tap for tap in scenario.get("tap", {}).values() if tap["drive"]["kind"] == "motor"]


def motor_turns(scenario: Tree, tap: Tree) -> float:
    """Turns to full depth with the strip clamped and the slide at nominal BDC."""
    down = brute.strip_motion(scenario, np.zeros(1), np.zeros(1))
    way = float(brute.entry_distance(scenario, tap, down.zs, down.zf)[0])
    pitch = tap["thread"]["pitch"]
    depth = brute.threaded_height(scenario, tap) + tap["chamfer"] * pitch + tap.get("extra_depth", pitch)
    return float((way + depth) / pitch)


def motor_way(scenario: Tree, tap: Tree) -> float:
    """Time of one way [s]."""
    turns, speed, acceleration = motor_turns(scenario, tap), tap["drive"]["speed"], tap["drive"]["acceleration"]
    if speed**2 / acceleration >= turns:
        return 2.0 * math.sqrt(turns / acceleration)
    return float(turns / speed + speed / acceleration)


def motor_start(scenario: Tree, tap: Tree) -> float:
    """When the spindle begins to turn [deg]."""
    drive = tap["drive"]
    delay = float(360.0 * scenario["press"]["rate"] * drive.get("latency", 0.0))
    return math.degrees(drive["start"]) % 360.0 + delay


def motor_home(scenario: Tree, tap: Tree) -> float:
    """When it is back [deg]."""
    return motor_start(scenario, tap) + 720.0 * scenario["press"]["rate"] * motor_way(scenario, tap)


def motor_path(scenario: Tree, tap: Tree, motion: brute.Motion) -> Path:
    """A motor-driven spindle in real time; its way in mirrored is its way out."""
    turns, speed, acceleration = motor_turns(scenario, tap), tap["drive"]["speed"], tap["drive"]["acceleration"]
    way, start = motor_way(scenario, tap), motor_start(scenario, tap)
    time = (motion.deg - start) / (360.0 * scenario["press"]["rate"])
    time = np.clip(np.minimum(time, 2.0 * way - time), 0.0, way)
    ramp = min(speed / acceleration, way / 2.0)
    turned = np.where(time < ramp, acceleration * time**2 / 2.0, acceleration * ramp * (time - ramp / 2.0))
    stopping = turns - acceleration * (way - time) ** 2 / 2.0
    advance = tap["thread"]["pitch"] * np.where(time > way - ramp, stopping, turned)
    gap = brute.entry_distance(scenario, tap, motion.zs, motion.zf) - advance
    return Path(gap, advance, start, motor_home(scenario, tap), None)


def motor_by_hand(scenario: Tree, tap: Tree, motion: brute.Motion, name: str) -> tuple[Events, Tool]:
    """In and out again without time at its command angle.

    A tap that reaches the strip without a turn is in it for as long as that lasts.
    """
    start = math.degrees(tap["drive"]["start"]) % 360.0
    at = int(np.argmin(np.abs(motion.deg - start)))
    resting = brute.entry_distance(scenario, tap, motion.zs, motion.zf)
    in_at_rest = brute.contact(motion.deg, resting)
    least = float(resting[at]) - tap["thread"]["pitch"] * motor_turns(scenario, tap)
    met = least <= TIE
    cutting = in_at_rest
    if met and not in_at_rest.at_top:
        spans = [at for at in (in_at_rest.enter, in_at_rest.leave, start) if at is not None]
        cutting = brute.Contact(min(spans), max(spans), at_top=False)
    tool = Tool(f"tap:{name}", cutting, brute.room_at_top(scenario, tap, motion, float(resting[0])))
    lowest = float(motion.deg[np.argmax(resting <= resting.min() + brute.SAME)])
    deepest = lowest if resting.min() < least else start
    events = {
        "engage": start,
        "touch": cutting.enter,
        "through": start if least + brute.threaded_height(scenario, tap) <= TIE else None,
        "full": deepest if met or resting.min() <= TIE else None,
        "leave": cutting.leave,
        "home": start,
        "retouch": None,
    }
    return {f"{tool.id}.{key}": value for key, value in events.items()}, tool


# --- hand and rigid, motors included ---------------------------------------------------------------------


@dataclass
class Rigid:
    """Events and tools of a rigid reading."""

    events: Events
    tools: list[Tool]


def read_rigid(scenario: Tree, motion: brute.Motion, *, hand: bool) -> Rigid:
    """The rigid mechanism, turned by hand or at the rate."""
    read = Rigid(brute.strip_events(scenario, motion), [])
    for family in ("pilot", "punch"):
        for name in scenario.get(family, {}):
            tool = brute.plain_tool(scenario, motion, family, name)
            read.events |= tool_events(tool)
            read.tools.append(tool)
    for name, tap in scenario.get("tap", {}).items():
        if tap["drive"]["kind"] == "press":
            events, tool = brute.tap_cycle(scenario, motion, name, tap)
        elif hand:
            events, tool = motor_by_hand(scenario, tap, motion, name)
        else:
            events, tool = rigid_motor(scenario, motion, name, tap)
        read.events |= events
        read.tools.append(tool)
    read.events |= brute.feed_events(scenario, hand=hand)
    return read


def rigid_motor(scenario: Tree, motion: brute.Motion, name: str, tap: Tree) -> tuple[Events, Tool]:
    """A motor-driven tap at the rate: the strip repeats itself turn after turn."""
    end = max(360.0, motor_home(scenario, tap))
    repeats = [replace(motion, deg=motion.deg + 360.0 * turn) for turn in range(1 + int(end // 360.0))]
    parts = {key: np.concatenate([getattr(one, key)[i > 0 :] for i, one in enumerate(repeats)]) for key in vars(motion)}
    count = int(np.searchsorted(parts["deg"], end + 1e-9)) + 1
    long = brute.Motion(**{key: values[:count] for key, values in parts.items()})
    path = motor_path(scenario, tap, long)
    events, tool = read_tap(scenario, long, name, tap, path)
    travel = scenario["stripper"]["travel"]
    free, held = long.y >= travel - brute.EDGE, long.y <= travel + brute.EDGE
    tool.margins["tap-clear-of-strip"] = clearance(path.gap[free], tap, events[f"{tool.id}.retouch"])
    wanted = brute.threaded_height(scenario, tap) + tap["chamfer"] * tap["thread"]["pitch"]
    tool.margins["full-thread"] = float(np.max(-path.gap[held]) - wanted) * MM if held.any() else None
    return events, tool
