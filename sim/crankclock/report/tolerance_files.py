"""A tolerance study as the bytes of a file, by its suffix."""

from __future__ import annotations

from crankclock.report import tolerance_data, tolerance_words
from crankclock.studies.tolerance import Tolerances

SUFFIXES = (".json", ".txt", ".csv", ".xlsx", ".png", ".svg")
SAMPLES = (".csv", ".xlsx")
"""Files that hold every sample."""


def render(found: Tolerances, suffix: str) -> bytes:
    """The report as a file of one of `SUFFIXES`."""
    if suffix == ".json":
        return tolerance_data.as_json(found).encode()
    if suffix == ".txt":
        return tolerance_words.as_text(found).encode()
    if suffix == ".csv":
        return tolerance_data.as_csv(found).encode()
    if suffix == ".xlsx":
        from crankclock.report import tolerance_sheet

        return tolerance_sheet.render(found)
    from crankclock.report import tolerance_chart

    return tolerance_chart.render(found, "png" if suffix == ".png" else "svg")
