"""One rigid press cycle by stepping the crank on a fine grid.

Everything here is deliberately simple-minded: the slide height comes from the triangle of crank and rod,
the spindle is a hysteresis walked step by step, events are read off the grid where a signal changes sign.
The input is a plain nested dict with the key tree of a scenario file and SI floats in it: metres, radians,
seconds, strokes per second, turns per metre; ``thread`` is ``{"pitch": m, "diameter": m}``.
Events are dial degrees, margins are degrees or millimetres; a margin of None is a failure because an event
the rule needs cannot happen.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq

Tree = dict[str, Any]
Signal = NDArray[np.float64]
Events = dict[str, float | None]
Margins = dict[tuple[str, str | None], float | None]

TIE = 1e-9  # a contact closer than this counts as in [m]; a margin closer than this to zero is zero
SAME = 1e-12  # depths this close are the same [m]
EDGE = 1e-8  # grid points this close to the clamping height lie on it [m]
MM = 1e3
# greatest velocity and acceleration of a move, in h/T and h/T^2
LAWS = {
    "cycloidal": (2.0, 2.0 * math.pi),
    "modified-sine": (4.0 * math.pi / (4.0 + math.pi), 4.0 * math.pi**2 / (4.0 + math.pi)),
    "modified-trapezoid": (2.0, 8.0 * math.pi / (2.0 + math.pi)),
    "3-4-5": (1.875, 10.0 / math.sqrt(3.0)),
}


@dataclass(frozen=True)
class Result:
    """Events of both readings and the margins, each the worst of the readings it is judged in."""

    hand: Events
    rigid: Events
    margins: Margins


@dataclass(frozen=True)
class Contact:
    """When a signal first comes in and last goes out [deg]; ``at_top``: it is in at TDC already."""

    enter: float | None
    leave: float | None
    at_top: bool


@dataclass
class Tool:
    """A pilot, punch or tap: its contact with the strip and what the rules ask besides."""

    id: str
    contact: Contact
    room_at_top: float  # at TDC, between its tip and the raised strip with what stands above it [m]
    located: Contact | None = None
    margins: dict[str, float | None] = field(default_factory=dict)


@dataclass(frozen=True)
class Motion:
    """Slide, strip and stripper over the grid: dial angle [deg] and heights [m]."""

    deg: Signal
    y: Signal
    zs: Signal
    zf: Signal


def fails(margin: float | None) -> bool:
    """Whether a margin is a failure."""
    return margin is None or margin < -TIE


def simulate(scenario: Tree, step: float = 0.01) -> Result:
    """Step one turn of the crank and judge it.

    Parameters
    ----------
    scenario : dict
        Nested SI floats, see the module.
    step : float
        Grid step [deg].
    """
    slide = slide_height(scenario["press"])
    motion = sample(scenario, slide, step)
    common = strip_events(scenario, motion)
    tools = [
        *(plain_tool(scenario, motion, "pilot", name) for name in scenario.get("pilot", {})),
        *(plain_tool(scenario, motion, "punch", name) for name in scenario.get("punch", {})),
    ]
    for tool in tools:
        common |= {f"{tool.id}.enter": tool.contact.enter, f"{tool.id}.leave": tool.contact.leave}
        if tool.located is not None:
            common |= {f"{tool.id}.located": tool.located.enter, f"{tool.id}.unlocated": tool.located.leave}
    for name, tap in scenario.get("tap", {}).items():
        events, tool = tap_cycle(scenario, motion, name, tap)
        common |= events
        tools.append(tool)
    hand = common | feed_events(scenario, hand=True)
    rigid = common | feed_events(scenario, hand=False)
    margins = fixed_margins(common, tools)
    by_hand, by_power = (feed_margins(scenario, motion, events, tools) for events in (hand, rigid))
    margins |= {key: worst(by_hand[key], by_power[key]) for key in by_hand}
    return Result(hand, rigid, {key: tidy(value) for key, value in margins.items()})


# --- slide ---------------------------------------------------------------------------------------------


def slide_height(press: Tree) -> Callable[[Signal], Signal]:
    """Height above nominal BDC [m] as a function of the dial angle [deg], BDC shift included."""
    slide = press["slide"]
    if slide["kind"] != "eccentric":
        raise ValueError(f"no reference for a slide of kind {slide['kind']}")
    stroke, rod, offset = slide["stroke"], slide.get("connecting_rod"), slide.get("offset", 0.0)
    shift = press.get("bdc_shift", 0.0)
    if rod is None:
        return lambda deg: stroke / 2.0 * (1.0 + np.cos(np.radians(deg))) - shift
    crank = crank_radius(stroke, rod, offset)

    def height(theta: Signal | float) -> Any:
        """Slide pin from the crank centre, rod hanging; ``offset`` lies on the downstroke side."""
        return crank * np.cos(theta) - np.sqrt(rod**2 - (crank * np.sin(theta) - offset) ** 2)

    def slope(theta: float) -> float:
        across = crank * math.sin(theta) - offset
        lean = across / math.sqrt(rod**2 - across**2)
        return float(-crank * math.sin(theta) + lean * crank * math.cos(theta))

    top = brentq(slope, -math.pi / 2, math.pi / 2, xtol=1e-14)
    bottom = brentq(slope, math.pi / 2, 3 * math.pi / 2, xtol=1e-14)
    lowest = float(height(bottom))
    return lambda deg: height(np.radians(deg) + top) - lowest - shift


def crank_radius(stroke: float, rod: float, offset: float) -> float:
    """Crank radius [m] that gives the stroke."""

    def excess(crank: float) -> float:
        return math.sqrt((rod + crank) ** 2 - offset**2) - math.sqrt((rod - crank) ** 2 - offset**2) - stroke

    return float(brentq(excess, 0.0, (rod - abs(offset)) * (1.0 - 1e-12), xtol=1e-15))


def sample(scenario: Tree, slide: Callable[[Signal], Signal], step: float) -> Motion:
    """Heights on the even grid, with the angles added at which some signal has a corner."""
    deg = np.union1d(np.linspace(0.0, 360.0, round(360.0 / step) + 1), lowest_angle(slide))
    for _ in range(2):  # the second time in the small cells the first has made
        deg = np.union1d(deg, corners(scenario, strip_motion(scenario, deg, slide(deg))))
    return strip_motion(scenario, deg, slide(deg))


def corners(scenario: Tree, motion: Motion) -> Signal:
    """Angles at which the stripper meets strip or die, a spindle engages or has taken up its backlash."""
    travel, lift = scenario["stripper"]["travel"], scenario["strip"]["lift"]
    found = [crossings(motion.deg, motion.y - level) for level in (travel, travel + lift)]
    for tap in scenario.get("tap", {}).values():
        q = drive_position(scenario, motion, tap)
        engage, gearing, slack = spindle(scenario, tap)
        found += [crossings(motion.deg, q - level) for level in (engage, engage + slack / gearing)]
    return np.concatenate(found)


def lowest_angle(slide: Callable[[Signal], Signal]) -> Signal:
    """Dial angle of BDC, by ever finer grids about the lowest point."""
    low, high = 90.0, 270.0
    for _ in range(5):
        grid = np.linspace(low, high, 1001)
        at = int(np.argmin(slide(grid)))
        low, high = grid[max(at - 1, 0)], grid[min(at + 1, 1000)]
    return np.array([(low + high) / 2.0])


def strip_motion(scenario: Tree, deg: Signal, y: Signal) -> Motion:
    """Strip underside and stripper face for given slide heights."""
    thickness, travel = scenario["strip"]["thickness"], scenario["stripper"]["travel"]
    zs = np.clip(y - travel, 0.0, scenario["strip"]["lift"])
    return Motion(deg, y, zs, np.maximum(y - travel + thickness, zs + thickness))


# --- reading events off the grid -------------------------------------------------------------------------


def crossings(deg: Signal, signal: Signal) -> Signal:
    """Angles at which a signal changes sign, linear between grid points."""
    at = np.flatnonzero((signal[:-1] > 0) != (signal[1:] > 0))
    before, after = signal[at], signal[at + 1]
    return deg[at] + (deg[at + 1] - deg[at]) * before / (before - after)


def between(deg: Signal, signal: Signal, level: float, i: int) -> float:
    """Angle in the cell after point i at which a signal passes a level, linear in the cell."""
    share = (level - signal[i]) / (signal[i + 1] - signal[i])
    return float(deg[i] + (deg[i + 1] - deg[i]) * share)


def contact(deg: Signal, clearance: Signal) -> Contact:
    """First coming in and last going out of a clearance that counts as in at or below the tie."""
    inside = np.flatnonzero(clearance <= TIE)
    if inside.size == 0:
        return Contact(None, None, at_top=False)
    first, last = int(inside[0]), int(inside[-1])
    if first == 0 or last == deg.size - 1:
        return Contact(None, None, at_top=True)
    return Contact(between(deg, clearance, TIE, first - 1), between(deg, clearance, TIE, last), at_top=False)


def strip_events(scenario: Tree, motion: Motion) -> Events:
    """Stripper and strip: the stripper is in contact below X + L, the strip held below X."""
    travel, lift = scenario["stripper"]["travel"], scenario["strip"]["lift"]
    touching = contact(motion.deg, motion.y - travel - lift)
    clamping = contact(motion.deg, motion.y - travel)
    return {
        "stripper.touch": touching.enter,
        "stripper.clamped": clamping.enter,
        "stripper.unclamped": clamping.leave,
        "strip.raised": touching.leave,
        "strip.settled": touching.leave,
    }


# --- pilots and punches ----------------------------------------------------------------------------------


def plain_tool(scenario: Tree, motion: Motion, family: str, name: str) -> Tool:
    """A pilot or punch on the slide or the stripper."""
    spec = scenario[family][name]
    on_slide = spec["mount"] == "slide"
    tip = motion.y - spec["penetration"] if on_slide else motion.zf - spec["projection"]
    above_strip = tip - motion.zs - scenario["strip"]["thickness"]
    located = contact(motion.deg, above_strip + spec["nose"]) if family == "pilot" else None
    room = float(tip[0]) - raised_top(scenario)
    return Tool(f"{family}:{name}", contact(motion.deg, above_strip), room, located)


def raised_top(scenario: Tree) -> float:
    """Height of all that stands above the strip while that is raised [m]."""
    strip = scenario["strip"]
    return float(strip["lift"] + strip["thickness"] + beyond(scenario, "above"))


def beyond(scenario: Tree, face: str) -> float:
    """How far features or an extruded hole's flange reach beyond a face of the strip, "above" or "below" [m]."""
    strip = scenario["strip"]
    reach = float(strip.get(face, 0.0))
    for tap in scenario.get("tap", {}).values():
        faced = tap.get("side", "above")
        other = {"above": "below", "below": "above"}[faced]
        points = faced if tap.get("flange", "away") == "toward" else other
        if points == face:
            reach = max(reach, tap.get("threaded_height", strip["thickness"]) - strip["thickness"])
    return reach


