"""Many strokes as the bytes of a file, by its suffix."""

from __future__ import annotations

from crankclock.report import strokes_data, strokes_words
from crankclock.studies.strokes import Strokes

SUFFIXES = (".txt", ".json", ".csv")


def render(found: Strokes, suffix: str) -> bytes:
    """The report as a file of one of `SUFFIXES`; .csv is the first run's log."""
    writes = {".txt": strokes_words.as_text, ".json": strokes_data.as_json, ".csv": strokes_data.as_csv}
    return writes[suffix](found).encode()
