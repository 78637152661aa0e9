"""The timing chart: it draws every kind of cycle, the same each time, and hatches what is broken and nothing else."""

from __future__ import annotations

import subprocess
import sys
import warnings
import xml.etree.ElementTree as ET
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from crankclock.report import chart
from crankclock.report.rings import rings
from crankclock.report.style import spread
from crankclock.scenario.load import open_scenario
from crankclock.studies.check import Check, check
from crankclock.studies.overlaps import PARTS, overlaps
from crankclock.studies.traces import spans, traces

BASE = """
title = "Cover & hinge <left>, $5 each"
[press]
rate = "55 /min"
[press.slide]
kind = "eccentric"
stroke = "120 mm"
connecting_rod = "480 mm"
[strip]
material = "low-carbon-steel"
thickness = "1.5 mm"
lift = "1.2 mm"
pitch = "40 mm"
[strip.properties]
cutting_speed = "70 m/min"
[stripper]
travel = "40 mm"
"""
FEEDER = """
[feeder]
kind = "servo"
start = "268 deg"
latency = "12 ms"
speed = "60 m/min"
acceleration = "25 m/s^2"
settle = "8 ms"
[feeder.pilot_release]
open = "101.5 deg"
close = "250 deg"
"""
TOOLS = """
[pilot.p1]
mount = "slide"
penetration = "50 mm"
nose = "4 mm"
[punch.pierce]
mount = "slide"
penetration = "2 mm"
"""
TAP = """
[tap.{name}]
thread = "M4x0.7"
kind = "form"
chamfer = 2
rest_clearance = "{clear}"
mount = "{mount}"
side = "{side}"
[tap.{name}.drive]
kind = "press"
gearing = "{gearing}"
backlash = "20 deg"
"""
M4 = TAP.format(name="m4", clear="0.5 mm", mount="die", side="above", gearing="0.236 /mm")
HEADS = "".join(
    TAP.format(name=f"{mount}-{side}", clear="0.6 mm", mount=mount, side=side, gearing=gearing)
    for mount, side, gearing in (
        ("die", "below", "0.3 /mm"), ("stripper", "above", "0.25 /mm"), ("lifter", "above", "0.2 /mm"),
    )
)  # fmt: skip
PILOTS = "".join(
    f'[pilot.q{k}]\nmount = "slide"\npenetration = "{50 if k < 9 else 47} mm"\nnose = "4 mm"\n' for k in range(13)
)
MOTOR = M4.split("[tap.m4.drive]")[0] + (
    '[tap.m4.drive]\nkind = "motor"\nstart = "150 deg"\nspeed = "3000 /min"\nacceleration = "500 /s^2"\n'
)
LISTED = '[feeder]\nkind = "rated"\nstart = "250 deg"\nrates = [["50 mm", "180 /min"]]\nfeed_angle = "180 deg"\n'

MASSES = (
    "strip.mass=1.4 kg", "strip.lifter_force=300 N", "strip.lifter_rate=10 N/mm", "stripper.mass=42 kg",
    'stripper.clamp_force=400 N', "contact.stiffness=500 kN/mm", "contact.damping=0.5",
)  # fmt: skip
SPRING = '[stripper.spring.main]\nkind = "coil"\ncount = 6\nforce = "{force}"\nrate = "20 N/mm"\ntravel = "60 mm"\n'
Case = tuple[str, tuple[str, ...]]
STIFF: Case = (BASE + SPRING.format(force="2 kN") + FEEDER + TOOLS + M4, MASSES)
SOFT: Case = (BASE + SPRING.format(force="60 N") + FEEDER + TOOLS + M4, (*MASSES, "press.rate=110 /min"))

