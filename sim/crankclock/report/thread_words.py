"""The figures of a thread as text, readable at 80 columns, and as JSON."""

from __future__ import annotations

import json
import textwrap
from typing import Any

from crankclock import __version__
from crankclock.handbook.extrusion import SMALLEST_PUNCH, Extrusion
from crankclock.handbook.thread_figures import (
    FORMULAS,
    LEAST_PERCENT,
    Flange,
    Leaves,
    TapHole,
    TapSpeed,
    ThreadFigures,
    speed_sources,
)
from crankclock.handbook.thread_tables import CHAMFER_FORMS, UNC, UNF
from crankclock.handbook.threads import Thread
from crankclock.units import System, to_unit

WIDTH = 80
DIGITS = 6
SCHEMA = 1

BASIC = "D2 = D - 0.649519 P, D1 = D - 1.082532 P, ISO 68-1 and ISO 724"
BASIC_INCH = "D2 = D - 0.649519 P, D1 = D - 1.082532 P, ASME B1.1"
STRESS = "pi/4 (D - 0.938194 P)^2, ISO 898-1"
STRESS_INCH = "pi/4 (D - 0.974279 P)^2, ASME B1.1"
CHAMFERS = "DIN 2197"
NARROW = "    Smaller than the minor diameter: out of tolerance, and hard on the tap."
HEIGHT_BASIS = (
    "Length of full thread and one pitch, because a thread runs out over half a pitch at each face; common practice. "
    "An entry radius or a ragged rim carries no thread and comes on top."
)
VOLUME_BASIS = (
    "Estimates: the ring of strip between pierced hole and flange keeps its volume (Ulintz, Hole Extrusions, "
    "part 1, MetalForming, October 2011); uniform wall, no entry radius. Try it before the tool is built. "
    f"The smallest hole is pierced at {SMALLEST_PUNCH:g} strip thickness (common practice)."
)
SPEED_BASIS = (
    "High-speed steel taps; of several printed ranges the one used is the fastest that all of them allow. The tap "
    "maker's own figure rules."
)
_SPEED_HEAD = "".join(f"{name:>7}  {'range':>12}{'/min':>7}" for name in ("bare", "coated"))
ESTIMATE_BASIS = (
    "e: estimate by a rule of the trade, common practice. Forming in mild steel: about 2800 /min for M4, coated to 260 "
    "ft/min (Destefani, Don't Cut Threads, Form 'Em, sme.org). High-strength low-alloy steel two thirds of the speed "
    "in mild steel, formed stainless a third. Elsewhere the nearest figure printed; a coated tap bears at least the "
    "speed of a bare one, a forming tap that of a cutting one."
)


def as_text(figures: ThreadFigures, system: System | None = None) -> str:
    """The figures as text, ending in a line break.

    Parameters
    ----------
    figures : ThreadFigures
    system : {"metric", "inch"}, optional
        How to speak; the thread's own system by default.

    Returns
    -------
    str
    """
    speak = system or ("inch" if _inch(figures.thread) else "metric")
    parts = [
        _basic(figures.thread, speak),
        _holes(figures, speak),
        *([] if figures.flange is None else [_flange(figures.flange, figures.thread, speak)]),
        _chamfers(figures.thread, speak),
        _speeds(figures, speak),
    ]
    return "\n\n".join(parts) + "\n"