# --- tap and spindle -------------------------------------------------------------------------------------


def threaded_height(scenario: Tree, tap: Tree) -> float:
    """Length of thread wanted [m]."""
    return float(tap.get("threaded_height", scenario["strip"]["thickness"]))


def flange(scenario: Tree, tap: Tree) -> float:
    """How much nearer the face starts than the strip's flat face [m]."""
    if tap.get("flange", "away") == "away":
        return 0.0
    return threaded_height(scenario, tap) - float(scenario["strip"]["thickness"])


def entry_distance(scenario: Tree, tap: Tree, zs: Signal, zf: Signal) -> Signal:
    """Distance from the first thread of an unturned tap to the face it enters [m]."""
    mount, side = tap["mount"], tap.get("side", "above")
    if mount == "die":
        moving = scenario["strip"]["lift"] - zs if side == "above" else zs
    elif mount == "stripper":
        if side == "below":
            raise ValueError("a head on the stripper works from above")
        moving = zf - zs - scenario["strip"]["thickness"]
    else:
        moving = np.zeros_like(zs)
    distance: Signal = moving + tap["rest_clearance"] - flange(scenario, tap)
    return distance


def drive_position(scenario: Tree, motion: Motion, tap: Tree) -> Signal:
    """The length q that turns the spindle [m]."""
    if tap["drive"].get("reference") == "die" or tap["mount"] == "die":
        return motion.y
    if tap["mount"] == "stripper":
        above_stripper: Signal = motion.y - (motion.zf - scenario["strip"]["thickness"])
        return above_stripper
    return motion.y - motion.zs


