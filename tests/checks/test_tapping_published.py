"""Tapping speeds, torques and cutting forces against published figures; each figure beside its source.

Figures are kept as printed. Values computed here from published inputs are asserted to half a unit of the last
place given.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from crankclock.handbook.breaking import breaking_torque
from crankclock.handbook.material_tables import CORRECTIONS, FOOT_PER_MINUTE, SPEEDS, SpeedRow
from crankclock.handbook.materials import MATERIALS, Force, spindle_speed
from crankclock.handbook.threads import INCH, MILLIMETRE, parse
from crankclock.handbook.torque import (
    FORM_RATIO_HIGH,
    FORM_RATIO_LOW,
    FORM_RATIO_USED,
    cut_torque,
    first_torque,
    form_torque,
    second_torque,
)
from crankclock.handbook.torque_course import chamfer_share

NEWTON_PER_MM2 = 1e6


def force(name: str) -> Force:
    found = MATERIALS[name].force
    assert found is not None
    return found


@pytest.mark.parametrize(
    ("thread", "kc", "torque"),
    [("M6", 2300.0, 1.725), ("M8", 2500.0, 3.906)],
)
def test_first_formula(thread: str, kc: float, torque: float) -> None:
    """MD = kc h^2 d / 8000, lubero.de, calculations; results computed here from its kc."""
    size = parse(thread)
    assert first_torque(size.diameter, size.pitch, kc * NEWTON_PER_MM2) == pytest.approx(torque, abs=0.0005)


@pytest.mark.parametrize(("correction", "torque"), [(1.35, 4.041), (1.43, 4.280), (1.15, 3.442), (0.95, 2.843)])
def test_second_formula(correction: float, torque: float) -> None:
    """M8 in a 6.8 mm hole, Ck 60 (kc 4000), Yamawa general catalogue 2016-2017, p. 777; results computed here.

    They fix theta as 30 degrees, the thread half angle the catalogue names.
    """
    found = second_torque(8.0 * MILLIMETRE, 6.8 * MILLIMETRE, 4000.0 * NEWTON_PER_MM2, correction)
    assert found == pytest.approx(torque, abs=0.0005)


# Correction coefficient K, steel coarse and fine, brass coarse and fine: the same catalogue, table 2.
CORRECTION_TABLE = {
    "straight-fluted, plug chamfer": (1.35, 1.15, 1.60, 1.12),
    "straight-fluted, bottoming chamfer": (1.43, 1.50, 1.68, None),
    "spiral-fluted": (1.15, 1.25, 0.85, None),
    "spiral-pointed": (0.95, 1.00, 0.75, 1.00),
}


@pytest.mark.parametrize("style", CORRECTION_TABLE)
def test_correction_coefficients(style: str) -> None:
    found = {row.family: (row.coarse, row.fine) for row in CORRECTIONS if row.style == style}
    assert (*found["steel"], *found["brass"]) == CORRECTION_TABLE[style]


# kc [N/mm2] of the first formula: lubero.de, calculations.
FIRST_FORCES = {
    "low-carbon-steel": 2300.0,  # unalloyed construction metal, up to 700 N/mm2
    "hsla-steel": 2500.0,  # structural steel, 500 to 950 N/mm2
    "spring-steel": 3600.0,  # tool steel, 950 to 1400 N/mm2
    "austenitic-stainless": 3200.0,  # stainless and acid resistant steel, austenitic
    "aluminium-soft": 800.0,  # aluminium alloys, long chipping
    "aluminium-hard": 800.0,
    "copper": 1100.0,  # copper alloys, long-chipping
    "brass": 1100.0,
    "bronze": 1100.0,
}

# kc [N/mm2] of the second formula: Yamawa general catalogue 2016-2017, p. 777, table 1.
SECOND_FORCES = {
    "low-carbon-steel": 3600.0,  # Ck 15
    "hsla-steel": 3900.0,  # Ck 45
    "austenitic-stainless": 4200.0,  # X 6 CrNi 18 10
    "spring-steel": 5300.0,  # C 105 W2
    "brass": 2300.0,  # CuZn40
}


@pytest.mark.parametrize("name", FIRST_FORCES)
def test_specific_cutting_force(name: str) -> None:
    assert force(name).first == pytest.approx(FIRST_FORCES[name] * NEWTON_PER_MM2)


@pytest.mark.parametrize("name", SECOND_FORCES)
def test_specific_cutting_force_of_the_second_formula(name: str) -> None:
    assert force(name).second == pytest.approx(SECOND_FORCES[name] * NEWTON_PER_MM2)


def test_the_second_table_has_no_other_material() -> None:
    assert {name for name in MATERIALS if force(name).second is not None} == set(SECOND_FORCES)


def test_forming_takes_two_to_three_times_a_cutting_taps_torque() -> None:
    """Yamawa general catalogue 2022-2023, tapping torque of forming taps, Technical-7."""
    assert (FORM_RATIO_LOW, FORM_RATIO_HIGH) == (2.0, 3.0)
    assert FORM_RATIO_LOW <= FORM_RATIO_USED <= FORM_RATIO_HIGH
    cut, form = (torque(parse("M4"), force("low-carbon-steel")) for torque in (cut_torque, form_torque))
    assert form.low == pytest.approx(2.0 * cut.low)
    assert form.high == pytest.approx(3.0 * cut.high)


def test_torque_rises_with_the_chamfer_is_level_and_falls_as_it_cuts_through() -> None:
    """As the Yamawa catalogue describes an M8x1.25 tap of 5 threads' chamfer in a 10 mm through hole."""
    depth = np.linspace(0.0, 16.25, 14) * MILLIMETRE
    share = np.asarray(chamfer_share(depth, 10.0 * MILLIMETRE, 5.0, 1.25 * MILLIMETRE))
    level = (depth >= 6.25 * MILLIMETRE) & (depth <= 10.0 * MILLIMETRE)
    assert np.all(np.diff(share[depth <= 6.25 * MILLIMETRE]) > 0.0)
    assert share[level] == pytest.approx(1.0)
    assert np.all(np.diff(share[depth >= 10.0 * MILLIMETRE]) < 0.0)
    assert share[-1] == pytest.approx(0.0)


