"""Coil, die and gas springs: laws, closed forms, arrays over variants, and what is refused."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import brentq

from crankclock.dynamics.system import gas_law
from crankclock.handbook.die_springs import (
    AVERAGE_LIFE,
    DIE_SPRINGS,
    SHORT_LIFE,
    LoadClass,
    allowed_deflection,
    allowed_share,
    deflection_left,
    needed_free_length,
    strokes_to_change,
)
from crankclock.handbook.gas_springs import (
    STROKE_SHARE,
    gas_force,
    needed_travel,
    runs_warm,
    volume_loss,
    warm_rate,
)
from crankclock.handbook.springs import coil_rate, curvature_factor, nested, shear_stress
from crankclock.handbook.values import FigureError

classes = st.sampled_from(list(DIE_SPRINGS))
lengths = st.floats(0.01, 0.5)
lives = st.floats(1.0, 1e9)


@given(st.floats(1e-3, 2e-2), st.floats(3.0, 15.0), st.floats(2.0, 20.0))
def test_springs_in_series_and_twice_the_size(wire: float, index: float, coils: float) -> None:
    one = coil_rate(wire, index * wire, coils, 80e9)
    assert coil_rate(wire, index * wire, 2.0 * coils, 80e9) == pytest.approx(one / 2.0)
    assert coil_rate(2.0 * wire, 2.0 * index * wire, coils, 80e9) == pytest.approx(2.0 * one)


def test_stress_of_a_wide_coil_is_that_of_a_bar_in_torsion() -> None:
    """tau = T r / J with T = F D / 2 and J = pi d^4 / 32; the curvature fades with the index."""
    wire, wide = 2e-3, 2e-3 * 1e5
    torsion = (100.0 * wide / 2.0) * (wire / 2.0) / (math.pi * wire**4 / 32.0)
    assert shear_stress(100.0, wire, wide) == pytest.approx(torsion, rel=2e-5)


def test_spring_formulas_over_arrays() -> None:
    wire = np.array([5e-3, 6e-3])
    assert coil_rate(wire, 36e-3, 10, 80e9) == pytest.approx([coil_rate(float(d), 36e-3, 10, 80e9) for d in wire])
    assert shear_stress(500.0, wire, 36e-3) == pytest.approx([shear_stress(500.0, float(d), 36e-3) for d in wire])
    assert isinstance(coil_rate(6e-3, 36e-3, 10, 80e9), float)


rates = st.lists(st.floats(1e3, 1e5), min_size=1, max_size=4)


@given(st.data(), rates, st.floats(0.0, 5000.0))
def test_nested_springs_share_the_force_like_a_root_finder_finds(
    data: st.DataObject, rates: list[float], force: float
) -> None:
    gaps = [0.0, *(data.draw(st.floats(0.0, 0.05)) for _ in rates[1:])]
    deflections, forces = nested(force, rates, gaps)

    def carried(travel: float) -> float:
        return sum(rate * max(travel - gap, 0.0) for rate, gap in zip(rates, gaps, strict=True))

    travel = brentq(lambda x: carried(x) - force, -1e-6, 10.0, xtol=1e-15) if force > 0.0 else 0.0
    assert deflections[0] == pytest.approx(travel, rel=1e-9, abs=1e-12)
    assert float(forces.sum()) == pytest.approx(force, rel=1e-9, abs=1e-6)
    assert np.all(deflections >= 0.0)


def test_nested_springs_over_variants() -> None:
    """The inner spring is met by the second load only, and is the longer one in the third."""
    loads, gap = np.array([100.0, 1000.0, 1000.0]), np.array([0.01, 0.01, 0.0])
    deflections, forces = nested(loads, [20e3, 30e3], [0.0, gap])
    assert deflections.shape == forces.shape == (2, 3)
    assert deflections[:, 0] == pytest.approx([0.005, 0.0])
    assert deflections[:, 1] == pytest.approx([0.026, 0.016])
    assert deflections[:, 2] == pytest.approx([0.020, 0.020])


@given(classes, lives, lives)
def test_a_longer_life_never_allows_more(load_class: LoadClass, one: float, other: float) -> None:
    few, many = sorted((one, other))
    assert 0.0 < allowed_share(load_class, many) <= allowed_share(load_class, few) <= DIE_SPRINGS[load_class].most


def test_a_stiffer_class_never_allows_more() -> None:
    for strokes in (1.0, SHORT_LIFE, SHORT_LIFE + 1, AVERAGE_LIFE, AVERAGE_LIFE + 1, math.inf):
        shares = [allowed_share(name, strokes) for name in ("light", "medium", "heavy", "extra heavy")]
        assert shares == sorted(shares, reverse=True)


def test_lives_end_where_they_say() -> None:
    strokes = np.array([SHORT_LIFE, SHORT_LIFE + 1, AVERAGE_LIFE, AVERAGE_LIFE + 1])
    assert allowed_share("medium", strokes) == pytest.approx([0.375, 0.30, 0.30, 0.25], rel=0.0)
    assert strokes_to_change("medium", 0.1, np.array([0.025, 0.026, 0.030, 0.031, 0.0375, 0.0376])) == pytest.approx(
        [math.inf, AVERAGE_LIFE, AVERAGE_LIFE, SHORT_LIFE, SHORT_LIFE, 0.0]
    )


@given(classes, lengths, lives)
def test_free_length_and_deflection_are_inverse(load_class: LoadClass, length: float, strokes: float) -> None:
    deflection = allowed_deflection(load_class, length, strokes)
    assert needed_free_length(load_class, deflection, strokes) == pytest.approx(length)
    assert strokes_to_change(load_class, length, deflection) >= strokes or strokes > AVERAGE_LIFE
    assert deflection_left(load_class, length, 0.99 * float(deflection), strokes) > 0.0
    assert deflection_left(load_class, length, 1.01 * float(deflection), strokes) < 0.0


def test_every_class_names_its_sources() -> None:
    for limits in DIE_SPRINGS.values():
        assert "from memory" in limits.source
        assert limits.long <= limits.average <= limits.most


@given(st.floats(500.0, 5e4), st.floats(1.05, 2.5), st.floats(0.01, 0.2), st.floats(0.0, 1.0), st.floats(1.0, 1.6))
def test_gas_force_is_that_of_the_running_reading(f: float, ratio: float, travel: float, at: float, n: float) -> None:
    loss = volume_loss(f, ratio * f, travel)
    law, _slope = gas_law(*(np.asarray(each) for each in (f, loss, n, at * travel)))
    assert gas_force(f, ratio * f, travel, at * travel, n) == pytest.approx(float(law), rel=1e-12)


@given(st.floats(500.0, 5e4), st.floats(1.0, 2.5), st.floats(0.01, 0.2))
def test_gas_force_runs_between_its_two_ends(force: float, ratio: float, travel: float) -> None:
    assert gas_force(force, ratio * force, travel, 0.0) == pytest.approx(force)
    assert gas_force(force, ratio * force, travel, travel) == pytest.approx(ratio * force)
    assert gas_force(force, ratio * force, travel, travel, 1.4) >= ratio * force * (1.0 - 1e-12)


def test_gas_spring_stroke_and_heat_over_arrays() -> None:
    assert needed_travel(np.array([0.045, 0.09])) == pytest.approx([0.05, 0.1])
    assert STROKE_SHARE * float(needed_travel(0.04)) == pytest.approx(0.04)
    rate = warm_rate(0.05)
    assert np.array_equal(runs_warm(0.05, np.array([0.99, 1.01]) * rate), [False, True])
    assert not runs_warm(0.0, 100.0)
    assert 60.0 * float(rate) == pytest.approx(80.0)  # 50 mm, 4 m of stroke a minute


nan, inf = math.nan, math.inf


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (lambda: coil_rate(0.0, 36e-3, 10, 80e9), "wire diameter 0 m: expected above 0"),
        (lambda: coil_rate(6e-3, 6e-3, 10, 80e9), r"mean coil diameter 0\.006 m: expected wider than its wire"),
        (lambda: coil_rate(6e-3, 36e-3, nan, 80e9), "active coils nan"),
        (lambda: coil_rate(6e-3, 36e-3, 10, inf), "shear modulus inf Pa"),
        (lambda: coil_rate(np.array([6e-3, -1e-3]), 36e-3, 10, 80e9), r"wire diameter -0\.001 m"),
        (lambda: curvature_factor(1.0), "spring index 1: expected above 1"),
        (lambda: shear_stress(-1.0, 6e-3, 36e-3), "force -1 N: expected 0 or more"),
        (lambda: nested(100.0, [1e3], [0.0, 0.1]), "1 rates and 2 gaps"),
        (lambda: nested(100.0, [], []), "0 rates"),
        (lambda: nested(100.0, [1e3, 1e3], [0.1, 0.2]), r"least gap 0\.1 m: expected 0"),
        (lambda: nested(100.0, [1e3, 0.0], [0.0, 0.2]), "spring rate 0 N/m"),
        (lambda: nested(-1.0, [1e3], [0.0]), "force -1 N"),
        (lambda: allowed_share("stiff", 1e6), 'load class "stiff": expected one of light, medium, heavy, extra heavy'),
        (lambda: allowed_share("light", 0.0), "strokes wanted 0: expected above 0"),
        (lambda: allowed_share("light", nan), "strokes wanted nan"),
        (lambda: allowed_deflection("light", 0.0, 1e6), "free length 0 m"),
        (lambda: deflection_left("light", 0.1, -1e-3, 1e6), "deflection -0.001 m"),
        (lambda: needed_free_length("light", nan, 1e6), "deflection nan m"),
        (lambda: strokes_to_change("light", 0.1, inf), "deflection inf m"),
        (lambda: volume_loss(2000.0, 1900.0, 0.05), "end force 1900 N: expected at least the force"),
        (lambda: volume_loss(2000.0, 2900.0, 0.0), "rated travel 0 m"),
        (lambda: gas_force(2000.0, 2900.0, 0.05, 0.0501), r"compression 0\.0501 m: .*within the rated travel"),
        (lambda: gas_force(2000.0, 2900.0, 0.05, -1e-6), "compression"),
        (lambda: gas_force(2000.0, 2900.0, 0.05, 0.01, 0.9), r"exponent 0\.9: expected 1 or more"),
        (lambda: needed_travel(-1.0), "compression -1 m"),
        (lambda: runs_warm(0.05, -1.0), "stroke rate -1 /s"),
        (lambda: warm_rate(0.0), "stroke 0 m"),
    ],
)
def test_values_that_cannot_be_are_refused(call: Callable[[], object], says: str) -> None:
    with pytest.raises(FigureError, match=says):
        call()