def spindle(scenario: Tree, tap: Tree) -> tuple[float, float, float]:
    """Engagement height [m], gearing [1/m], backlash [turns]."""
    drive, pitch = tap["drive"], tap["thread"]["pitch"]
    if drive["kind"] != "press":
        raise ValueError(f"no reference for a drive of kind {drive['kind']}")
    gearing, slack = drive["gearing"], drive.get("backlash", 0.0) / (2.0 * math.pi)
    if "engage_height" in drive:
        return drive["engage_height"], gearing, slack
    down = strip_motion(scenario, np.zeros(1), np.zeros(1))
    way = float(entry_distance(scenario, tap, down.zs, down.zf)[0])
    depth = threaded_height(scenario, tap) + tap["chamfer"] * pitch + tap.get("extra_depth", pitch)
    return (way + depth) / (gearing * pitch), gearing, slack


def walk(command: Signal, slack: float) -> Signal:
    """Turns of a spindle whose drive asks for ``command`` turns forward and drags it back ``slack`` later.

    The spindle rests at zero against its stop. Two turns of the crank are walked and the second kept, so
    that a spindle that does not come home starts where the last stroke left it.
    """
    turned = 0.0
    turns: list[float] = []
    for _ in range(2):
        turns = []
        for ahead in command.tolist():
            if ahead > turned:
                turned = ahead
            elif ahead + slack < turned:
                turned = ahead + slack
            if turned < 0.0:
                turned = 0.0
            turns.append(turned)
    return np.array(turns)