# Speeds of bare high-speed steel cutting taps, ft/min: tapping speed table of lavallee-ide.com, technical data. Its
# steel is printed as free machining, its stainless steel without a kind.
SUPPLIER = {
    "aluminium-soft": (50, 150),
    "aluminium-hard": (50, 150),
    "low-carbon-steel": (40, 80),
    "austenitic-stainless": (5, 35),
    "ferritic-stainless": (5, 35),
    "copper": (30, 60),
    "brass": (50, 200),
    "bronze": (50, 100),
}

# The same: Clarkson-Osborn, Recommended Cutting Speeds for HSS Taps. Aluminium unalloyed, and with under 5 % silicon.
MAKER = {
    "aluminium-soft": (32, 50),
    "aluminium-hard": (82, 150),
    "low-carbon-steel": (50, 60),
    "austenitic-stainless": (16, 22),
    "copper": (22, 40),
    "brass": (50, 65),
    "bronze": (82, 115),
}

# The same: Suggested Tapping Speeds, scribd.com, document 318370577.
CARD = {
    "low-carbon-steel": (55, 55),
    "spring-steel": (10, 10),
    "austenitic-stainless": (20, 20),
    "ferritic-stainless": (15, 15),
    "aluminium-hard": (80, 80),
    "copper": (60, 60),
    "brass": (60, 60),
    "bronze": (50, 50),
}

# The same: The Tap & Die Co, Tapping Speed, Feed and Lubricant for Taps, tap-die.com.
SHOP = {
    "low-carbon-steel": (30, 50),
    "spring-steel": (15, 25),
    "austenitic-stainless": (10, 20),
    "ferritic-stainless": (10, 20),
    "aluminium-soft": (70, 90),
    "aluminium-hard": (50, 70),
    "copper": (60, 80),
    "brass": (60, 100),
    "bronze": (30, 40),
}

TABLES = {"lavallee-ide": SUPPLIER, "Clarkson-Osborn": MAKER, "318370577": CARD, "tap-die.com": SHOP}


def from_source(source: str) -> dict[str, SpeedRow]:
    return {row.material: row for row in SPEEDS if source in row.source}


@pytest.mark.parametrize("source", TABLES)
def test_tapping_speeds(source: str) -> None:
    found = {name: (row.low, row.high) for name, row in from_source(source).items()}
    assert found == TABLES[source]
    assert all(row.unit == FOOT_PER_MINUTE for row in from_source(source).values())


