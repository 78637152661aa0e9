"""Random scenarios in the file's own notation, and their SI form for the brute-force reference.

A scenario is built as a tree of SI floats, made sensible or hostile there, and written out last: every
quantity in metric or inch notation at random, so that no file is all of one kind.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from fractions import Fraction
from typing import Any

import numpy as np

from . import brute

Tree = dict[str, Any]
Rng = np.random.Generator

MM, INCH, DEG = 1e-3, 0.0254, math.pi / 180.0
UNITS = {
    "mm": MM, "in": INCH, "deg": DEG, "ms": 1e-3, "/min": 1.0 / 60.0,
    "/mm": 1.0 / MM, "/inch": 1.0 / INCH, "m/min": 1.0 / 60.0, "m/s^2": 1.0,
}  # fmt: skip
THREADS = (
    "M3x0.5", "M4x0.7", "M5x0.8", "M6x1", "M8x1.25", "M10x1.5",
    "#6-32 UNC", "#8-32 UNC", "#10-24 UNC", "#10-32 UNF", "1/4-20 UNC",
    "1/4-28 UNF", "5/16-18 UNC", "3/8-16 UNC",
)  # fmt: skip
HEADS = (("die", "above"), ("die", "below"), ("stripper", "above"), ("lifter", "above"), ("lifter", "below"))
# key -> units it may be written in, decimals in each
SPEED, ANGLE, TIME, LENGTH = {"m/min": 3}, {"deg": 3}, {"ms": 2}, {"mm": 4, "in": 6}
NOTATION: dict[str, dict[str, int]] = {
    **dict.fromkeys(("start", "end", "open", "close", "feed_angle", "backlash"), ANGLE),
    **dict.fromkeys(("latency", "settle"), TIME),
    "rate": {"/min": 3},
    "gearing": {"/mm": 8, "/inch": 6},
    "speed": SPEED,
    "acceleration": {"m/s^2": 3},
}
PLAIN = (
    "title",
    "units",
    "kind",
    "material",
    "mount",
    "side",
    "flange",
    "law",
    "reference",
    "thread",
    "chamfer",
)
LAWS = ("trapezoid", *brute.LAWS)


# --- notation --------------------------------------------------------------------------------------------


def thread_size(name: str) -> dict[str, float]:
    """Diameter and pitch [m] of a thread as the file writes it."""
    if metric := re.fullmatch(r"M([\d.]+)x([\d.]+)", name):
        return {"diameter": float(metric[1]) * MM, "pitch": float(metric[2]) * MM}
    inch = re.fullmatch(r"(#?)([\d/]+)-(\d+) UN[CF]", name)
    if inch is None:
        raise ValueError(f"no such thread: {name}")
    across = 0.060 + 0.013 * int(inch[2]) if inch[1] else float(Fraction(inch[2]))
    return {"diameter": across * INCH, "pitch": INCH / int(inch[3])}


def quantity(text: str) -> float:
    """A quantity as the generator writes it, in SI."""
    parts = re.fullmatch(r"(?:(-?[\d.]+)|(?:(\d+) )?(\d+/\d+)) (\S+)", text)
    if parts is None:
        raise ValueError(f"not a quantity: {text}")
    decimal, whole, share, unit = parts.groups()
    value = float(decimal) if decimal else float(int(whole or 0) + Fraction(share))
    return value * UNITS[unit]


def si_form(d: Tree) -> Tree:
    """The SI tree ``brute.simulate`` takes, from the TOML form."""

    def convert(key: str, value: Any) -> Any:
        if isinstance(value, dict):
            return {name: convert(name, item) for name, item in value.items()}
        if isinstance(value, list):
            return [convert(key, item) for item in value]
        if key == "thread":
            return thread_size(value)
        return value if key in PLAIN else quantity(value)

    converted: Tree = convert("", d)
    return converted


def write(rng: Rng, key: str, value: float) -> str:
    """One quantity in a notation picked at random; strokes and feed lengths also in sixty-fourths."""
    if key in ("stroke", "pitch") and rng.random() < 0.15:
        share = Fraction(max(1, round(value / INCH * 64)), 64)
        whole, rest = divmod(share, 1)
        return " ".join(str(part) for part in (whole, rest) if part) + " in"
    units = NOTATION.get(key, LENGTH)
    unit = str(rng.choice(list(units)))
    return f"{value / UNITS[unit]:.{units[unit]}f} {unit}"


def toml_form(rng: Rng, spec: Tree) -> Tree:
    """The tree with every number written as a quantity."""

    def convert(key: str, value: Any) -> Any:
        if isinstance(value, dict):
            return {name: convert(name, item) for name, item in value.items()}
        return value if key in PLAIN or isinstance(value, str) else write(rng, key, float(value))

    written: Tree = {key: convert(key, value) for key, value in spec.items() if key != "feeder"}
    written["feeder"] = {key: convert(key, value) for key, value in spec["feeder"].items() if key != "rates"}
    if rates := spec["feeder"].get("rates"):
        rows = [[write(rng, "length", length), write(rng, "rate", rate)] for length, rate in rates[:-1]]
        # the feed length has a row of its own, to the letter, so that nothing hangs on interpolation
        written["feeder"]["rates"] = [*rows, [written["strip"]["pitch"], write(rng, "rate", rates[-1][1])]]
    return written


def reference_form(spec: Tree) -> Tree:
    """The unwritten tree as the reference takes it, to place angles while building."""

    def convert(key: str, value: Any) -> Any:
        if isinstance(value, dict):
            return {name: convert(name, item) for name, item in value.items()}
        return thread_size(value) if key == "thread" else value

    converted: Tree = convert("", spec)
    return converted


# --- the parts of a scenario -----------------------------------------------------------------------------


def chance(rng: Rng, share: float) -> bool:
    """True in a share of cases."""
    return bool(rng.random() < share)


def between(rng: Rng, low: float, high: float) -> float:
    """Uniform, as a plain float."""
    return float(rng.uniform(low, high))


def press_and_strip(rng: Rng) -> Tree:
    """Press, strip and stripper: lengths that fit one another."""
    stroke = between(rng, 60, 250) * MM
    slide: Tree = {"kind": "eccentric", "stroke": stroke}
    if chance(rng, 0.7):
        slide["connecting_rod"] = stroke * between(rng, 1.6, 5.0)
        if chance(rng, 0.4):
            slide["offset"] = slide["connecting_rod"] * between(rng, -0.15, 0.15)
    press: Tree = {"rate": between(rng, 30, 120) / 60.0, "slide": slide}
    if chance(rng, 0.4):
        press["bdc_shift"] = between(rng, -0.25, 0.25) * MM
    strip = {
        "material": "low-carbon-steel",
        "thickness": between(rng, 0.5, 3.0) * MM,
        "lift": 0.0 if chance(rng, 0.15) else between(rng, 0.5, 6.0) * MM,
        "pitch": between(rng, 15, 80) * MM,
    }
    return {
        "title": "random",
        "units": str(rng.choice(["metric", "inch"])),
        "press": press,
        "strip": strip,
        "stripper": {"travel": stroke * between(rng, 0.2, 0.45)},
        "feeder": {"kind": "cam", "start": 200 * DEG, "end": 210 * DEG},
        "pilot": {},
        "punch": {},
        "tap": {},
    }


def add_pilot(rng: Rng, spec: Tree, name: str, *, sensible: bool) -> None:
    """A pilot; a sensible one is located before the strip is clamped."""
    nose = between(rng, 2, 6) * MM
    spare = between(rng, 0.5, 4.0) * MM if sensible else between(rng, -6.0, 6.0) * MM
    pilot: Tree = {"mount": str(rng.choice(["slide", "stripper"])), "nose": nose}
    if pilot["mount"] == "slide":
        pilot["penetration"] = spec["stripper"]["travel"] + nose - spec["strip"]["thickness"] + spare
    else:
        pilot["projection"] = max(nose + spare, 0.3 * MM)
    spec["pilot"][name] = pilot


def add_punch(rng: Rng, spec: Tree, name: str, *, sensible: bool) -> None:
    """A punch; a sensible one sits on the slide and works while the strip is clamped."""
    if not sensible and chance(rng, 0.25):
        spec["punch"][name] = {"mount": "stripper", "projection": between(rng, 0.2, 5.0) * MM}
        return
    reach = spec["stripper"]["travel"] - spec["strip"]["thickness"]
    share = between(rng, 0.05, 0.8) if sensible else between(rng, 0.02, 1.5)
    spec["punch"][name] = {"mount": "slide", "penetration": reach * share}


def add_tap(rng: Rng, spec: Tree, name: str, *, sensible: bool) -> None:
    """A press-driven tap; a sensible one is home before the stripper lets go."""
    mount, side = HEADS[int(rng.integers(len(HEADS)))]
    thread = str(rng.choice(THREADS))
    pitch, thickness = thread_size(thread)["pitch"], spec["strip"]["thickness"]
    toward = chance(rng, 0.3)
    tap: Tree = {
        "thread": thread,
        "kind": str(rng.choice(["form", "cut"])),
        "chamfer": float(rng.choice([1.5, 2.0, 3.0, 4.0])),
        "rest_clearance": between(rng, 0.3, 2.0) * MM,
        "mount": mount,
        "side": side,
        "flange": "toward" if toward else "away",
    }
    if toward or chance(rng, 0.5):
        tap["threaded_height"] = thickness + (between(rng, 0.2, 2.0) * MM if chance(rng, 0.5) else 0.0)
    if chance(rng, 0.5):
        tap["extra_depth"] = pitch * between(rng, 0.3, 1.5)
    if chance(rng, 0.3):
        tap["point"] = tap["rest_clearance"] * between(rng, 0.0, 0.8 if sensible else 1.2)
    spec["tap"][name] = tap
    add_drive(rng, spec, tap, sensible=sensible)


def add_drive(rng: Rng, spec: Tree, tap: Tree, *, sensible: bool) -> None:
    """Gearing that uses a chosen part of the stripper travel, and what else a drive may have."""
    tap["drive"] = {"kind": "press", "gearing": 1.0}
    at_one, _, _ = brute.spindle(reference_form(spec), reference_form(tap))
    share = between(rng, 0.5, 0.9) if sensible else between(rng, 0.3, 1.3)
    engage = max(share * spec["stripper"]["travel"], 5.0 * MM)
    drive: Tree = {"kind": "press", "gearing": at_one / engage}
    if chance(rng, 0.5):
        drive["backlash"] = between(rng, 0.0, 60.0 if sensible else 180.0) * DEG
    if chance(rng, 0.25):
        drive["engage_height"] = engage * (between(rng, 1.0, 1.04) if sensible else between(rng, 0.8, 1.2))
    if chance(rng, 0.2):
        drive["reference"] = "die"
    if chance(rng, 0.4):
        drive["travel"] = engage * (between(rng, 1.1, 1.5) if sensible else between(rng, 0.9, 1.5))
    tap["drive"] = drive


def feeder_of_a_kind(rng: Rng, spec: Tree) -> Tree:
    """A feeder without its angles; a cam only has those."""
    kind = str(rng.choice(["servo", "servo", "servo", "cam", "gripper", "rated"]))
    feeder: Tree = {"kind": kind}
    if kind != "cam":
        feeder["latency"] = between(rng, 0, 25) * 1e-3
        feeder["settle"] = between(rng, 0, 10) * 1e-3
    if kind == "servo":
        feeder |= {"speed": between(rng, 20, 90) / 60.0, "acceleration": between(rng, 8, 50)}
        if chance(rng, 0.7):
            feeder["law"] = str(rng.choice(LAWS))
    if kind == "gripper":
        feeder["speed"] = between(rng, 10, 40) / 60.0
    if kind == "rated":
        length = spec["strip"]["pitch"]
        feeder["feed_angle"] = float(rng.choice([120.0, 180.0, 200.0])) * DEG
        greatest = between(rng, 80, 300) / 60.0
        feeder["rates"] = [(0.5 * length, 1.4 * greatest), (2.0 * length, 0.6 * greatest), (length, greatest)]
    return feeder


def build(rng: Rng, *, sensible: bool) -> Tree:
    """Everything but feeder, rolls and rate."""
    spec = press_and_strip(rng)
    for number in range(int(rng.choice([0, 1, 2], p=[0.25, 0.4, 0.35]))):
        add_pilot(rng, spec, f"p{number}", sensible=sensible)
    for number in range(int(rng.choice([0, 1, 2]))):
        add_punch(rng, spec, f"k{number}", sensible=sensible)
    for number in range(int(rng.choice([0, 1, 2, 3], p=[0.15, 0.5, 0.2, 0.15]))):
        add_tap(rng, spec, f"t{number}", sensible=sensible)
    return spec


# --- sensible: the feed fits the window the tools leave ----------------------------------------------------


def fit_feed(rng: Rng, spec: Tree) -> None:
    """Feed within the window and as fast a press as it allows, or a little less; rolls where they belong."""
    events = brute.simulate(reference_form(spec), step=0.1).hand
    out = [angle for name, angle in events.items() if name.endswith((".leave", "raised")) and angle is not None]
    into = [
        angle
        for name, angle in events.items()
        if name.endswith((".enter", ".touch")) and angle is not None
    ]  # fmt: skip
    window_from, window_to = max(out, default=270.0), 360.0 + min(into, default=90.0)
    feeder = feeder_of_a_kind(rng, spec)
    start = window_from + between(rng, 0.03, 0.12) * (window_to - window_from)
    room = window_to - start
    feeder["start"] = (start % 360.0) * DEG
    if feeder["kind"] == "cam":
        feeder["end"] = ((start + room * between(rng, 0.6, 0.9)) % 360.0) * DEG
    else:
        takes = brute.feed_time(feeder, spec["strip"]["pitch"]) + feeder["latency"] + feeder["settle"]
        spec["press"]["rate"] = min(200.0 / 60.0, between(rng, 0.4, 0.9) * room / 360.0 / takes)
    spec["feeder"] = feeder
    if spec["pilot"] and chance(rng, 0.5):
        add_release(rng, spec, events, start)
    features(rng, spec, start)


def add_release(rng: Rng, spec: Tree, events: brute.Events, start: float) -> None:
    """Rolls that open on the pilots' noses and close before the last pilot leaves."""
    enter, located, leave = (
        [at for name in spec["pilot"] if (at := events[f"pilot:{name}.{kind}"]) is not None]
        for kind in ("enter", "located", "leave")
    )
    if min(len(enter), len(located), len(leave)) < len(spec["pilot"]):
        return
    nose = min(located) - min(enter)
    delay = between(rng, 0.0, 0.3) * nose
    spec["feeder"]["pilot_release"] = {
        "open": (min(enter) + between(rng, 0.1, 0.6) * nose) * DEG,
        "close": (min(max(leave), start) - delay - between(rng, 2.0, 10.0)) * DEG,
        "latency": delay / 360.0 / spec["press"]["rate"],
    }