def tap_cycle(scenario: Tree, motion: Motion, name: str, tap: Tree) -> tuple[Events, Tool]:
    """Events and own margins of one press-driven tap."""
    deg = motion.deg
    pitch, height, point = tap["thread"]["pitch"], threaded_height(scenario, tap), tap.get("point", 0.0)
    engage, gearing, slack = spindle(scenario, tap)
    q = drive_position(scenario, motion, tap)
    command = gearing * (engage - q)
    advance = pitch * walk(command, slack)
    gap = entry_distance(scenario, tap, motion.zs, motion.zf) - advance
    cutting = contact(deg, gap)
    tool = Tool(f"tap:{name}", cutting, room_at_top(scenario, tap, motion, float(gap[0])))
    touched = bool(np.any(gap <= TIE))
    events: Events = {
        "engage": contact(deg, q - engage).enter,
        "touch": cutting.enter,
        "through": contact(deg, gap + height).enter,
        "full": float(deg[int(np.argmax(gap <= gap.min() + SAME))]) if touched else None,
        "leave": cutting.leave,
        "home": home(deg, advance, pitch * (command + slack)),
        "retouch": retouch(deg, gap),
    }
    held = motion.y <= scenario["stripper"]["travel"] + EDGE
    free = motion.y >= scenario["stripper"]["travel"] - EDGE
    tool.margins["tap-clear-of-strip"] = float(np.min(gap[free]) - point) * MM if free.any() else None
    if events["retouch"] is not None and not fails(tool.margins["tap-clear-of-strip"]):
        tool.margins["tap-clear-of-strip"] = None
    wanted = height + tap["chamfer"] * pitch
    tool.margins["full-thread"] = float(np.max(-gap[held]) - wanted) * MM if held.any() else None
    tool.margins["drive-travel"] = drive_travel(scenario, tap, q) * MM
    return {f"{tool.id}.{key}": value for key, value in events.items()}, tool


def home(deg: Signal, advance: Signal, dragged: Signal) -> float | None:
    """When the last of the advance is taken back; ``dragged`` is the way it would go without a stop."""
    if advance.max() <= TIE:
        return None
    left = np.where(advance > 0.0, advance, dragged)
    return contact(deg, 2.0 * TIE - left).leave


def retouch(deg: Signal, gap: Signal) -> float | None:
    """The second coming in, for a tap that was out at TDC."""
    inside = gap <= TIE
    entries = np.flatnonzero(~inside[:-1] & inside[1:])
    if inside[0] or entries.size < 2:
        return None
    return between(deg, gap, TIE, int(entries[1]))