KINDS = {
    "whole": (BASE + FEEDER + TOOLS + M4, ()),
    "four taps": (BASE + FEEDER + TOOLS + M4 + HEADS, ()),
    "many pilots": (BASE + FEEDER + TOOLS + M4 + HEADS + PILOTS, ()),
    "no taps": (BASE + FEEDER + TOOLS, ()),
    "no pilots": (BASE + FEEDER.split("[feeder.pilot_release]")[0] + M4, ()),
    "no feeder": (BASE + TOOLS + M4, ()),
    "nothing": (BASE, ()),
    "motor": (BASE + FEEDER + TOOLS + MOTOR, ()),
    "no lift": (BASE + FEEDER + TOOLS + M4, ("strip.lift=0 mm",)),
    "always in": (BASE + FEEDER + TOOLS + M4, ("punch.pierce.penetration=300 mm", "tap.m4.rest_clearance=90 mm")),
    "never in": (BASE + FEEDER + TOOLS + M4, ("punch.pierce.penetration=-2 mm", "pilot.p1.penetration=2 mm")),
    "never clamped": (BASE + FEEDER + TOOLS + M4, ("stripper.travel=300 mm",)),
    "past TDC": (BASE + FEEDER + TOOLS + M4, ("feeder.start=320 deg", "feeder.speed=20 m/min")),
    "over a turn": (BASE + FEEDER + TOOLS + M4, ("feeder.speed=1 m/min", "press.rate=90 /min")),
    "listed": (BASE + LISTED + TOOLS + M4, ()),
    "not home": (BASE + FEEDER + TOOLS + HEADS, ("tap.stripper-above.drive.engage_height=45 mm",)),
    "early": (BASE + FEEDER + TOOLS + M4, ("feeder.start=228 deg", "stripper.travel=20 mm")),
}


@pytest.fixture(autouse=True)
def _quiet() -> Iterator[None]:
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        yield


def judged(folder: Path, text: str, settings: tuple[str, ...] = (), reading: str = "rigid") -> Check:
    path = folder / "case.toml"
    path.write_text(text, encoding="utf-8")
    return check(open_scenario(str(path), settings), reading)  # type: ignore[arg-type]


def words(svg: bytes) -> str:
    """All text in an SVG; raises where it is not well-formed."""
    return "\n".join(ET.fromstring(svg).itertext())


@pytest.mark.parametrize("kind", KINDS)
def test_draws_every_kind_of_cycle_and_names_every_ring(kind: str, tmp_path: Path) -> None:
    found = judged(tmp_path, *KINDS[kind])
    said = words(chart.render(found, "svg"))
    for ring in rings(found, traces(found.cycle, 1.0)):
        assert ring.name in said
    assert {"pass": "PASS", "tight": "TIGHT", "fail": "FAIL", "incomplete": "INCOMPLETE"}[found.verdict] in said
    assert "Cover & hinge <left>, $5 each" in said
    assert "Guards and lock-out stay on" in said
    assert f"{len(found.assumed)} values assumed" in said


def test_every_tool_has_a_ring(tmp_path: Path) -> None:
    for kind in ("four taps", "many pilots"):
        found = judged(tmp_path, *KINDS[kind])
        keys = [key for ring in rings(found, traces(found.cycle, 1.0)) for key in ring.keys]
        machine = found.machine
        tools = [f"pilot:{name}" for name in machine.pilots] + [f"punch:{name}" for name in machine.punches]
        assert sorted(keys) == sorted(
            ["feed", "rolls", "lift", "clamp", *tools, *(f"tap:{name}" for name in machine.taps)]
        )


def test_same_bytes_each_time(tmp_path: Path) -> None:
    first = chart.render(judged(tmp_path, *KINDS["early"]), "svg")
    assert first == chart.render(judged(tmp_path, *KINDS["early"]), "svg")
    assert b"<dc:date>" not in first


def test_settings_of_the_user_change_nothing_and_come_back(tmp_path: Path) -> None:
    from matplotlib import rc_context, rcParams

    found = judged(tmp_path, *KINDS["whole"])
    plain = chart.render(found, "svg")
    with rc_context({"axes.grid": True, "lines.linewidth": 9.0, "svg.fonttype": "path"}):
        assert chart.render(found, "svg") == plain
        assert rcParams["lines.linewidth"] == 9.0


def hatched(found: Check) -> int:
    """How many patches of the chart are hatched."""
    figure = chart.draw(found)
    return sum(bool(patch.get_hatch()) for axes in figure.axes for patch in axes.patches)


def test_hatched_only_where_a_rule_is_broken(tmp_path: Path) -> None:
    sound, early = judged(tmp_path, *KINDS["whole"]), judged(tmp_path, *KINDS["early"])
    assert sound.verdict in ("pass", "tight")
    assert hatched(sound) == 0
    assert hatched(early) > 0
    said = words(chart.render(early, "svg"))
    for overlap in overlaps(early):
        assert overlap.finding.rule in said
        assert f"{np.degrees(overlap.size):.1f}°" in said
    assert "Broken rules" in said
    assert "Broken rules" not in words(chart.render(sound, "svg"))