def features(rng: Rng, spec: Tree, start: float) -> None:
    """Formed features that clear what they pass."""
    strip, travel = spec["strip"], spec["stripper"]["travel"]
    if chance(rng, 0.3):
        strip["below"] = strip["lift"] * between(rng, 0.0, 0.9)
    if chance(rng, 0.3):
        slide = brute.slide_height(spec["press"])
        spare = [float(slide(np.array(start))) - travel - strip["lift"]]
        spare += [tap["rest_clearance"] - tap.get("point", 0.0) for tap in spec["tap"].values()]
        strip["above"] = max(min(spare), 0.0) * between(rng, 0.0, 0.8)


# --- loose: nothing is made to fit -------------------------------------------------------------------------


def loose_feed(rng: Rng, spec: Tree) -> None:
    """Feed and rolls anywhere in the turn."""
    feeder = feeder_of_a_kind(rng, spec)
    feeder["start"] = between(rng, 0.0, 360.0) * DEG
    if feeder["kind"] == "cam":
        feeder["end"] = between(rng, 0.0, 360.0) * DEG
    if spec["pilot"] and chance(rng, 0.4):
        feeder["pilot_release"] = {
            "open": between(rng, 60.0, 140.0) * DEG,
            "close": between(rng, 180.0, 320.0) * DEG,
            "latency": between(rng, 0.0, 15.0) * 1e-3,
        }
    spec["feeder"] = feeder
    for key in ("above", "below"):
        if chance(rng, 0.3):
            spec["strip"][key] = between(rng, 0.0, 4.0) * MM


