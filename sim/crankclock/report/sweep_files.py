"""A sweep as the bytes of a file, by its suffix."""

from __future__ import annotations

from crankclock.report import sweep_data, sweep_words
from crankclock.studies.sweep import Sweep

SUFFIXES = (".json", ".txt", ".csv", ".png", ".svg")


def render(sweep: Sweep, suffix: str) -> bytes:
    """The report of a sweep as a file of one of `SUFFIXES`."""
    if suffix == ".json":
        return sweep_data.as_json(sweep).encode()
    if suffix == ".txt":
        return sweep_words.as_text(sweep).encode()
    if suffix == ".csv":
        return sweep_data.as_csv(sweep).encode()
    from crankclock.report import sweep_chart

    return sweep_chart.render(sweep, "png" if suffix == ".png" else "svg")
