"""A tolerance study as plain data: the JSON, and every sample as CSV."""

from __future__ import annotations

import csv
import io
import json
import math
from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np

from crankclock import __version__
from crankclock.report.data import SCHEMA, assumption
from crankclock.report.lines import named
from crankclock.report.numbers import number
from crankclock.rules import RULES
from crankclock.rules.base import UNITS
from crankclock.studies.check import CAUTION
from crankclock.studies.tolerance import Tolerances
from crankclock.studies.tolerance_indices import Band, Influence
from crankclock.studies.tolerance_rates import AtRate, RuleRisk, Table
from crankclock.studies.tolerance_risk import Estimate
from crankclock.studies.tolerance_sensitivity import Sensitivity
from crankclock.units import DIMENSIONS, to_unit

PER_MIN = "1/min"
DIMENSION_OF = {rule.name: rule.dimension for rule in RULES}
FIGURES = 9
"""Significant figures of a sample's numbers."""


def unit_of(rule: str) -> str:
    """The unit a rule's margin has as data."""
    return UNITS[DIMENSION_OF[rule]]


def key_unit(dimension: str) -> str:
    """The unit a key has as data."""
    return DIMENSIONS[dimension].metric[0]


def as_data(found: Tolerances) -> dict[str, Any]:
    """The study as JSON-ready data; probabilities and indices are plain numbers."""
    at_risk = found.rate_at_risk
    return {
        "schema": SCHEMA,
        "crankclock": __version__,
        "scenario": found.loaded.name,
        "title": found.title,
        "input_sha256": found.loaded.source.digest,
        "overrides": list(found.loaded.overrides),
        "reading": found.reading,
        "rate_per_min": number(found.rate, PER_MIN),
        "seed": found.wish.seed,
        "samples": found.wish.samples,
        "verdict": found.verdict,
        "interrupted": not found.whole,
        "risk": found.wish.risk,
        "risk_supported": plain(found.supported),
        "samples_needed": found.wanted,
        "tolerances": [
            {
                "path": path,
                "value": number(value, key_unit(kind)),
                "minus": number(tolerance.minus, key_unit(kind)),
                "plus": number(tolerance.plus, key_unit(kind)),
                "unit": key_unit(kind),
                "shape": tolerance.shape,
            }
            for path, value, tolerance, kind in zip(
                found.spread.paths, found.spread.nominal, found.spread.tolerances, found.spread.dimensions, strict=True
            )
        ],
        "at_rate": None if found.at_rate is None else _at_rate(found.at_rate, found),
        "from_per_min": number(found.low, PER_MIN),
        "to_per_min": number(found.high, PER_MIN),
        "rates": [_at_rate(each, found) for each in found.rates],
        "rate_at_risk": None
        if at_risk is None
        else {
            "risk": plain(at_risk.risk),
            "rate_per_min": number(at_risk.rate, PER_MIN),
            "not_at_per_min": number(at_risk.above, PER_MIN),
        },
        "sensitivities": [_sensitivity(each, found) for each in found.sensitivities],
        "not_judged": [{"rule": rule, "subject": subject} for rule, subject in found.unjudged],
        "assumed": [assumption(each, found.units) for each in found.assumed],
        "notes": list(found.notes),
        "caution": CAUTION,
    }


def as_json(found: Tolerances) -> str:
    """The study as JSON text."""
    return json.dumps(as_data(found), indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def plain(value: float) -> float:
    """A number of six significant figures."""
    return float(f"{value:.6g}") + 0.0


def _estimate(each: Estimate) -> dict[str, Any]:
    return {
        "failing": each.failing,
        "samples": each.count,
        "probability": plain(each.probability),
        "low": plain(each.low),
        "high": plain(each.high),
    }


def _at_rate(each: AtRate, found: Tolerances) -> dict[str, Any]:
    return {
        "rate_per_min": number(each.rate, PER_MIN),
        **_estimate(each.overall),
        "findings": [_rule(one, each, found) for one in each.rules],
    }


def _rule(each: RuleRisk, at: AtRate, found: Tolerances) -> dict[str, Any]:
    unit = unit_of(each.rule)
    nominal = found.nominal.get((each.rule, each.subject), math.nan) if at.rate == found.rate else math.nan
    return {
        "rule": each.rule,
        "subject": each.subject,
        **_estimate(each.estimate),
        "margin": {"nominal": _finite(nominal, unit), "least": number(each.least, unit), "unit": unit},
    }


def _finite(value: float, unit: str) -> float | None:
    return number(value, unit) if math.isfinite(value) else None


def _sensitivity(each: Sensitivity, found: Tolerances) -> dict[str, Any]:
    unit, indices = unit_of(each.rule), each.indices
    return {
        "rule": each.rule,
        "subject": each.subject,
        "mean": number(indices.mean, unit),
        "standard_deviation": number(indices.deviation, unit),
        "unit": unit,
        "linear_share": plain(indices.straight),
        "without_number": plain(each.without_number),
        "keys": [_influence(each, k, one, found) for k, one in enumerate(indices.inputs)],
    }


def _influence(of: Sensitivity, k: int, each: Influence, found: Tolerances) -> dict[str, Any]:
    unit, own = unit_of(of.rule), key_unit(found.spread.dimensions[k])
    shift = of.shift(k, found.spare)
    return {
        "path": found.spread.paths[k],
        "first": _band(each.first),
        "total": _band(each.total),
        "slope": plain(each.slope * float(to_unit(1.0, unit)) / float(to_unit(1.0, own))),
        "slope_unit": f"{unit} per {own}",
        "shift_for_risk": None if shift is None else plain(float(to_unit(shift, own))),
        "shift_unit": own,
    }


def _band(band: Band) -> dict[str, float]:
    return {"value": round(band.value, 6), "low": round(band.low, 6), "high": round(band.high, 6)}


def sample_columns(found: Tolerances) -> list[str]:
    """Headers of the table of samples, each with its unit."""
    assert found.table is not None
    keys = [f"{path} [{unit}]" for path, unit in _keys(found, found.table)]
    rules = [f"{named(*name)} [{unit_of(name[0])}]" for name in found.table.judged.names]
    return ["sample", *keys, *rules, "fails"]


def sample_rows(found: Tolerances) -> Iterator[Sequence[float | int | None]]:
    """Every sample: its number, its values, every rule's margin (None where there is none), and 1 where it fails."""
    assert found.table is not None
    judged = found.table.judged
    keys = [np.asarray(to_unit(found.table.values[path], unit)) for path, unit in _keys(found, found.table)]
    rules = [
        np.asarray(to_unit(margin, unit_of(rule)))
        for (rule, _), margin in zip(judged.names, judged.margins, strict=True)
    ]
    numbers = np.stack([*keys, *rules])
    for k in range(numbers.shape[1]):
        cells = [float(f"{each:.{FIGURES}g}") if math.isfinite(each) else None for each in numbers[:, k]]
        yield [k + 1, *cells, int(judged.broken[k])]


def _keys(found: Tolerances, table: Table) -> list[tuple[str, str]]:
    kinds = dict(zip(found.spread.paths, found.spread.dimensions, strict=True))
    return [(path, key_unit(kinds.get(path, "rate"))) for path in table.values]


def as_csv(found: Tolerances) -> str:
    """Every sample at the scenario's rate; empty where a margin is no number."""
    text = io.StringIO()
    table = csv.writer(text, lineterminator="\n")
    table.writerow(sample_columns(found))
    table.writerows(sample_rows(found))
    return text.getvalue()