def room_at_top(scenario: Tree, tap: Tree, motion: Motion, gap: float) -> float:
    """Room [m] at TDC to what stands above the raised strip, or, from below, to what hangs from it as it lies."""
    if tap.get("side", "above") == "below":
        return float(gap + flange(scenario, tap) - tap.get("point", 0.0)) - beyond(scenario, "below")
    thread = motion.zs[0] + scenario["strip"]["thickness"] + gap + flange(scenario, tap)
    return float(thread - tap.get("point", 0.0)) - raised_top(scenario)


def drive_travel(scenario: Tree, tap: Tree, q: Signal) -> float:
    """Travel left over before the spindle fails to come home or overruns its rating [m].

    Home is reached where q comes up to the engagement height and the slack, so the travel at hand is the
    greatest q there is; the rating covers what lies below engagement, down to nominal BDC at least.
    """
    engage, gearing, slack = spindle(scenario, tap)
    rated = tap["drive"].get("travel", math.inf)
    return float(min(rated - (engage - min(q.min(), 0.0)), q.max() - engage - slack / gearing))


# --- feed and pilot release ------------------------------------------------------------------------------


def feed_time(feeder: Tree, length: float) -> float:
    """Time the strip moves [s], settling not included."""
    if feeder["kind"] == "gripper":
        return float(length / feeder["speed"])
    if feeder["kind"] == "rated":
        return float(feeder["feed_angle"] / (2.0 * math.pi) / rated_rate(feeder["rates"], length))
    speed, acceleration = feeder["speed"], feeder["acceleration"]
    law = feeder.get("law", "trapezoid")
    if law == "trapezoid":
        if speed**2 / acceleration >= length:
            return 2.0 * math.sqrt(length / acceleration)
        return float(length / speed + speed / acceleration)
    peak_speed, peak_acceleration = LAWS[law]
    return max(float(peak_speed * length / speed), math.sqrt(peak_acceleration * length / acceleration))


def rated_rate(rates: Sequence[Sequence[float]], length: float) -> float:
    """Greatest rate the maker gives for the next length in the table [1/s]."""
    enough = [rate for longest, rate in sorted(map(tuple, rates)) if longest >= length]
    if not enough:
        raise ValueError("feed length beyond the maker's table")
    return float(enough[0])


def after(angle: float, earlier: float) -> float:
    """The next occurrence of a dial angle after another [deg]."""
    ahead = (angle - earlier) % 360.0
    return earlier + (ahead if ahead > 0.0 else 360.0)


def feed_events(scenario: Tree, *, hand: bool) -> Events:
    """Feed and rolls, turned by hand (nothing takes time) or at the press rate."""
    feeder = scenario["feeder"]
    per_second = 0.0 if hand else 360.0 * scenario["press"]["rate"]
    command = math.degrees(feeder["start"])
    start = (command + feeder.get("latency", 0.0) * per_second - 180.0) % 360.0 + 180.0
    if feeder["kind"] == "cam":
        moving = after(math.degrees(feeder["end"]), command) - command
    else:
        moving = feed_time(feeder, scenario["strip"]["pitch"]) * per_second
    events: Events = {
        "feed.start": start,
        "feed.end": start + moving + feeder.get("settle", 0.0) * per_second,
    }
    release = feeder.get("pilot_release")
    if release is not None:
        open_at = math.degrees(release["open"]) % 360.0
        delay = release.get("latency", 0.0) * per_second
        events["rolls.open"] = open_at + delay
        events["rolls.close"] = after(math.degrees(release["close"]), open_at) + delay
    return events


# --- margins ---------------------------------------------------------------------------------------------


def worst(*margins: float | None) -> float | None:
    """The least margin; a failure without a figure beats all."""
    known = [margin for margin in margins if margin is not None]
    return min(known) if len(known) == len(margins) else None


def less(later: float | None, earlier: float | None) -> float | None:
    """Difference of two events, None if either cannot happen."""
    return None if later is None or earlier is None else later - earlier


def tidy(margin: float | None) -> float | None:
    """A margin within the tie of zero is zero."""
    return 0.0 if margin is not None and abs(margin) <= TIE else margin


def first_in(contacts: Iterable[Contact]) -> float | None:
    """First coming in of several; None if one is in at TDC or none ever comes in."""
    several = list(contacts)
    known = [one.enter for one in several if one.enter is not None]
    return min(known) if known and not any(one.at_top for one in several) else None