def as_json(figures: ThreadFigures) -> str:
    """The figures as JSON text; numbers are plain, their unit in the key."""
    return json.dumps(as_data(figures), indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def as_data(figures: ThreadFigures) -> dict[str, Any]:
    """The figures as JSON-ready data."""
    thread = figures.thread
    return {
        "schema": SCHEMA,
        "crankclock": __version__,
        "thread": thread.designation,
        "series": thread.series,
        "diameter_mm": _mm(thread.diameter),
        "pitch_mm": _mm(thread.pitch),
        "pitch_diameter_mm": _mm(thread.pitch_diameter),
        "minor_diameter_mm": _mm(thread.minor_diameter),
        "stress_area_mm2": round(_area(thread.stress_area, "mm"), DIGITS),
        "holes": [
            {"kind": each.kind, "percent": each.percent, "usual": each.usual, "hole_mm": _mm(each.diameter),
             "below_minor": each.narrow,             "source": FORMULAS[each.kind]}
            for each in figures.holes
        ],
        "drill": _drill_data(figures),
        "given_hole": None if figures.hole is None else {
            "hole_mm": _mm(figures.hole),
            "leaves": [
                {"kind": each.kind, "percent": each.percent if each.percent is None else round(each.percent, DIGITS),
                 "enough": each.percent is not None and each.percent >= LEAST_PERCENT,
                 "below_minor": each.narrow, "says": each.refused}
                for each in figures.leaves
            ],
        },
        "flange": None if figures.flange is None else _flange_data(figures.flange),
        "chamfers": [
            {"form": form, "least_pitches": least, "most_pitches": most,
             "least_mm": _mm(least * thread.pitch), "most_mm": _mm(most * thread.pitch)}
            for form, (least, most) in CHAMFER_FORMS.items()
        ],
        "speeds": [_speed_data(each) for each in figures.speeds],
        "speed_basis": SPEED_BASIS,
        "sources": {
            "diameter and pitch": thread.source,
            "basic diameters": BASIC_INCH if _inch(thread) else BASIC,
            "stress area": STRESS_INCH if _inch(thread) else STRESS,
            "chamfers": CHAMFERS,
        },
    }  # fmt: skip


def _speed_data(each: TapSpeed) -> dict[str, Any]:
    speed, spindle = each.speed, each.spindle
    names = ("low", "used", "high")
    cutting = None if speed is None else (speed.low, speed.used, speed.high)
    return {
        "material": each.material,
        "kind": each.kind,
        "coated": each.coated,
        "cutting_speed_m_min": None if cutting is None else _spread(names, cutting, "m/min"),
        "spindle_speed_per_min": None if spindle is None else _spread(names, spindle, "1/min"),
        "estimate": None if speed is None else speed.estimate,
        "source": None if speed is None else speed.source,
    }


def _spread(names: tuple[str, ...], values: tuple[float, ...], unit: str) -> dict[str, float]:
    return {name: round(float(to_unit(value, unit)), DIGITS) for name, value in zip(names, values, strict=True)}


def _drill_data(figures: ThreadFigures) -> dict[str, Any] | None:
    drill = figures.drill
    if drill is None:
        return None
    return {
        "drill_mm": _mm(drill.diameter),
        "percent": round(drill.percent, DIGITS),
        "computed": drill.computed,
        "source": drill.source,
    }


def _flange_data(flange: Flange) -> dict[str, Any]:
    return {
        "hole_mm": _mm(flange.hole),
        "thread_length_mm": _mm(flange.length),
        "height_needed_mm": _mm(flange.height),
        "height_basis": HEIGHT_BASIS,
        "strip_thickness_mm": _mm(flange.thickness),
        "estimates": [
            {
                "wall_mm": _mm(each.wall),
                "outer_mm": _mm(each.outer),
                "wall_left_mm": _mm(each.left),
                "highest_mm": _mm(each.highest),
                "full_thread_mm": _mm(each.full_thread),
                "pierced_mm": _mm(each.pierced),
            }
            for each in flange.options
        ],
        "estimate_basis": VOLUME_BASIS if flange.options else None,
    }


def _inch(thread: Thread) -> bool:
    return thread.series in (UNC, UNF)


def _mm(value: float | None) -> float | None:
    return None if value is None else round(float(to_unit(value, "mm")), DIGITS) + 0.0


def _area(value: float, unit: str) -> float:
    return float(to_unit(float(to_unit(value, unit)), unit))


def _size(value: float, system: System) -> str:
    return f"{to_unit(value, 'mm'):.3f} mm" if system == "metric" else f"{to_unit(value, 'in'):.4f} in"


def _wrapped(text: str, indent: str = "  ") -> str:
    return textwrap.fill(text, WIDTH, initial_indent=indent, subsequent_indent=indent, break_on_hyphens=False)


def _row(name: str, said: str) -> str:
    return f"  {name:<26}{said}"


def _basic(thread: Thread, system: System) -> str:
    area = f"{_area(thread.stress_area, 'mm'):.2f} mm^2" if system == "metric" else ""
    area = area or f"{_area(thread.stress_area, 'in'):.5f} in^2"
    count = f" ({1.0 / to_unit(thread.pitch, 'in'):g} threads per inch)" if _inch(thread) else ""
    return "\n".join(
        [
            thread.designation if _inch(thread) else f"{thread.designation}, {thread.series}",
            _row("Diameter", _size(thread.diameter, system)),
            _row("Pitch", _size(thread.pitch, system) + count),
            _row("Pitch diameter", _size(thread.pitch_diameter, system)),
            _row("Minor diameter", f"{_size(thread.minor_diameter, system)}, internal thread"),
            _row("Stress area", f"{area}, of the mating screw"),
            _wrapped(
                f"Sources: {thread.source}; {BASIC_INCH if _inch(thread) else BASIC}; "
                f"{STRESS_INCH if _inch(thread) else STRESS}."
            ),
        ]
    )


def _holes(figures: ThreadFigures, system: System) -> str:
    lines = ["Tap hole", *(_hole(each, system) for each in figures.holes)]
    if figures.drill is not None:
        size, percent = _size(figures.drill.diameter, system), figures.drill.percent
        note = ", no stock size" if figures.drill.computed else ""
        lines.append(_row("Usual drill, cutting tap", f"{size}, which leaves {percent:.1f} %{note}"))
    if figures.hole is not None:
        lines += [_given(figures.hole, each, system) for each in figures.leaves]
    sources = [f"{each.kind} tap: {FORMULAS[each.kind]}" for each in figures.holes]
    if figures.drill is not None:
        sources.append(f"drill: {figures.drill.source}")
    return "\n".join([*lines, _wrapped(f"Sources: {'; '.join(sources)}.")])


def _hole(hole: TapHole, system: System) -> str:
    usual = " (common practice)" if hole.usual else ""
    said = f"{_size(hole.diameter, system)} for {hole.percent:g} % of thread{usual}"
    return _row(f"{hole.kind.capitalize()} tap", said) + (f"\n{NARROW}" if hole.narrow else "")


def _given(hole: float, left: Leaves, system: System) -> str:
    name = f"Given, {left.kind} tap"
    if left.percent is None:
        return f"{_row(name, 'does not suit')}\n{_wrapped(left.refused + '.', '    ')}"
    thin = f"; less than {LEAST_PERCENT:g} %: too little" if left.percent < LEAST_PERCENT else ""
    return _row(name, f"{_size(hole, system)} leaves {left.percent:.1f} %{thin}") + (
        f"\n{NARROW}" if left.narrow else ""
    )


def _flange(flange: Flange, thread: Thread, system: System) -> str:
    lines = [f"Extruded hole, inside {_size(flange.hole, system)}"]
    if flange.length is not None and flange.height is not None:
        said = f"{_size(flange.height, system)} for {_size(flange.length, system)} of full thread"
        lines += [_row("Height, strip included", said), _wrapped(HEIGHT_BASIS)]
    if flange.thickness is not None:
        lines += _estimates(flange, flange.thickness, thread, system)
    return "\n".join(lines)


def _estimates(flange: Flange, thickness: float, thread: Thread, system: System) -> list[str]:
    lines = [f"  Estimates for strip of {_size(thickness, system)}"]
    if flange.height is not None and flange.height <= thickness:
        lines.append("  The strip itself is high enough: nothing need be extruded.")
    last = "full thread, highest" if flange.height is None else "pierced hole"
    lines.append(f"  {'wall':>12}{'outside':>14}{'wall left':>14}{'highest':>14}{last:>22}")
    lines += [_estimate(each, flange, thickness, system) for each in flange.options]
    return [*lines, _wrapped(f"Wall left: outside the {thread.designation} thread. {VOLUME_BASIS}")]


def _estimate(each: Extrusion, flange: Flange, thickness: float, system: System) -> str:
    left = _size(each.left, system) if each.left > 0.0 else "none"
    if each.full_thread is None:
        last = "thread cuts through"
    elif flange.height is None:
        last = _size(each.full_thread, system)
    elif each.pierced is None:
        last = "none" if flange.height <= thickness else "not high enough"
    else:
        last = _size(each.pierced, system)
    return (
        f"  {_size(each.wall, system):>12}{_size(each.outer, system):>14}{left:>14}"
        f"{_size(each.highest, system):>14}{last:>22}"
    )


def _chamfers(thread: Thread, system: System) -> str:
    lines = [f"Tap chamfers by form ({CHAMFERS})"]
    for form, (least, most) in CHAMFER_FORMS.items():
        span = f"{_size(least * thread.pitch, system)} to {_size(most * thread.pitch, system)}"
        lines.append(_row(f"{form}, {least:g} to {most:g} pitches", span))
    return "\n".join(lines)


def _speeds(figures: ThreadFigures, system: System) -> str:
    """A table for each kind of tap, then the sources once."""
    unit = "m/min" if system == "metric" else "ft/min"
    lines = [
        f"Permitted speeds at {_size(figures.thread.diameter, system)}: the one used, range, spindle at the one used"
    ]
    for kind in dict.fromkeys(each.kind for each in figures.speeds):
        lines.append(f"  {f'{kind.capitalize()} tap, {unit}':<20}" + _SPEED_HEAD)
        rows = [each for each in figures.speeds if each.kind == kind]
        for material in dict.fromkeys(each.material for each in rows):
            cells = "".join(_speed(each, unit) for each in rows if each.material == material)
            lines.append(f"  {material:<20}{cells}".rstrip())
    sources = "; ".join(speed_sources(figures.speeds))
    return "\n".join([*lines, *(_wrapped(text) for text in (SPEED_BASIS, ESTIMATE_BASIS, f"Sources: {sources}."))])


def _speed(each: TapSpeed, unit: str) -> str:
    if each.speed is None or each.spindle is None:
        return f"{'no figure':>28}"
    low, used, high = (float(to_unit(value, unit)) for value in (each.speed.low, each.speed.used, each.speed.high))
    mark = "e" if each.speed.estimate else ""
    return f"{used:>7.1f} {mark:<1}{f'{low:.1f}-{high:.1f}':>12}{float(to_unit(each.spindle[1], '1/min')):>7.0f}"