# --- hostile: one thing made wrong on purpose --------------------------------------------------------------


def top(spec: Tree) -> float:
    """Slide height at TDC [m]."""
    return float(spec["press"]["slide"]["stroke"] - spec["press"].get("bdc_shift", 0.0))


def no_lift(rng: Rng, spec: Tree) -> None:  # noqa: ARG001
    """The strip lies on the die face."""
    spec["strip"]["lift"] = 0.0


def no_pilots(rng: Rng, spec: Tree) -> None:  # noqa: ARG001
    """Nothing locates the strip."""
    spec["pilot"] = {}


def no_taps(rng: Rng, spec: Tree) -> None:  # noqa: ARG001
    """A die that only pierces."""
    spec["tap"] = {}


def pilot_in_at_top(rng: Rng, spec: Tree) -> None:
    """A pilot longer than the stroke, with its nose still above the strip at TDC or not."""
    nose = between(rng, 2, 6) * MM
    spec["pilot"]["long"] = {
        "mount": "slide",
        "nose": nose,
        "penetration": top(spec) - spec["strip"]["lift"] - spec["strip"]["thickness"] + between(rng, 0, 2) * nose,
    }


def punch_in_at_top(rng: Rng, spec: Tree) -> None:
    """A punch longer than the stroke."""
    spec["punch"]["long"] = {"mount": "slide", "penetration": top(spec) + between(rng, 0, 3) * MM}


