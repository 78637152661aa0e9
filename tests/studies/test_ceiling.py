"""Ceilings of many variants at once: against closed forms and against every rate tried."""

from __future__ import annotations

import numpy as np
import pytest

from crankclock.api import check, open_scenario
from crankclock.studies.ceiling import Bench, _band, ceilings, span_of
from crankclock.studies.rate_scan import CRANK
from crankclock.studies.variants import evaluate

SHELF = open_scenario("shelf-bracket")


def test_a_cutting_speed_ceiling_is_in_proportion() -> None:
    # Rigid, every speed is in proportion to the rate: ceiling = rate x limit / speed.
    speed = next(tap.peak_cut_speed for tap in check("shelf-bracket", reading="rigid").taps)
    assert speed is not None
    found = ceilings(SHELF.scenario, {}, span_of(SHELF.scenario), "rigid")
    assert found.rate[0] == pytest.approx(55.0 / 60.0 * 1.0 / speed, abs=2e-5)
    assert found.binds[0] == (("cut-speed", "tap:m4"),)
    assert found.floor[0] == pytest.approx(20.0 / 60.0)
    # The allowance is 5 % of the limit, so that the rate with it is 5 % lower.
    assert found.spare[0] == pytest.approx(0.95 * found.rate[0], rel=1e-4)


def test_at_the_end_of_the_span_the_press_s_own_limit_binds() -> None:
    loaded = open_scenario("shelf-bracket", ("press.limits.rate_max=58 /min",))
    found = ceilings(loaded.scenario, {}, span_of(loaded.scenario), "rigid")
    assert found.rate[0] * 60.0 == pytest.approx(58.0)
    assert found.binds[0] == (("press-rating", None),)


def test_without_limits_the_rates_are_about_the_scenario_s_own() -> None:
    loaded = open_scenario("thin-cover-bounces")
    scenario = loaded.scenario.model_copy(deep=True)
    scenario.press.limits = None
    rate = float(scenario.press.rate)
    assert span_of(scenario) == (pytest.approx(0.5 * rate), pytest.approx(2.0 * rate))


def test_against_every_rate_tried() -> None:
    rng = np.random.default_rng(5)
    values = {
        "stripper.travel": rng.uniform(0.028, 0.05, 12),
        "feeder.start": np.radians(rng.uniform(262.0, 290.0, 12)),
        "strip.lift": rng.uniform(0.6e-3, 2e-3, 12),
        "tap.m4.drive.gearing": rng.choice([160.0, 200.0, 236.0], 12),
    }
    low, high = span_of(SHELF.scenario)
    found = ceilings(SHELF.scenario, values, (low, high), "rigid")
    rates = np.linspace(low, high, 1001)
    for k in range(12):
        each = {path: np.full(rates.shape, value[k]) for path, value in values.items()}
        good = ~evaluate(SHELF.scenario, {**each, "press.rate": rates}, "rigid").fails
        if not good.any():
            assert np.isnan(found.rate[k])
            assert found.short[k] > 0.0
            continue
        edges = np.flatnonzero(np.diff(np.concatenate([[0], good.astype(int), [0]])))
        bands = [(rates[start], rates[end - 1]) for start, end in edges.reshape(-1, 2)]
        own = float(SHELF.scenario.press.rate)
        band = next(
            (each for each in bands if each[0] <= own <= each[1]), max(bands, key=lambda each: each[1] - each[0])
        )
        step = rates[1] - rates[0]
        assert band[1] <= found.rate[k] + 1e-9 <= band[1] + step + 1e-6, k
        assert band[0] - step - 1e-6 <= found.floor[k] <= band[0] + 1e-9, k
        assert found.short[k] == 0.0


def test_one_by_one_is_the_same_as_together() -> None:
    values = {"stripper.travel": np.array([0.03, 0.036, 0.042]), "press.bdc_shift": np.array([0.0, 1e-4, -1e-4])}
    together = ceilings(SHELF.scenario, values, span_of(SHELF.scenario), "rigid")
    for k in range(3):
        alone = ceilings(
            SHELF.scenario, {path: each[k : k + 1] for path, each in values.items()}, span_of(SHELF.scenario), "rigid"
        )
        assert alone.rate[0] == pytest.approx(together.rate[k], abs=2e-5, nan_ok=True)
        assert alone.binds[0] == together.binds[k]


def test_nothing_passes_where_a_core_rule_lacks_data() -> None:
    scenario = SHELF.scenario.model_copy(deep=True)
    scenario.feeder = None
    found = ceilings(scenario, {}, span_of(scenario), "rigid")
    assert np.isnan(found.rate[0])
    assert found.short[0] > 0.0


def test_a_crank_that_cannot_make_the_stroke_fails() -> None:
    loaded = open_scenario("long-blank-single-strokes")
    bench = Bench(loaded.scenario, {}, "rigid")
    judged = bench.judge(np.zeros(2, dtype=int), np.array([40.0, 6000.0]) / 60.0)
    assert judged.holds().tolist() == [True, False]
    assert judged.gives(1) == ((CRANK, None),)
    assert judged.short()[1] > 0.0


def test_of_several_bands_the_one_with_the_own_rate_counts_else_the_widest() -> None:
    rates = np.arange(10.0)
    good = np.zeros((4, 10), dtype=bool)
    good[0, [1, 2, 5, 6, 7, 8]] = True
    good[1] = good[0]
    good[2, 3] = True
    first, last = _band(good[:1], rates, 1.5)
    assert (first[0], last[0]) == (1, 2)
    first, last = _band(good, rates, 4.0)
    assert first.tolist() == [5, 5, 3, -1]
    assert last.tolist() == [8, 8, 3, -1]