@pytest.mark.parametrize("kind", KINDS)
def test_overlap_is_as_long_as_the_margin_is_short(kind: str, tmp_path: Path) -> None:
    for reading in ("hand", "rigid"):
        found = judged(tmp_path, *KINDS[kind], reading=reading)
        drawn = overlaps(found)
        for finding in found.findings:
            mine = [each.size for each in drawn if each.finding is finding]
            if finding.status == "fail" and finding.margin is not None and finding.rule in PARTS:
                assert max(mine) == pytest.approx(-finding.margin, abs=1e-9)
            else:
                assert not mine


@pytest.mark.parametrize("verdict", ["nothing", "no feeder"])
def test_incomplete_does_not_read_as_sound(verdict: str, tmp_path: Path) -> None:
    found = judged(tmp_path, *KINDS[verdict])
    assert found.verdict == "incomplete"
    said = words(chart.render(found, "svg"))
    assert "Not a pass" in said
    assert "No rule" not in said


def test_lengths_in_the_units_asked_for(tmp_path: Path) -> None:
    found = judged(tmp_path, *KINDS["whole"])
    assert "stroke 120.00 mm" in words(chart.render(found, "svg"))
    assert "stroke 4.724 in" in words(chart.render(found, "svg", "inch"))


def test_saves_by_suffix_and_refuses_another(tmp_path: Path) -> None:
    found = judged(tmp_path, *KINDS["whole"])
    chart.save(found, tmp_path / "c.png")
    assert (tmp_path / "c.png").read_bytes().startswith(b"\x89PNG")
    chart.save(found, tmp_path / "c.SVG")
    assert b"<svg" in (tmp_path / "c.SVG").read_bytes()
    with pytest.raises(ValueError, match=r"\.pdf"):
        chart.save(found, tmp_path / "c.pdf")


def test_title_in_any_script_and_with_what_cannot_be_printed(tmp_path: Path) -> None:
    found = judged(tmp_path, BASE.replace("Cover & hinge <left>, $5 each", "支架 \\u0001 \\n bracket " + "long " * 60))
    assert "支架" in words(chart.render(found, "svg"))
    assert chart.render(found, "png")


def test_drawing_library_is_loaded_only_when_something_is_drawn() -> None:
    code = "import sys, crankclock.report.chart; sys.exit('matplotlib' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


@pytest.mark.parametrize("kind", KINDS)
def test_traces_agree_with_the_events(kind: str, tmp_path: Path) -> None:
    found = judged(tmp_path, *KINDS[kind])
    curves, motion = traces(found.cycle), found.cycle.motion
    step = np.radians(0.05) * 1.001
    inside = {f"pilot:{name}": each.tip for name, each in motion.pilots.items()}
    inside |= {f"punch:{name}": each for name, each in motion.punches.items()}
    pairs = [(span, curves.tools[key] <= curves.top + 1e-9) for key, span in inside.items()]
    pairs += [(motion.taps[name].thread, tap.inside) for name, tap in curves.taps.items()]
    for span, flags in pairs:
        seen = spans(curves.angle, flags)
        if span.already:
            assert flags[0] or flags[-1]
        elif span.never:
            assert not seen
        else:
            assert seen[0][0] == pytest.approx(float(span.start), abs=step)
            assert seen[-1][1] == pytest.approx(float(span.end), abs=step)
    for name, tap in curves.taps.items():
        peak = float(motion.taps[name].peak_speed_in_cut)
        assert tap.speed[tap.cutting].max() == pytest.approx(peak, rel=2e-3)


def test_contact_forces_are_drawn_as_it_runs_and_only_then(tmp_path: Path) -> None:
    for reading in ("hand", "rigid", "running"):
        said = words(chart.render(judged(tmp_path, *STIFF, reading), "svg"))
        for text in ("Contact force", "stripper on strip", "strip on die face", "landing", "letting go"):
            assert (text in said) == (reading == "running")
        assert f"{reading} reading" in said


def test_forces_in_the_units_asked_for(tmp_path: Path) -> None:
    found = judged(tmp_path, *STIFF, "running")
    forces = traces(found.cycle, 0.2).forces
    assert forces is not None
    peak = max(forces.stripper.max(), forces.die.max())
    metric, inch = (words(chart.render(found, "svg", system)) for system in ("metric", "inch"))
    assert "wanted, 0.40 kN" in metric
    assert f"{peak / 1e3:.1f}" in metric.split()
    assert "lbf" not in metric
    assert "wanted, 90 lbf" in inch
    assert f"{peak / (0.45359237 * 9.80665):.0f}" in inch.split()
    assert "kN" not in inch


