"""Drag-link and table slides against textbook figures and an outside linkage solver."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pylinkage
import pytest
from numpy.typing import NDArray

from crankclock.parts.drag_link import DragLink
from crankclock.parts.motion_table import MotionTable
from crankclock.parts.numbers import TURN

Law = Callable[[NDArray[np.float64]], NDArray[np.float64]]


def ratio(slide: DragLink) -> float:
    """Time down over time up."""
    return float(slide.bdc) / (TURN - float(slide.bdc))


@pytest.mark.parametrize(
    ("centres", "crank", "printed", "last_place"),
    [
        # Distance of the fixed centres 50 mm, driving crank 75 mm: 2.735 (Khurmi, Theory of Machines, ch. 5, worked
        # example of the Whitworth quick return; from memory).
        (50.0, 75.0, 2.735, 0.002),
        # cos(b/2) = 1/2: 240 deg to 120 deg, the same ratio 2 as Khurmi's slotted lever with the lengths exchanged.
        (120.0, 240.0, 2.0, 1e-5),
    ],
)
def test_whitworth_quick_return_is_the_limit_of_long_links(
    centres: float, crank: float, printed: float, last_place: float
) -> None:
    """Coupler and driven crank equal and endless: the driving pin seems to slide in a slot across the driven crank.

    Textbook: (360 - b) / b with cos(b/2) = centres / crank. With links 1e6 times the crank the angle between slot
    and driven crank is off from 90 deg by half a millionth.
    """
    endless = 1e6 * crank
    found = ratio(DragLink(1.0, centres, crank, endless, endless))
    half = math.acos(centres / crank)
    assert found == pytest.approx((math.pi - half) / half, rel=1e-5)
    assert found == pytest.approx(printed, abs=last_place)


@pytest.mark.parametrize(
    "links", [(60.0, 150.0, 160.0, 140.0), (50.0, 150.0, 140.0, 150.0), (40.0, 120.0, 90.0, 100.0)]
)
def test_dead_centres_of_the_drag_link_by_the_cosine_rule(links: tuple[float, ...]) -> None:
    """The driven crank lies along the line of the shafts in triangles of driving crank, coupler, output +- ground.

    So textbooks lay out the drag-link quick return (Norton, Design of Machinery, six-bar quick return; from memory):
    the driven crank's two positions are opposite each other on the line of the shafts, the driving crank between them
    turns 180 deg more and less the difference of the triangles' corners at its shaft.
    """
    ground, driving, coupler, driven = links

    def at_shaft(reach: float) -> float:
        return math.acos((driving**2 + reach**2 - coupler**2) / (2.0 * driving * reach))

    gain = abs(at_shaft(driven + ground) - at_shaft(driven - ground))
    slide = DragLink(100.0, *links)
    assert float(slide.bdc) == pytest.approx(math.pi + gain, rel=1e-13)
    assert ratio(slide) == pytest.approx((math.pi + gain) / (math.pi - gain), rel=1e-12)


@pytest.mark.parametrize("links", [(60.0, 150.0, 160.0, 140.0), (40.0, 120.0, 90.0, 100.0)])
def test_position_equation_of_the_four_bar(links: tuple[float, ...]) -> None:
    """Freudenstein: K1 cos(out) - K2 cos(in) + K3 = cos(in - out), K1 = d/a, K2 = d/c, K3 = (a2 - b2 + c2 + d2)/2ac.

    With a driving crank, b coupler, c driven crank, d ground. Without rod the driven crank's angle is known from the
    height; the driving crank's is the dial angle from where it stands at TDC, which the equation gives itself.
    """
    d, a, b, c = links
    k1, k2, k3 = d / a, d / c, (a**2 - b**2 + c**2 + d**2) / (2.0 * a * c)
    slide = DragLink(2.0, *links)
    dial = np.linspace(0.0, TURN, 721)
    swing = np.arccos(np.clip(np.asarray(slide.height(dial)) - 1.0, -1.0, 1.0))
    out = np.where(dial <= slide.bdc, swing, TURN - swing)
    # At TDC out = 0: (K2 + 1) cos(in) = K1 + K3; its sign is the assembly, the one with the longer downstroke.
    start = math.acos((k1 + k3) / (k2 + 1.0))
    off = [
        np.abs(k1 * np.cos(out) - k2 * np.cos(driving) + k3 - np.cos(driving - out)).max()
        for driving in (dial + start, dial - start)
    ]
    assert min(off) < 1e-7  # the arc cosine loses half the digits at the dead centres
    assert max(off) > 1e-2


@pytest.mark.parametrize(
    ("links", "rod", "offset"),
    [
        ((0.060, 0.150, 0.160, 0.140), 0.520, 0.0),
        ((0.050, 0.150, 0.140, 0.150), 0.400, 0.030),
        ((0.040, 0.120, 0.090, 0.100), 0.300, -0.040),
    ],
)
def test_against_a_linkage_solver(links: tuple[float, ...], rod: float, offset: float) -> None:
    """pylinkage: two circle-circle joints and a circle-line joint, stepped through the turn in steps of 0.25 deg.

    The slide's crank is the driven crank itself, so the stroke is that of a crank of its length. TDC is found as the
    solver's own highest place. Heights agree to rounding; speed and acceleration by the solver's differences.
    """
    ground, driving, coupler, driven = links
    stroke = math.sqrt((rod + driven) ** 2 - offset**2) - math.sqrt((rod - driven) ** 2 - offset**2)
    slide = DragLink(stroke, *links, rod, offset)
    start = float(slide._start)
    step = math.radians(0.25)
    shaft, other = pylinkage.Ground(0.0, 0.0), pylinkage.Ground(ground, 0.0)
    crank = pylinkage.Crank(anchor=shaft, radius=driving, angular_velocity=step, initial_angle=start)
    # The links' two assemblies mirror each other: the solver stays with the one it starts in.
    top = float(slide._driven.lead)
    pin = pylinkage.RRRDyad(
        crank.output, other, coupler, driven, x=ground + driven * math.cos(top), y=driven * math.sin(top)
    )
    line = pylinkage.Ground(-10.0, offset), pylinkage.Ground(10.0, offset)
    ram = pylinkage.RRPDyad(pin, *line, distance=rod, x=ground - rod, y=offset)
    linkage = pylinkage.Linkage([shaft, other, crank, pin, *line, ram])
    place = np.array([positions[-1][0] for positions in linkage.step(iterations=1440)], dtype=float)
    dial = step * np.arange(1, 1441)
    height = place - place.min()
    _, slope, bend = slide.motion(dial)
    true = np.asarray(slide.height(dial))
    assert np.abs(height - (true - true.min())).max() < 1e-11
    first = (np.roll(place, -1) - np.roll(place, 1)) / (2.0 * step)
    second = (np.roll(place, -1) - 2.0 * place + np.roll(place, 1)) / step**2
    assert np.abs(first - slope).max() < 1e-4 * np.abs(slope).max()
    assert np.abs(second - bend).max() < 1e-3 * np.abs(bend).max()
    assert abs(float(np.argmin(place)) + 1.0 - float(slide.bdc) / step) <= 1.0


LAWS: dict[str, tuple[Law, float, float]] = {
    # Greatest velocity x h/T and acceleration x h/T2: Norton, Cam Design (3-4-5: 1.875, 10/sqrt(3), he prints 5.777;
    # cycloidal: 2, 2 pi, from memory); harmonic: pi/2, pi2/2 (from memory).
    "3-4-5": (lambda s: s**3 * (10.0 - 15.0 * s + 6.0 * s**2), 1.875, 10.0 / math.sqrt(3.0)),
    "cycloidal": (lambda s: s - np.sin(TURN * s) / TURN, 2.0, TURN),
    "harmonic": (lambda s: 0.5 - 0.5 * np.cos(math.pi * s), 0.5 * math.pi, 0.5 * math.pi**2),
}


@pytest.mark.parametrize("name", LAWS)
def test_peaks_of_programmed_laws_from_rows_every_4_deg(name: str) -> None:
    """Down by a law over 120 deg, a dwell of 60 deg, up over 180: the table gives the law's published peaks.

    The harmonic law's acceleration jumps where the dwell begins: it must neither be lost nor overshot.
    """
    law, speed, acceleration = LAWS[name]
    angle = np.arange(0, 360, 4)
    down, up = np.clip(angle / 120.0, 0.0, 1.0), np.clip((angle - 180.0) / 180.0, 0.0, 1.0)
    height = 0.1 * (1.0 - law(down) + law(up))
    slide = MotionTable(tuple(zip(np.radians(angle).tolist(), height.tolist(), strict=True)))
    time = math.radians(120.0)
    assert slide.peak_speed(0.0, slide.bdc) == pytest.approx(speed * 0.1 / time, rel=1e-4)
    assert slide.peak_acceleration(0.3, slide.bdc) == pytest.approx(acceleration * 0.1 / time**2, rel=3e-3)
