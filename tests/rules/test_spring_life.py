"""Die springs: what their load class and the strokes wanted allow, less the deflection they see, preload included."""

from __future__ import annotations

import math

import numpy as np
import pytest

from crankclock.api import Finding, check, open_scenario
from crankclock.cycle import Reading
from crankclock.studies.variants import evaluate

SPRING = "stripper.spring.main"
GAUGE = "gauge-plate-own-motor"
DEFLECTION = 700.0 / 38.0 + 28.0
"""Of the gauge plate's springs [mm]: force over rate, and the stripper travel."""


def findings(*settings: str, name: str = GAUGE, reading: Reading = "rigid") -> list[Finding]:
    found = check(name, *settings, reading=reading).findings
    return [each for each in found if each.rule == "spring-life"]


def life(*settings: str, load_class: str = "light", free: str = "150 mm", strokes: float | None = 1e6) -> Finding:
    wanted = [] if strokes is None else [f"{SPRING}.life={strokes:.0f}"]
    given = [f"{SPRING}.load_class={load_class}", f"{SPRING}.free_length={free}", *wanted]
    (found,) = findings(*given, *settings)
    return found


# Shares of the free length for up to 200 000, up to 1 000 000 and for more strokes: the first ISO 10243, from memory;
# the others common practice and trade articles, as tests/checks/test_springs_published.py has them.
CLASSES = {
    "light": (0.40, 0.30, 0.25),
    "medium": (0.375, 0.30, 0.25),
    "heavy": (0.30, 0.25, 0.20),
    "extra-heavy": (0.25, 0.20, 0.15),
}
LIVES = ((1, 0), (200_000, 0), (200_001, 1), (1_000_000, 1), (1_000_001, 2), (50_000_000, 2))


@pytest.mark.parametrize("load_class", CLASSES)
@pytest.mark.parametrize(("strokes", "column"), LIVES)
def test_the_margin_is_what_the_class_allows_less_what_is_used(load_class: str, strokes: int, column: int) -> None:
    found = life(load_class=load_class, strokes=strokes)
    assert found.margin is not None
    expected = CLASSES[load_class][column] * 150.0 - DEFLECTION
    assert 1e3 * found.margin == pytest.approx(expected, abs=1e-9)
    assert found.status == ("fail" if expected < 0.0 else "tight" if expected < 0.3 else "pass")
    assert found.allowance == pytest.approx(0.3e-3)


def test_the_limit_itself_holds_and_a_hair_more_does_not() -> None:
    exact = DEFLECTION / 0.30
    for free, status in ((exact, "tight"), (exact - 1e-4, "fail"), (exact + 1.001, "pass")):
        assert life(free=f"{free!r} mm").status == status
    assert "lasts 1,000,000 strokes" in life(free=f"{exact!r} mm").says


def test_the_preload_counts_in_full() -> None:
    plain, preloaded = life(), life(f"{SPRING}.force={700 + 38} N")
    assert plain.margin is not None
    assert preloaded.margin is not None
    assert 1e3 * (plain.margin - preloaded.margin) == pytest.approx(1.0, abs=1e-9)
    deeper = life("press.bdc_shift=0.4 mm")
    assert deeper.margin is not None
    assert 1e3 * (plain.margin - deeper.margin) == pytest.approx(0.4, abs=1e-9)


def test_inch_in_is_millimetre_out() -> None:
    metric, inch = life(free="152.4 mm"), life(free="6 in")
    assert metric.margin == inch.margin
    assert metric.says == inch.says
    settings = [f"{SPRING}.load_class=light", f"{SPRING}.free_length=6 in", f"{SPRING}.life=1000000"]
    told = check(GAUGE, *settings, reading="rigid", units="inch").findings
    says = next(each.says for each in told if each.rule == "spring-life")
    assert f"{DEFLECTION / 25.4:.3f} in" in says
    assert "1.800 in is allowed" in says  # 30 % of 6 in
    assert " mm" not in says