def punch_never_in(rng: Rng, spec: Tree) -> None:
    """A punch that stops above the strip."""
    short = spec["strip"]["thickness"] + between(rng, 0.5, 3.0) * MM
    spec["punch"]["short"] = {"mount": "slide", "penetration": -short}


def long_nose(rng: Rng, spec: Tree) -> None:
    """A pilot whose nose is longer than its reach."""
    on_slide = chance(rng, 0.5)
    reach = between(rng, 2.0, 8.0) * MM
    past = spec["strip"]["thickness"] + abs(spec["press"].get("bdc_shift", 0.0)) if on_slide else 0.0
    spec["pilot"]["nosy"] = {
        "mount": "slide" if on_slide else "stripper",
        "penetration" if on_slide else "projection": reach,
        "nose": reach + past + between(rng, 0.2, 5.0) * MM,
    }


def never_raised(rng: Rng, spec: Tree) -> None:
    """Stripper travel and lift use more than the stroke; at worst the strip stays clamped."""
    lift = spec["strip"]["lift"] = between(rng, 0.5, 6.0) * MM
    spec["stripper"]["travel"] = top(spec) - lift * between(rng, -0.5, 0.95)


def never_clamped(rng: Rng, spec: Tree) -> None:
    """A press set so high that the stripper hardly reaches the strip."""
    spec["press"]["bdc_shift"] = -between(rng, 0.6, 1.0) * MM
    spec["stripper"]["travel"] = between(rng, 0.1, 0.5) * MM


