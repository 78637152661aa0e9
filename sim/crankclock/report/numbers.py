"""Numbers as data: SI values in a named unit, rounded."""

from __future__ import annotations

from crankclock.units import to_unit

DIGITS = 6


def number(value: float | None, unit: str) -> float | None:
    """An SI value in a unit, rounded to a millionth; None stays None."""
    return None if value is None else round(float(to_unit(value, unit)), DIGITS) + 0.0
