"""Gas springs that run warm: a note, by common practice, with the rate from which."""

from __future__ import annotations

import pytest

from crankclock.api import check
from crankclock.cycle import Reading

WARM = "Gas spring main runs warm"


def notes(*settings: str, name: str = "shelf-bracket", reading: Reading = "rigid") -> list[str]:
    return [note for note in check(name, *settings, reading=reading).notes if "runs warm" in note]


def test_above_four_metres_of_stroke_a_minute() -> None:
    """The shelf bracket's springs are used by 40 mm: 100 strokes a minute are 4 m."""
    assert notes("press.rate=99.9 /min") == []
    (note,) = notes("press.rate=100.1 /min")
    assert note.startswith(f"{WARM} at 100.1 /min: from about 100.0 /min on at its stroke.")
    assert "Common practice, no published source" in note
    assert "The maker's strokes a minute for the model decide" in note


def test_neither_by_hand_nor_with_coil_springs() -> None:
    assert notes("press.rate=110 /min", reading="hand") == []
    assert notes("press.rate=90 /min", "stripper.travel=49 mm", name="gauge-plate-own-motor") == []


def test_strokes_that_the_press_really_makes_count() -> None:
    """Single strokes with a pause are fewer than the rate at which it would run on."""
    name, travel = "long-blank-single-strokes", 0.090
    settings = (f"stripper.travel={1e3 * travel:g} mm", "stripper.spring.gas.travel=150 mm")
    machine = check(name, *settings, reading="rigid").machine
    rate, made = 60.0 * float(machine.crank.rate), 60.0 / float(machine.crank.period)
    assert made * travel < 4.0 < rate * travel
    assert notes(*settings, name=name) == []
    assert len(notes(*settings, "press.mode=continuous", name=name)) == 1


@pytest.mark.parametrize("count", [1, 6])
def test_each_spring_by_its_own_stroke(count: int) -> None:
    assert len(notes("press.rate=110 /min", f"stripper.spring.main.count={count}")) == 1
