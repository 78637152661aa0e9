"""A breakage as the bytes of a file, by its suffix."""

from __future__ import annotations

from collections.abc import Sequence

from crankclock.errors import InputError, Problem
from crankclock.report import breakage_data, breakage_words
from crankclock.studies.breakage import Breakage
from crankclock.studies.breakage_steps import Step, moments


def render(found: Breakage, steps: Sequence[Step] | None, suffix: str) -> bytes:
    """The report as a file; as a picture the cycle as it ran, with steps the die section at its key moments.

    Raises
    ------
    InputError
        A picture is wanted and nothing breaks the cycle.
    """
    if suffix == ".json":
        return breakage_data.as_json(found, steps).encode()
    if suffix == ".txt":
        return breakage_words.as_text(found, steps).encode()
    if found.lead is None:
        raise InputError([Problem("-o", f'"{suffix}"', "a .txt or .json: nothing breaks this cycle, so none is drawn")])
    if steps is not None:
        from crankclock.report import breakage_section

        drawn = moments(found.cycles[0], found.lead)
        return breakage_section.render(found.cycles[0], found.lead, drawn, "png" if suffix == ".png" else "svg")
    from crankclock.report import chart

    return chart.render(found.cycles[0], "png" if suffix == ".png" else "svg")