def test_overshoot_at_speed_counts_as_in_the_travel() -> None:
    given = [f"{SPRING}.load_class=light", f"{SPRING}.free_length=300 mm", f"{SPRING}.life=1000000"]
    given += ["press.rate=150 /min", "stripper.travel=10 mm"]  # the stripper meets the strip low and bounces up
    gained = {}
    for rule in ("spring-life", "spring-travel"):
        by_reading = next(each for each in check("thin-cover-bounces", *given).findings if each.rule == rule).by_reading
        gained[rule] = by_reading["rigid"] - by_reading["running"]
    assert gained["spring-life"] > 1e-4, "the thin cover's stripper overshoots"
    assert gained["spring-life"] == pytest.approx(gained["spring-travel"], abs=1e-12)
    (said,) = findings(*given, name="thin-cover-bounces", reading="running")
    assert "with overshoot" in said.says
    assert "overshoot at speed not counted" in findings(*given, name="thin-cover-bounces")[0].says


def test_it_says_how_many_strokes_and_days_at_which_deflection() -> None:
    says = life("press.strokes_per_day=21000", free="160 mm", strokes=900_000).says
    for part in (
        "light load, is deflected by 46.42 mm, preload included",
        "29.0 % of its free length",
        "lasts 1,000,000 strokes between changes, 47 days at 21,000 a day",  # 47.6
        "for the 900,000 strokes wanted 48.00 mm is allowed",
        "200,000 strokes deflected up to 64.00 mm; 1,000,000 up to 48.00 mm; more up to 40.00 mm",
        "common practice; the spring maker's own figures rule",
    ):
        assert part in says
    assert " a day" not in life(free="160 mm").says
    assert "lasts more than 1,000,000 strokes" in life(free="200 mm").says
    assert "beyond what its class bears" in life(free="100 mm").says


def test_without_a_life_wanted_the_class_still_limits_it() -> None:
    held, beyond = life(free="120 mm", strokes=None), life(free="116 mm", strokes=None)
    assert held.margin is not None
    assert 1e3 * held.margin == pytest.approx(0.40 * 120.0 - DEFLECTION, abs=1e-9)
    assert held.status == "pass"
    assert held.missing == (f"{SPRING}.life",)
    assert "how long it is to last is not given" in held.says
    assert beyond.status == "fail"


@pytest.mark.parametrize(
    ("given", "missing"),
    [
        (["load_class=light"], {"free_length"}),
        (["free_length=150 mm"], {"load_class"}),
        (["life=1000000"], {"load_class", "free_length"}),
        (["life=1000000", "load_class=light"], {"free_length"}),
        (["life=1000000", "free_length=150 mm"], {"load_class"}),
    ],
)
def test_the_missing_partner_is_named(given: list[str], missing: set[str]) -> None:
    (found,) = findings(*(f"{SPRING}.{each}" for each in given))
    assert found.status == "not judged"
    assert not found.core
    assert set(found.missing) == {f"{SPRING}.{name}" for name in missing}
    assert all(f"{SPRING}.{name}" in found.says for name in missing)


def test_springs_without_a_load_class_are_not_spoken_of() -> None:
    assert findings() == []
    assert findings(name="shelf-bracket") == []
    assert findings(f"{SPRING}.load_class=light", name="shelf-bracket") == [], "a gas spring has none"


def test_over_variants_as_one_at_a_time() -> None:
    loaded = open_scenario(GAUGE, (f"{SPRING}.load_class=medium", f"{SPRING}.free_length=150 mm", f"{SPRING}.life=1"))
    free, strokes = np.array([0.120, 0.150, 0.190, 0.190]), np.array([1.0, 2e5, 5e5, 2e6])
    found = evaluate(
        loaded.scenario, {f"{SPRING}.free_length": free, f"{SPRING}.life": strokes}, "rigid", ["spring-life"]
    )
    (row,) = found.rows
    expected = [
        life(load_class="medium", free=f"{1e3 * length!r} mm", strokes=wanted).margin
        for length, wanted in zip(free.tolist(), strokes.tolist(), strict=True)
    ]
    assert row.margin == pytest.approx(expected, abs=1e-12)
    assert not math.isnan(float(row.margin.sum()))