def deep_shift(rng: Rng, spec: Tree) -> None:
    """A shut height well off."""
    spec["press"]["bdc_shift"] = float(rng.choice([-1.0, 1.0])) * between(rng, 0.5, 3.0) * MM


def stripper_borne(rng: Rng, spec: Tree) -> None:
    """A punch and a pilot on the stripper."""
    spec["punch"]["riding"] = {"mount": "stripper", "projection": between(rng, 0.2, 8.0) * MM}
    spec["pilot"]["riding"] = {
        "mount": "stripper",
        "projection": between(rng, 2.0, 12.0) * MM,
        "nose": between(rng, 1.0, 6.0) * MM,
    }


def some_tap(rng: Rng, spec: Tree, mount: str | None = None, side: str | None = None) -> Tree:
    """One of the taps or a new one, moved to the head wanted."""
    if not spec["tap"]:
        add_tap(rng, spec, "t0", sensible=True)
    tap: Tree = spec["tap"][str(rng.choice(list(spec["tap"])))]
    if mount is not None:
        tap |= {"mount": mount, "side": side}
        add_drive(rng, spec, tap, sensible=True)
    return tap


def tap_in_at_top(rng: Rng, spec: Tree) -> None:
    """A spindle that never comes home, its tap still in at TDC."""
    tap = some_tap(rng, spec, "die", "above")
    lead = thread_size(tap["thread"])["pitch"] * tap["drive"]["gearing"]
    tap["drive"]["engage_height"] = top(spec) + (tap["rest_clearance"] + between(rng, 0.0, 2.0) * MM) / lead


