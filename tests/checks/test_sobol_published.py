"""Sobol indices, and the distributions that tolerances stand for, against published figures and closed forms."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from scipy import stats

from crankclock.studies.tolerance_indices import Indices, design, indices
from crankclock.studies.tolerance_risk import clopper_pearson, least_supported, needed
from crankclock.studies.tolerance_sample import points, quantile
from crankclock.units import Tolerance

Array = np.ndarray[tuple[int, ...], np.dtype[np.float64]]
Function = Callable[[Array], Array]


def ishigami(x: Array) -> Array:
    """Ishigami and Homma, Proc. ISUMA 1990, with a = 7, b = 0.1; x on [-pi, pi]."""
    found: Array = np.sin(x[..., 0]) + 7.0 * np.sin(x[..., 1]) ** 2 + 0.1 * x[..., 2] ** 4 * np.sin(x[..., 0])
    return found


ISHIGAMI_FIRST, ISHIGAMI_TOTAL = (0.3139, 0.4424, 0.0), (0.5576, 0.4424, 0.2437)
"""As Saltelli, Chan and Scott, Sensitivity Analysis (2000), have them, from memory; worked out again just below."""


def found(function: Function, d: int, seed: int, base: int = 1024, low: float = 0.0, high: float = 1.0) -> Indices:
    where = np.array([design(points(seed, 1, k, 2 * d, 0, base)) for k in range(8)])
    inputs = low + (high - low) * where
    result = indices(function(inputs), inputs)
    assert result is not None
    return result


def test_the_printed_ishigami_figures_are_their_closed_form() -> None:
    a, b = 7.0, 0.1
    alone = 0.5 * (1.0 + b * math.pi**4 / 5.0) ** 2
    both = b**2 * math.pi**8 * (1.0 / 18.0 - 1.0 / 50.0)
    variance = alone + a**2 / 8.0 + both
    assert np.round([alone / variance, a**2 / 8.0 / variance], 4) == pytest.approx(ISHIGAMI_FIRST[:2], abs=1e-9)
    assert np.round([(alone + both) / variance, both / variance], 4) == pytest.approx(
        [ISHIGAMI_TOTAL[0], ISHIGAMI_TOTAL[2]], abs=1e-9
    )


@pytest.mark.parametrize("seed", range(3))
def test_ishigami(seed: int) -> None:
    result = found(ishigami, 3, seed, low=-math.pi, high=math.pi)
    for each, first, total in zip(result.inputs, ISHIGAMI_FIRST, ISHIGAMI_TOTAL, strict=True):
        assert each.first.value == pytest.approx(first, abs=0.02)
        assert each.total.value == pytest.approx(total, abs=0.02)
    assert result.mean == pytest.approx(3.5, abs=0.02)  # a / 2
    assert result.inputs[2].slope == pytest.approx(0.0, abs=0.05)


def test_intervals_hold_what_they_say() -> None:
    """Of 40 seeds times six indices at 95 %, 228 are expected inside; 5 sigma less is 211."""
    inside = 0
    for seed in range(40):
        result = found(ishigami, 3, seed, base=256, low=-math.pi, high=math.pi)
        for each, first, total in zip(result.inputs, ISHIGAMI_FIRST, ISHIGAMI_TOTAL, strict=True):
            inside += each.first.low <= first <= each.first.high
            inside += each.total.low <= total <= each.total.high
    assert inside >= 211


def test_an_additive_case_has_first_equal_total() -> None:
    """Variances of a sum of uniform inputs add up: shares 9 : 4 : 1 : 0."""
    weights = np.array([3.0, 2.0, 1.0, 0.0])
    result = found(lambda x: np.asarray(x @ weights), 4, 0)
    shares = weights**2 / np.sum(weights**2)
    for each, share, weight in zip(result.inputs, shares, weights, strict=True):
        assert each.first.value == pytest.approx(share, abs=0.01)
        assert each.total.value == pytest.approx(share, abs=0.01)
        assert each.slope == pytest.approx(weight, abs=1e-9)
    assert result.straight == pytest.approx(1.0, abs=1e-12)
    assert result.deviation == pytest.approx(math.sqrt(np.sum(weights**2) / 12.0), rel=1e-3)


def test_g_function() -> None:
    """Saltelli and Sobol, Reliability Engineering and System Safety 50 (1995) 225, a = 0, 1, 4.5, 9."""
    a = np.array([0.0, 1.0, 4.5, 9.0])
    result = found(lambda x: np.asarray(np.prod((np.abs(4.0 * x - 2.0) + a) / (1.0 + a), axis=-1)), 4, 0)
    parts = 1.0 / (3.0 * (1.0 + a) ** 2)
    variance = np.prod(1.0 + parts) - 1.0
    totals = parts * np.prod(1.0 + parts) / (1.0 + parts) / variance
    for each, first, total in zip(result.inputs, parts / variance, totals, strict=True):
        assert each.first.value == pytest.approx(first, abs=0.02)
        assert each.total.value == pytest.approx(total, abs=0.02)


def test_as_a_general_library_has_them() -> None:
    """The same estimators over the same points, one replicate at a time: equal to rounding."""
    n, d = 512, 3
    unit = design(points(7, 1, 0, 2 * d, 0, n))
    output = ishigami(2.0 * math.pi * unit - math.pi)
    parts = output.reshape(d + 2, n)
    given = {"f_A": parts[:1], "f_B": parts[1:2], "f_AB": parts[2:, None]}
    library = stats.sobol_indices(func=given, n=n)
    twice = np.array([unit, unit])
    own = indices(np.array([output, output]), twice)
    assert own is not None
    assert [each.first.value for each in own.inputs] == pytest.approx(np.ravel(library.first_order), abs=2e-3)
    assert [each.total.value for each in own.inputs] == pytest.approx(np.ravel(library.total_order), abs=2e-3)


def test_an_output_that_stands_still_has_no_indices() -> None:
    where = np.array([design(points(0, 1, k, 4, 0, 16)) for k in range(8)])
    assert indices(np.full(where.shape[:2], 3.0), where) is None


@pytest.mark.parametrize(("minus", "plus"), [(0.06, 0.06), (0.02, 0.06), (0.0, 0.3)])
def test_normal_tolerances_are_truncated_at_three_sigma(minus: float, plus: float) -> None:
    """Moments of the truncated normal: mean in the middle, variance s2 (1 - 6 phi(3) / (2 Phi(3) - 1)).

    Johnson, Kotz and Balakrishnan, Continuous Univariate Distributions 1, 13.10: from memory; the library agrees.
    """
    share = (np.arange(200_000) + 0.5) / 200_000
    values = quantile(share, 1.5, Tolerance(minus, plus, "normal"))
    sigma, middle = (minus + plus) / 6.0, 1.5 + (plus - minus) / 2.0
    factor = 1.0 - 6.0 * stats.norm.pdf(3.0) / (2.0 * stats.norm.cdf(3.0) - 1.0)
    library = stats.truncnorm(-3.0, 3.0, middle, sigma)
    assert factor == pytest.approx(0.97334, abs=5e-6)
    assert values.mean() == pytest.approx(middle, abs=1e-6)
    assert values.var() == pytest.approx(sigma**2 * factor, rel=1e-4)
    assert library.var() == pytest.approx(sigma**2 * factor, rel=1e-9)
    assert values[::1000] == pytest.approx(library.ppf(share[::1000]), abs=1e-9)
    ends = quantile(np.array([0.0, 1.0]), 1.5, Tolerance(minus, plus, "normal"))
    assert ends == pytest.approx([1.5 - minus, 1.5 + plus], abs=1e-12)
    assert ends[0] >= 1.5 - minus
    assert ends[1] <= 1.5 + plus


def test_uniform_tolerances_are_even() -> None:
    values = quantile(np.array([0.0, 0.25, 1.0]), 1.0, Tolerance(0.2, 0.6, "uniform"))
    assert values == pytest.approx([0.8, 1.0, 1.6], abs=1e-12)


@pytest.mark.parametrize(("failing", "count"), [(0, 1000), (1, 1000), (17, 1000), (999, 1000), (1000, 1000)])
def test_clopper_pearson_as_a_general_library_has_it(failing: int, count: int) -> None:
    library = stats.binomtest(failing, count).proportion_ci(0.95, "exact")
    assert clopper_pearson(failing, count) == pytest.approx((library.low, library.high), abs=1e-12)


def test_what_a_sample_without_a_failure_shows() -> None:
    """1 - 0.025^(1/n): the exact upper end; about 3.7 / n."""
    assert least_supported(1000) == pytest.approx(stats.binomtest(0, 1000).proportion_ci(0.95, "exact").high, abs=1e-12)
    assert least_supported(10**6) == pytest.approx(3.689e-6, rel=1e-3)
    assert needed(1e-5) == 2**19
    assert least_supported(needed(1e-5)) <= 1e-5 < least_supported(needed(1e-5) // 2)