def last_out(contacts: Iterable[Contact]) -> float | None:
    """Last going out of several; None if one is in at TDC or none ever comes in."""
    several = list(contacts)
    known = [one.leave for one in several if one.leave is not None]
    return max(known) if known and not any(one.at_top for one in several) else None


def fixed_margins(events: Events, tools: list[Tool]) -> Margins:
    """Margins of the rules that neither feeder nor rolls enter."""
    margins: Margins = {}
    clamped, unclamped = events["stripper.clamped"], events["stripper.unclamped"]
    located = [tool.located for tool in tools if tool.located is not None]
    workers = [tool for tool in tools if not tool.id.startswith("pilot:")]
    if located:
        last = max((one.enter for one in located if one.enter is not None), default=None)
        if any(one.enter is None for one in located):
            last = None
        margins["pilots-before-clamp", None] = less(clamped, last)
        if workers:
            margins["pilots-before-tools", None] = less(first_in(tool.contact for tool in workers), last)
    for tool in workers:
        rule = "clamped-while-tapping" if tool.id.startswith("tap:") else "clamped-while-punching"
        margins[rule, tool.id] = worst(less(tool.contact.enter, clamped), less(unclamped, tool.contact.leave))
        margins |= {(name, tool.id): value for name, value in tool.margins.items()}
    if any(tool.contact.at_top for tool in tools):
        margins["open-height", None] = None
    elif tools:
        margins["open-height", None] = MM * min(tool.room_at_top for tool in tools)
    return margins


def feed_margins(scenario: Tree, motion: Motion, events: Events, tools: list[Tool]) -> Margins:
    """Margins of the rules about feeder and rolls, in one reading."""
    strip, start, end = scenario["strip"], events["feed.start"], events["feed.end"]
    assert start is not None
    assert end is not None
    pilots = [tool for tool in tools if tool.located is not None]
    limits = [events["stripper.touch"]]
    coming = [tool.contact for tool in tools if tool.contact.at_top or tool.contact.enter is not None]
    if coming:  # a tool that never comes in bounds nothing here; it fails feed-starts-after-tools
        limits.append(first_in(coming))
    first = worst(*limits)
    margins: Margins = {("feed-ends-in-time", None): None if first is None else first + 360.0 - end}
    for tool in tools:
        margins["feed-starts-after-tools", tool.id] = less(start, tool.contact.leave)
    raised = bool(motion.y[0] > scenario["stripper"]["travel"] + strip["lift"] + TIE)
    margins["feed-starts-after-lift", None] = less(start, events["strip.settled"])
    room = min(free_height(scenario, motion, angle) for angle in (start, end))
    hangs, stands = beyond(scenario, "below"), beyond(scenario, "above")
    margins["strip-clears-die", None] = MM * (strip["lift"] - hangs) if raised else None
    margins["stripper-clears-strip", None] = MM * (room - stands) if raised else None
    if "rolls.open" in events:
        margins |= roll_margins(events, pilots, start)
    return margins


def free_height(scenario: Tree, motion: Motion, angle: float) -> float:
    """Room between strip and stripper at a dial angle [m]; the strip moves from feed start to feed end."""
    zs, zf = (float(np.interp(angle % 360.0, motion.deg, height)) for height in (motion.zs, motion.zf))
    return zf - zs - float(scenario["strip"]["thickness"])


def roll_margins(events: Events, pilots: list[Tool], start: float) -> Margins:
    """Margins of the pilot release, in one reading."""
    opened, closed = events["rolls.open"], events["rolls.close"]
    assert closed is not None
    located = first_in(tool.located for tool in pilots if tool.located is not None)
    entered, left = (pick(tool.contact for tool in pilots) for pick in (first_in, last_out))
    ins = [tool.located.enter for tool in pilots if tool.located is not None and tool.located.enter is not None]
    closes = [
        less(left, closed),
        start - closed,
        *(closed - angle for angle in ins),
    ]  # not shut again before all are in
    return {
        ("rolls-open-on-pilots", None): worst(less(opened, entered), less(located, opened)),
        ("rolls-close-before-pilots-leave", None): worst(*closes),
    }