def test_forces_at_the_bottom_balance_springs_weights_and_lifters(tmp_path: Path) -> None:
    found = judged(tmp_path, *STIFF, "running")
    forces = traces(found.cycle, 0.2).forces
    assert forces is not None
    gravity = 9.80665
    stripper = 6 * (2e3 + 20e3 * 40e-3) + 42 * gravity  # it lies still on the strip, whatever the slide does
    die = stripper + 1.4 * gravity - (300 + 10e3 * 1.2e-3)
    assert np.interp(np.pi, forces.angle, forces.stripper) == pytest.approx(stripper, rel=1e-3)
    assert np.interp(np.pi, forces.angle, forces.die) == pytest.approx(die, rel=1e-3)


def test_bounces_are_gaps_in_the_force_while_the_strip_should_be_clamped(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    stiff, soft = (judged(tmp_path, *each, "running") for each in (STIFF, SOFT))
    assert traces(stiff.cycle).forces.bounces == ()  # type: ignore[union-attr]
    forces, motion = traces(soft.cycle).forces, soft.cycle.motion
    assert forces is not None
    assert len(forces.bounces) > 1
    for start, end in forces.bounces:
        inside = (forces.angle > start + 1e-6) & (forces.angle < end - 1e-6)
        assert np.all(np.minimum(forces.stripper, forces.die)[inside] == 0.0)
        assert float(motion.clamped.start) < start < end < float(motion.clamped.end)
    assert "bounces" in words(chart.render(soft, "svg"))
    assert "bounces\n" not in words(chart.render(stiff, "svg"))
    clamp = next(ring for ring in rings(soft, traces(soft.cycle, 0.2)) if ring.keys == ("clamp",))
    assert clamp.bounces == forces.bounces
    monkeypatch.setattr("crankclock.studies.traces.PARTED", 1.0)
    assert traces(soft.cycle).forces.bounces == ()  # type: ignore[union-attr]


@pytest.mark.parametrize("case", [STIFF, SOFT])
def test_running_traces_agree_with_the_events(case: Case, tmp_path: Path) -> None:
    found = judged(tmp_path, *case, "running")
    curves, motion = traces(found.cycle), found.cycle.motion
    step = np.radians(0.05) * 1.001
    forces = curves.forces
    assert forces is not None
    pressed = forces.angle[forces.die > 0.0]
    assert pressed[0] == pytest.approx(float(motion.clamped.start), abs=step)
    assert pressed[-1] == pytest.approx(float(motion.clamped.end), abs=step)
    seen = spans(curves.angle, curves.taps["m4"].inside)
    assert seen[0][0] == pytest.approx(float(motion.taps["m4"].thread.start), abs=step)
    assert seen[-1][1] == pytest.approx(float(motion.taps["m4"].thread.end), abs=step)


def test_strip_by_hand_is_drawn_where_it_strays(tmp_path: Path) -> None:
    stiff, soft = (words(chart.render(judged(tmp_path, *each, "running"), "svg")) for each in (STIFF, SOFT))
    assert "strip, stripper by hand" in soft
    assert "strip, stripper by hand" not in stiff


@pytest.mark.parametrize("settings", [(), ("stripper.mass=42 kg",)])
def test_says_what_the_running_reading_lacks(settings: tuple[str, ...], tmp_path: Path) -> None:
    said = words(chart.render(judged(tmp_path, KINDS["whole"][0], settings), "svg"))
    line = next(each for each in said.splitlines() if each.startswith("Not as it runs"))
    assert "strip.lifter_force" in line
    assert ("stripper.mass" in line) == (not settings)
    assert "Not as it runs" not in words(chart.render(judged(tmp_path, *STIFF, "running"), "svg"))


@pytest.mark.parametrize("case", [STIFF, SOFT, (BASE + SPRING.format(force="60 N") + FEEDER + TOOLS + MOTOR, MASSES)])
def test_rings_tick_what_happens_elsewhere_by_hand(case: Case, tmp_path: Path) -> None:
    found = judged(tmp_path, *case, "running")
    events = {event.id: event for event in found.events}
    for ring in rings(found, traces(found.cycle, 1.0)):
        own = {"lift": ("stripper.touch", "strip.settled"), "clamp": ("stripper.clamped", "stripper.unclamped")}
        group = ring.keys[0]
        mine = [events[each] for each in own.get(group, ())] or [
            event
            for event in found.events
            if event.id.startswith(f"{group}.") and not event.id.endswith(("full", "through"))
        ]
        pairs = [(event.hand, event.angle) for event in mine if event.hand is not None]
        apart = {hand for hand, angle in pairs if angle is None or abs(hand - angle) > np.radians(0.3)}
        assert set(ring.by_hand) == apart
        if group == "feed" or (group == "tap:m4" and "motor" in case[0]):
            assert ring.by_hand


def test_no_ticks_by_hand_on_a_chart_by_hand(tmp_path: Path) -> None:
    found = judged(tmp_path, *STIFF, "hand")
    assert not any(ring.by_hand for ring in rings(found, traces(found.cycle, 1.0)))


def test_motor_that_runs_past_tdc_goes_on_where_it_left_off(tmp_path: Path) -> None:
    text = BASE + FEEDER + TOOLS + MOTOR
    found = judged(tmp_path, text, ("tap.m4.drive.start=200 deg", "tap.m4.drive.speed=1500 /min"))
    curves, passed = traces(found.cycle), found.cycle.motion.taps["m4"]
    tap, home = curves.taps["m4"], float(passed.home)
    assert home > 2.0 * np.pi + 0.1
    assert tap.turns[0] == pytest.approx(tap.turns[-1])
    assert tap.turns[0] > 1.0
    assert tap.gap[0] == pytest.approx(tap.gap[-1])
    away = curves.angle[(tap.turns > 0.0) & (curves.angle < np.pi)]
    assert away[-1] == pytest.approx(home - 2.0 * np.pi, abs=np.radians(0.1))
    assert tap.speed.min() == pytest.approx(-1500 / 60, rel=1e-3)
    assert tap.speed[0] < 0.0
    faint = [
        arc for ring in rings(found, curves) for arc in ring.arcs if arc.weight == "faint" and "tap:m4" in ring.keys
    ]
    assert len(faint) == 1
    assert faint[0].end == pytest.approx(home, abs=np.radians(0.1))


@pytest.mark.parametrize("start", [196, 204, 212, 228])
def test_lines_to_the_overlaps_run_over_no_number(start: int, tmp_path: Path) -> None:
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    figure = chart.draw(judged(tmp_path, KINDS["early"][0], (f"feeder.start={start} deg", "stripper.travel=20 mm")))
    canvas = FigureCanvasAgg(figure)
    canvas.draw()  # type: ignore[no-untyped-call]
    dial = figure.axes[0]
    numbers = [text for text in dial.texts if text.get_text() in {str(each) for each in range(0, 360, 30)}]
    assert len(numbers) == 12
    boxes = [text.get_window_extent() for text in numbers]
    lines = [line for line in dial.lines if line.get_zorder() == 4.0]
    assert lines
    for line in lines:
        ends = dial.transData.transform(line.get_xydata())
        along = ends[0] + np.linspace(0.0, 1.0, 200)[:, None] * (ends[1] - ends[0])
        assert not any(box.contains(*point) for box in boxes for point in along)


def test_feed_past_tdc_goes_on_where_it_left_off(tmp_path: Path) -> None:
    curves = traces(judged(tmp_path, *KINDS["past TDC"]).cycle)
    assert curves.fed is not None
    assert curves.fed_before is not None
    assert 0.0 < curves.fed[-1] < 0.04
    assert curves.fed_before[0] == pytest.approx(curves.fed[-1])
    assert curves.fed_before[-1] == pytest.approx(0.04)


def test_tap_tip_of_a_die_mounted_head_rests_over_the_raised_strip(tmp_path: Path) -> None:
    curves = traces(judged(tmp_path, *KINDS["whole"]).cycle)
    tap = curves.taps["m4"]
    assert tap.tip[0] == pytest.approx(1.2e-3 + 1.5e-3 + 0.5e-3)
    assert tap.tip.min() == pytest.approx(1.5e-3 - (1.5e-3 + 2 * 0.7e-3 + 0.7e-3))


def test_traces_refuse_a_step_that_is_none(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="step"):
        traces(judged(tmp_path, *KINDS["nothing"]).cycle, 0.0)


def test_spread_keeps_order_gap_and_ends() -> None:
    for wanted in ([5.0], [0.0, 0.1, 0.2], [98.0, 99.0, 99.5], [10.0, 10.0, 50.0, 50.5, 51.0]):
        places = spread(wanted, 3.0, 0.0, 100.0)
        assert all(b - a >= 3.0 - 1e-9 for a, b in pairwise(places))
        assert places[0] >= 0.0
        assert places[-1] <= 100.0
    assert spread([20.0, 80.0], 3.0, 0.0, 100.0) == [20.0, 80.0]
    assert spread([0.0] * 101, 3.0, 0.0, 100.0)[-1] == pytest.approx(100.0)