def tap_never_home(rng: Rng, spec: Tree) -> None:
    """A drive on the stripper that wants more travel than the stripper has, or a slack beyond all travel."""
    tap = some_tap(rng, spec, *(("stripper", "above") if chance(rng, 0.7) else ("lifter", "above")))
    reach = spec["stripper"]["travel"] if tap["mount"] == "stripper" else top(spec) - spec["strip"]["lift"]
    tap["drive"]["engage_height"] = reach + between(rng, -0.2, 5.0) * MM


def tap_never_touches(rng: Rng, spec: Tree) -> None:
    """A drive that engages too late to reach the strip, or never."""
    tap = some_tap(rng, spec, "lifter", "below")
    lead = thread_size(tap["thread"])["pitch"] * tap["drive"]["gearing"]
    near = tap["rest_clearance"] - (tap.get("threaded_height", 0.0) if tap["flange"] == "toward" else 0.0)
    tap["drive"]["engage_height"] = max(near / lead * between(rng, 0.05, 0.6), 0.05 * MM)


def tap_touches_twice(rng: Rng, spec: Tree) -> None:
    """A tap that meets the raised strip, loses it as it is pressed down, and meets it again."""
    spec["strip"]["lift"] = between(rng, 1.0, 6.0) * MM
    tap = some_tap(rng, spec, "die", "above")
    lead = thread_size(tap["thread"])["pitch"] * tap["drive"]["gearing"]
    raised = spec["stripper"]["travel"] + spec["strip"]["lift"]
    tap["drive"]["engage_height"] = raised + tap["rest_clearance"] / lead * between(rng, 1.02, 1.5)


def long_point(rng: Rng, spec: Tree) -> None:
    """An unthreaded tip longer than the clearance at rest."""
    tap = some_tap(rng, spec)
    tap["point"] = tap["rest_clearance"] * between(rng, 1.02, 2.0)


def worn_drive(rng: Rng, spec: Tree) -> None:
    """Backlash of up to several turns."""
    some_tap(rng, spec)["drive"]["backlash"] = between(rng, 90.0, 1500.0) * DEG


def slow_valves(rng: Rng, spec: Tree) -> None:
    """Latencies of a good part of the turn at a high rate."""
    spec["press"]["rate"] = between(rng, 120.0, 400.0) / 60.0
    for table in (spec["feeder"], spec["feeder"].get("pilot_release")):
        if table is not None and "latency" in table:
            table["latency"] = between(rng, 40.0, 150.0) * 1e-3


def feed_past_top(rng: Rng, spec: Tree) -> None:
    """A feed that starts in the downstroke."""
    spec["feeder"]["start"] = between(rng, 0.0, 180.0) * DEG


def release_at_large(rng: Rng, spec: Tree) -> None:
    """Rolls opened where nothing need hold the strip."""
    spec["feeder"]["pilot_release"] = {
        "open": between(rng, 0.0, 250.0) * DEG,
        "close": between(rng, 0.0, 360.0) * DEG,
        "latency": between(rng, 0.0, 30.0) * 1e-3,
    }


# lengths first, then tools that depend on them, feeder last: each may undo what an earlier one meant
QUIRKS: tuple[Callable[[Rng, Tree], None], ...] = (
    no_lift, no_pilots, no_taps, deep_shift, never_clamped, never_raised, stripper_borne, pilot_in_at_top,
    punch_in_at_top, punch_never_in, long_nose, worn_drive, tap_in_at_top, tap_never_home, tap_never_touches,
    tap_touches_twice, long_point, slow_valves, feed_past_top, release_at_large,
)  # fmt: skip


def random_scenario(rng: Rng, *, hostile: bool) -> Tree:
    """A scenario in TOML form.

    Parameters
    ----------
    rng : numpy.random.Generator
        Decides everything.
    hostile : bool
        True: one to four things are made wrong on purpose. False: half are built to pass most rules, half are
        put together without regard to one another.
    """
    sensible = chance(rng, 0.5)
    spec = build(rng, sensible=sensible)
    (fit_feed if sensible else loose_feed)(rng, spec)
    if hostile:
        count = int(rng.integers(1, 5))
        for at in sorted(rng.choice(len(QUIRKS), size=count, replace=False).tolist()):
            QUIRKS[at](rng, spec)
    return toml_form(rng, {key: value for key, value in spec.items() if value != {}})