@pytest.mark.parametrize("name", sorted(set().union(*TABLES.values())))
def test_used_speed_is_allowed_by_every_source(name: str) -> None:
    speed = MATERIALS[name].cutting_speed("cut")
    assert speed is not None
    printed = [table[name] for table in TABLES.values() if name in table]
    assert speed.used == pytest.approx(min(high for _low, high in printed) * FOOT_PER_MINUTE)
    assert speed.low == pytest.approx(min(low for low, _high in printed) * FOOT_PER_MINUTE)
    assert speed.high == pytest.approx(max(high for _low, high in printed) * FOOT_PER_MINUTE)


def test_coated_cutting_tap_in_steel() -> None:
    """10 to 20 m/min in free cutting and structural steel: Yamawa general catalogue 2016-2017, p. 119."""
    speed = MATERIALS["low-carbon-steel"].cutting_speed("cut", coated=True)
    assert speed is not None
    assert not speed.estimate
    assert (60.0 * speed.low, 60.0 * speed.high) == pytest.approx((10.0, 20.0))


def test_coated_forming_taps_to_260_feet_per_minute() -> None:
    """260 sfm, printed with 79 m/min: Destefani, Don't Cut Threads, Form 'Em, sme.org."""
    speed = MATERIALS["low-carbon-steel"].cutting_speed("form", coated=True)
    assert speed is not None
    assert 60.0 * speed.high == pytest.approx(79.0, abs=0.5)


# Diameter [in] and speed [/min] at 55 ft/min: Suggested Tapping Speeds, low carbon steel. Not rounded to the nearest
# (841 stands for 840.3), so a whole unit of the last place is allowed.
CARD_RPM = [(0.164, 1282), (0.19, 1106), (0.25, 841), (0.375, 561), (0.5, 420)]


@pytest.mark.parametrize(("inches", "rpm"), CARD_RPM)
def test_spindle_speed(inches: float, rpm: int) -> None:
    assert 60.0 * spindle_speed(55.0 * FOOT_PER_MINUTE, inches * INCH) == pytest.approx(rpm, abs=1.0)


def test_spindle_speed_in_full() -> None:
    """12 x 55 / (pi / 4), computed here."""
    assert 60.0 * spindle_speed(55.0 * FOOT_PER_MINUTE, 0.25 * INCH) == pytest.approx(840.3, abs=0.05)


def test_forming_in_mild_steel_stainless_and_high_strength_steel() -> None:
    """Common practice: about 2800 /min for M4 in mild steel; two thirds of that in HSLA, one third in stainless."""
    rpm = {}
    for name in ("low-carbon-steel", "hsla-steel", "austenitic-stainless", "ferritic-stainless"):
        speed = MATERIALS[name].cutting_speed("form")
        assert speed is not None
        assert speed.estimate
        rpm[name] = 60.0 * spindle_speed(speed.used, 4.0 * MILLIMETRE)
    assert rpm["low-carbon-steel"] == pytest.approx(2800.0)
    assert rpm["hsla-steel"] == pytest.approx(2800.0 * 2.0 / 3.0)
    assert rpm["austenitic-stainless"] == rpm["ferritic-stainless"] == pytest.approx(2800.0 / 3.0)


# Slip torque [N m] at which quick-change tapping adapters with a safety clutch are set for high-speed steel cutting
# taps: from memory.
CLUTCH = {"M3": 0.5, "M4": 1.2, "M5": 2.0, "M6": 4.0, "M8": 8.0, "M10": 16.0, "M12": 22.0}


@pytest.mark.parametrize("thread", CLUTCH)
def test_usual_clutch_settings_lie_between_tapping_and_estimated_breaking(thread: str) -> None:
    size = parse(thread)
    peak = cut_torque(size, force("low-carbon-steel")).high
    assert peak < CLUTCH[thread] < breaking_torque(size, "cut").used


def test_torsion_of_a_round_core() -> None:
    """tau = 16 T / (pi d^3), as any strength of materials text has it: M6 core 0.6 x 4.917 mm at 1500 N/mm2."""
    d = 0.6 * 4.917  # mm; ISO 724 minor diameter
    assert breaking_torque(parse("M6"), "cut").used == pytest.approx(1500.0 * math.pi * d**3 / 16.0 / 1e3, rel=5e-4)
